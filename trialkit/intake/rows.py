"""All readings files as one table of rows: bins found by name, days counted from the start."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import nearest_name
from trialkit.intake.cells import Parsed
from trialkit.intake.columns import MOST_DAYS
from trialkit.intake.wording import one_of, remedy_for
from trialkit.records import Bin, Finding, Plan, Severity


@dataclass(frozen=True, eq=False)
class Rows:
    """Every data row of the readings, m of them, in file order. ``bin`` (m,) is -1 and ``day`` NaN where unknown;
    ``date`` (m,) days since year 1; ``numbers`` by template column; ``rater`` and ``remark`` (m,) positions in the
    raters' names and in the different notes. ``typed`` maps the columns of each file to its headings.
    """

    files: tuple[str, ...]
    file: NDArray[np.intp]
    line: NDArray[np.intp]
    bin: NDArray[np.intp]
    day: NDArray[np.float64]
    date: NDArray[np.float64]
    numbers: dict[str, NDArray[np.float64]]
    rater: NDArray[np.intp]
    raters: tuple[str, ...]
    remark: NDArray[np.intp]
    typed: tuple[Mapping[str, str], ...]
    bins: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many rows there are."""
        return len(self.line)

    def place(self, row: int, beside: int | None = None) -> str:
        """Where a row stands: ``line 14``, with its file where that is not the file of the row ``beside``."""
        if beside is not None and self.file[row] == self.file[beside]:
            return f"line {self.line[row]}"
        return f"{self.files[self.file[row]]}, line {self.line[row]}"

    def finding(
        self, severity: Severity, code: str, row: int, column: str, found: str, expected: str = "", remedy: str = ""
    ) -> Finding:
        """A finding on one row, under the heading as typed."""
        file = int(self.file[row])
        name = self.bins[self.bin[row]] if self.bin[row] >= 0 else None
        typed = self.typed[file].get(column, column)
        return Finding(severity, code, self.files[file], int(self.line[row]), typed, found, expected, remedy, name)


def join_files(parsed: Sequence[Parsed], bins: Sequence[Bin]) -> Rows:
    """Stack the files. A column that a file lacks is NaN there; columns without any value are left out."""
    counts = [item.rows for item in parsed]
    names = dict.fromkeys(name for item in parsed for name in item.numbers if name != "day")
    numbers: dict[str, NDArray[np.float64]] = {}
    for name in names:
        pieces = [item.numbers.pop(name, None) for item in parsed]
        whole = _stack(pieces, counts)
        if np.isfinite(whole).any():
            numbers[name] = whole
    position = {item.bin: index for index, item in enumerate(bins)}
    rater, raters = _join_names(parsed, "rater")
    remark, _ = _join_names(parsed, "note")
    return Rows(
        files=tuple(item.file for item in parsed),
        file=np.repeat(np.arange(len(parsed)), counts),
        line=np.concatenate([item.lines for item in parsed]).astype(np.intp) if parsed else np.empty(0, np.intp),
        bin=_join_names(parsed, "bin", position)[0],
        day=_stack([item.numbers.get("day") for item in parsed], counts),
        date=_stack([item.dates.get("date") for item in parsed], counts),
        numbers=numbers,
        rater=rater,
        raters=raters,
        remark=remark,
        typed=tuple(item.typed for item in parsed),
        bins=tuple(item.bin for item in bins),
    )


def _stack(pieces: Sequence[NDArray[np.float64] | None], counts: Sequence[int]) -> NDArray[np.float64]:
    filled = [np.full(n, np.nan) if piece is None else piece for piece, n in zip(pieces, counts, strict=True)]
    return np.concatenate(filled) if filled else np.empty(0)


def _join_names(
    parsed: Sequence[Parsed], column: str, known: dict[str, int] | None = None
) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    """Positions of names over all files; without ``known`` they are numbered as they come, 0 for an empty cell."""
    seen: dict[str, int] = {"": 0} if known is None else known
    pieces = []
    for item in parsed:
        cells = item.names.get(column)
        if cells is None:
            pieces.append(np.full(item.rows, 0 if known is None else -1, np.intp))
            continue
        if known is None:
            places = [seen.setdefault(text, len(seen)) for text in cells.texts]
        else:
            places = [known.get(text, -1) for text in cells.texts]
        pieces.append(np.array(places, np.intp)[cells.codes] if len(cells.codes) else np.empty(0, np.intp))
    return (np.concatenate(pieces) if pieces else np.empty(0, np.intp)), tuple(seen)


def unknown_bins(parsed: Sequence[Parsed], bins: Sequence[Bin]) -> Iterator[Finding]:
    """Bins of the readings that the bins file does not have."""
    names = [item.bin for item in bins]
    known = set(names)
    for item in parsed:
        cells = item.names.get("bin")
        if cells is None:
            continue
        remedies = {
            text: remedy_for(text, names, "Correct the name, or add the bin to the bins file.")
            for text in cells.texts
            if text and text not in known
        }
        for row in cells.rows_with([text in remedies for text in cells.texts]):
            text = cells.at(row)
            yield Finding(
                "error",
                "bin-unknown",
                item.file,
                int(item.lines[row]),
                item.typed["bin"],
                f'found "{text}"',
                f"expected {one_of(names)}",
                remedies[text],
                nearest_name(text, names),
            )


