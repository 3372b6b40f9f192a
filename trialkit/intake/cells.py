"""A table of text to columns of values, each different text judged once. Errors and notes, never an exception."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.columns import Heading
from trialkit.intake.dates import REMEDY, looks_like_date, read_date, word_readings
from trialkit.intake.numbers import NotANumber, NumberStyle, find_style, read_number
from trialkit.intake.ranges import judge_bounds, judge_fahrenheit
from trialkit.intake.reading import Cells, Table
from trialkit.records import Finding, Severity

YES_NO = {"yes": 1.0, "y": 1.0, "true": 1.0, "1": 1.0, "no": 0.0, "n": 0.0, "false": 0.0, "0": 0.0}


@dataclass(frozen=True)
class Complaint:
    """What is wrong with one text of a column."""

    code: str
    expected: str
    remedy: str
    severity: Severity = "error"
    found: str | None = None


@dataclass(frozen=True, eq=False)
class Parsed:
    """A table as values, by template column. ``numbers`` (n,) in template units, NaN where empty (yes = 1, no = 0);
    ``dates`` (n,) as days since year 1, NaN where empty; ``names`` as text. ``typed`` maps a column to its heading.
    """

    file: str
    lines: NDArray[np.int32]
    typed: Mapping[str, str]
    numbers: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    dates: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    names: dict[str, Cells] = field(default_factory=dict)
    faults: dict[str, NDArray[np.intp]] = field(default_factory=dict)

    def faulty(self, column: str) -> NDArray[np.bool_]:
        """(n,) whether a cell of ``column`` was refused; its number is then NaN."""
        marks = np.zeros(self.rows, bool)
        marks[self.faults.get(column, np.empty(0, np.intp))] = True
        return marks

    @property
    def rows(self) -> int:
        """Data rows."""
        return len(self.lines)


def parse_table(table: Table, used: Mapping[int, Heading]) -> tuple[Parsed, list[Finding]]:
    """Convert every used column at once. A text that does not convert is NaN and has its findings."""
    typed = {heading.column.name: table.headings[index] for index, heading in used.items()}
    parsed = Parsed(table.file, table.lines, typed)
    findings: list[Finding] = []
    numeric = [index for index, heading in used.items() if heading.column.holds_numbers]
    style = find_style((text for index in numeric for text in table.columns[index].texts), table.separator)
    bins = next((table.columns[i] for i, heading in used.items() if heading.column.name == "bin"), None)
    with_comma = 0
    for index, heading in used.items():
        name, cells = heading.column.name, table.columns[index]
        complaints: dict[int, Complaint] = {}
        if heading.column.holds_numbers:
            values = _numbers(table, index, heading, style, complaints, findings)
            with_comma += sum("," in text and bool(np.isfinite(values[at])) for at, text in enumerate(cells.texts))
            parsed.numbers[name] = _spread(values, cells)
        elif heading.column.kind == "yes-no":
            parsed.numbers[name] = _spread(_yes_no(cells, complaints), cells)
        elif heading.column.kind == "date":
            parsed.dates[name] = _spread(_dates(cells, complaints, table.file, table.headings[index], findings), cells)
        else:
            parsed.names[name] = cells
            if heading.column.required:
                complaints.update(_required(cells, name))
        refused = [place for place, said in complaints.items() if said.severity == "error"]
        if refused:
            marks = np.zeros(len(cells.texts), bool)
            marks[refused] = True
            parsed.faults[name] = cells.rows_with(marks)
        findings.extend(_word(table, table.headings[index], cells, complaints, bins))
    if with_comma:
        found = "decimal commas were read as decimal points"
        findings.append(Finding("note", "decimal-commas", table.file, None, None, found))
    return parsed, findings


def _word(
    table: Table, heading: str, cells: Cells, complaints: Mapping[int, Complaint], bins: Cells | None
) -> Iterator[Finding]:
    """One finding for every row whose text has a complaint."""
    if not complaints:
        return
    wanted = np.zeros(len(cells.texts), dtype=bool)
    wanted[list(complaints)] = True
    for row in cells.rows_with(wanted):
        said = complaints[int(cells.codes[row])]
        found = said.found if said.found is not None else f'found "{cells.at(row)}"'
        name = bins.at(row) or None if bins is not None else None
        yield Finding(
            said.severity,
            said.code,
            table.file,
            int(table.lines[row]),
            heading,
            found,
            said.expected,
            said.remedy,
            name,
        )


def _spread(values: NDArray[np.float64], cells: Cells) -> NDArray[np.float64]:
    return values[cells.codes] if len(cells.codes) else np.empty(0)


def _numbers(
    table: Table,
    index: int,
    heading: Heading,
    style: NumberStyle,
    complaints: dict[int, Complaint],
    findings: list[Finding],
) -> NDArray[np.float64]:
    cells, typed = table.columns[index], table.headings[index]
    values = np.full(len(cells.texts), np.nan)
    for place, text in enumerate(cells.texts):
        if not text:
            continue
        number = read_number(text, style)
        if isinstance(number, NotANumber):
            if heading.column.kind == "day" and looks_like_date(text):
                complaints[place] = _date_as_day(heading.column.name)
            else:
                unit = f" ({heading.unit})" if heading.unit else ""
                expected = number.expected + unit if number.expected == "expected a number" else number.expected
                # a visit without its day is no visit, so that cell cannot stay empty
                remedy = "Count the days from the start." if heading.column.name == "day" else number.remedy
                complaints[place] = Complaint(number.code, expected, remedy)
        else:
            values[place] = number
    for place, (severity, code, expected, remedy) in judge_bounds(values, heading).items():
        complaints[place] = Complaint(code, expected, remedy, severity)
    judged = judge_fahrenheit(values, cells.codes, heading)
    if judged is not None:
        for place in [place for place in complaints if np.isfinite(values[place])]:
            del complaints[place]  # every number of the column shares the cause
        row = int(np.flatnonzero(np.isin(cells.codes, judged.texts))[0])
        findings.append(
            Finding(
                "error",
                "looks-like-fahrenheit",
                table.file,
                int(table.lines[row]),
                typed,
                judged.found,
                judged.expected,
                judged.remedy,
            )
        )
    refused = [place for place, said in complaints.items() if said.severity == "error"]
    values[refused if judged is None else slice(None)] = np.nan
    converted: NDArray[np.float64] = values * heading.factor + heading.offset
    return converted


def _date_as_day(name: str) -> Complaint:
    if name == "day":
        remedy = 'Count the days from the start, or name the column "date".'
    else:
        remedy = "Count the days from the start."
    return Complaint("date-as-day", "expected a number of days, not a date", remedy)


def _yes_no(cells: Cells, complaints: dict[int, Complaint]) -> NDArray[np.float64]:
    values = np.full(len(cells.texts), np.nan)
    for index, text in enumerate(cells.texts):
        answer = YES_NO.get(text.casefold())
        if answer is not None:
            values[index] = answer
        elif text:
            complaints[index] = Complaint(
                "not-yes-or-no", "expected yes or no (y, n, true, false, 1, 0)", "Correct it, or leave the cell empty."
            )
    return values


def _dates(
    cells: Cells, complaints: dict[int, Complaint], file: str, heading: str, findings: list[Finding]
) -> NDArray[np.float64]:
    values = np.full(len(cells.texts), np.nan)
    other, timed = "", ""
    for index, text in enumerate(cells.texts):
        if not text:
            continue
        read = read_date(text)
        if read.day is not None:
            values[index] = read.day.toordinal()
            other = other or ("" if read.iso else text)
            timed = timed or (text if read.timed else "")
        elif read.readings:
            expected = f"expected a date that reads one way; this is {word_readings(read.readings)}"
            complaints[index] = Complaint("date-ambiguous", expected, REMEDY)
        else:
            complaints[index] = Complaint("not-a-date", "expected a date", REMEDY)
    if other:
        said = f'dates such as "{other}" were read as {word_readings(read_date(other).readings)}'
        findings.append(Finding("note", "date-style", file, None, heading, said))
    if timed:
        said = f'the time of day ("{timed}") is not used'
        findings.append(Finding("note", "time-not-used", file, None, heading, said))
    return values


def _required(cells: Cells, name: str) -> dict[int, Complaint]:
    what = "the name of the bin" if name == "bin" else "the treatment of the bin"
    said = Complaint("cell-empty", f"expected {what}", "Fill it in.", "error", "the cell is empty")
    return {index: said for index, text in enumerate(cells.texts) if not text}