@dataclass(frozen=True, eq=False)
class Calendar:
    """Day 0 of every bin as a day since year 1 (NaN where no date is known), and whether it was declared."""

    start: NDArray[np.float64]
    declared: NDArray[np.bool_]


def find_starts(rows: Rows, bins: Sequence[Bin], plan: Plan | None) -> Calendar:
    """Day 0: the bin's own start date, else the start of the trial file, else the bin's first date."""
    general = plan.start if plan is not None else None
    start = np.full(len(bins), np.nan)
    for index, item in enumerate(bins):
        own = item.start_date or general
        if own is not None:
            start[index] = own.toordinal()
    declared = np.isfinite(start)
    known = (rows.bin >= 0) & np.isfinite(rows.date)
    both = known & np.isfinite(rows.day)
    for chosen, zero in ((both, rows.date - np.floor(rows.day)), (known, rows.date)):
        found = np.full(len(bins), np.inf)
        np.minimum.at(found, rows.bin[chosen], zero[chosen])
        open_ = ~np.isfinite(start) & np.isfinite(found)
        start[open_] = found[open_]
    return Calendar(start, declared)


def count_days(rows: Rows, calendar: Calendar) -> tuple[NDArray[np.float64], list[Finding]]:
    """(m,) days since the start from the day or the date of each row, NaN where neither serves, and what is wrong."""
    findings: list[Finding] = []
    known = rows.bin >= 0
    from_date = np.full(rows.count, np.nan)
    from_date[known] = rows.date[known] - calendar.start[rows.bin[known]]
    day = np.where(np.isfinite(rows.day), rows.day, from_date)
    both = np.isfinite(rows.day) & np.isfinite(from_date)

    def say(row: int, code: str, column: str, found: str, expected: str, remedy: str) -> None:
        findings.append(rows.finding("error", code, row, column, found, expected, remedy))

    with np.errstate(invalid="ignore"):
        for row in np.flatnonzero(both & (np.floor(rows.day) != from_date)).tolist():
            say(
                row,
                "day-and-date-disagree",
                "date",
                f"day {rows.day[row]:g} and {date.fromordinal(int(rows.date[row]))} do not agree",
                f"{date.fromordinal(int(rows.date[row]))} is day {from_date[row]:g}",
                "Correct one of the two.",
            )
        alone = ~np.isfinite(rows.day) & known
        for row in np.flatnonzero(alone & (from_date < 0)).tolist():
            begun = date.fromordinal(int(calendar.start[rows.bin[row]]))
            say(
                row,
                "before-start",
                "date",
                f"found {date.fromordinal(int(rows.date[row]))}",
                f"expected a date on or after the start, {begun}",
                "Correct the date or the start.",
            )
        for row in np.flatnonzero(alone & (from_date > MOST_DAYS)).tolist():
            begun = date.fromordinal(int(calendar.start[rows.bin[row]]))
            say(
                row,
                "value-out-of-range",
                "date",
                f"found {date.fromordinal(int(rows.date[row]))}",
                f"expected a date within 3 650 days of the start, {begun}",
                "Correct the date or the start.",
            )
        # a refused date places no reading in the course of its bin
        day[alone & ((from_date < 0) | (from_date > MOST_DAYS))] = np.nan
    return day, findings


def missing_days(parsed: Sequence[Parsed]) -> Iterator[Finding]:
    """Rows whose day and date are both empty cells."""
    for item in parsed:
        empty = np.ones(item.rows, bool)
        said = "day" if "day" in item.typed else "date"
        for column, values in (("day", item.numbers.get("day")), ("date", item.dates.get("date"))):
            if values is not None:
                empty &= ~np.isfinite(values) & ~item.faulty(column)
        if not {"day", "date"} & set(item.typed):
            continue
        for row in np.flatnonzero(empty).tolist():
            bins = item.names.get("bin")
            yield Finding(
                "error",
                "day-missing",
                item.file,
                int(item.lines[row]),
                said,
                "the row has no day and no date",
                "expected one of them",
                "Fill it in.",
                (bins.at(row) or None) if bins is not None else None,
            )


def first_date(rows: Rows, calendar: Calendar, day: NDArray[np.float64], read: NDArray[np.bool_]) -> date | None:
    """The calendar day of the first of the rows that were ``read`` (m,), where dates are known."""
    known = rows.bin >= 0
    when = np.full(rows.count, np.nan)
    when[known] = calendar.start[rows.bin[known]] + np.floor(day[known])
    # rows whose date was refused begin nothing
    when = np.where(np.isfinite(rows.date), rows.date, when)[read & np.isfinite(day)]
    return date.fromordinal(int(np.nanmin(when))) if np.isfinite(when).any() else None
