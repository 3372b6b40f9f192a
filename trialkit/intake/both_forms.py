"""A trial that stands in a workbook and in text files too: what is used, so that nothing is lost or read twice.

Of plans that agree in all that both say, the fuller is used. Bins must agree, but cells that are filled in while the
trial runs may be empty in one of the two. Of the readings, those that hold all that the others hold are used alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from trialkit.intake.binsfile import bins_from_file
from trialkit.intake.cells import Parsed
from trialkit.intake.columns import READINGS
from trialkit.intake.places import Path, name_place
from trialkit.intake.trialfile import TrialFile
from trialkit.records import Bin, Finding

_SHOWN = 6  # names in a note
_ONE_ONLY = "Make both say the same, or take one of the two files away."
# filled in while the trial runs, so an empty cell is no contradiction
_LATER = ("start_date", "lost_on_day", "lost_reason", "note")
_KIND = {column.name: column.kind for column in READINGS}


# ---------------------------------------------------------------- the plan
def choose_plan(text: TrialFile, book: TrialFile) -> tuple[TrialFile, list[Finding]]:
    """The file that says more of the plan, where it says all that the other says; else one error for every value that
    differs between the text file and the workbook."""
    one, two = _values(text), _values(book)
    differ: list[Finding] = []
    more: dict[bool, dict[str | None, Finding]] = {True: {}, False: {}}  # by whether it stands in the workbook
    said: set[Path] = set()
    for path in dict.fromkeys([*one, *two]):
        if path in one and path in two and one[path] == two[path]:
            continue
        entry = path[:2]
        # a whole treatment or claim that stands in one file only is told once
        if len(path) > 2 and path[0] in ("treatment", "claim") and not (_has(one, entry) and _has(two, entry)):
            path = (*entry, "name" if path[0] == "treatment" else "text")
        if path in said:
            continue
        said.add(path)
        finding = _plan_finding(path, text, book, one, two)
        if path in one and path in two:
            differ.append(finding)
        else:
            more[path in two][name_place(path)] = finding
    if differ or (more[True] and more[False]):
        return text, [*differ, *more[False].values(), *more[True].values()]
    fuller = book if more[True] else text
    names = [str(name) for name in {**more[False], **more[True]}]
    if not names:
        return text, []
    shown = ", ".join(names[:_SHOWN]) + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")
    what = f"{fuller.places.place(())[0]} says more of the plan ({shown}), so it is used"
    return fuller, [Finding("note", "plan-in-both", book.places.place(())[0], None, None, what)]


def _plan_finding(
    path: Path, text: TrialFile, book: TrialFile, one: Mapping[Path, Any], two: Mapping[Path, Any]
) -> Finding:
    """A value that the two plans do not share; it stands at the workbook."""
    file, line, _ = text.places.place(path)
    where = file if line is None or path not in one else f"{file}, line {line},"
    place = book.places.place(path)
    if place[2] is None:
        place = (*place[:2], name_place(path))
    found = f"found {_show(two[path])}" if path in two else "nothing is said"
    expected = f"{where} has {_show(one[path])}" if path in one else f"{where} says nothing of it"
    return Finding("error", "plans-differ", *place, found, expected, _ONE_ONLY)


def _values(trial_file: TrialFile) -> dict[Path, Any]:
    found: dict[Path, Any] = {}

    def walk(value: Any, path: Path) -> None:
        if isinstance(value, dict):
            for key, below in value.items():
                walk(below, (*path, key))
        elif isinstance(value, list) and any(isinstance(item, dict) for item in value):
            for index, below in enumerate(value):
                walk(below, (*path, index))
        elif value not in (None, "", []):
            found[path] = value

    walk(trial_file.part.model_dump(exclude_defaults=True), ())
    return found


def _has(values: Mapping[Path, Any], entry: Path) -> bool:
    return any(path[:2] == entry for path in values)


def _show(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return ", ".join(_show(item) for item in value) if isinstance(value, list) else f"{value}"


# ---------------------------------------------------------------- the bins
def choose_bins(text: Parsed, book: Parsed) -> tuple[Parsed, list[Finding]]:
    """The table that says more of the bins, where one says all that the other says; else findings too."""
    one, two = _by_name(text), _by_name(book)
    findings: list[Finding] = []
    more: dict[str, list[Finding]] = {text.file: [], book.file: []}

    def say(name: str, column: str, found: str, expected: str, *, here: Parsed = book) -> Finding:
        lines = (one if here is text else two).get(name)
        return Finding(
            "error", "bins-differ", here.file, lines[1] if lines else None, here.typed.get(column, column), found,
            expected, _ONE_ONLY, name,
        )  # fmt: skip

    for name in dict.fromkeys([*one, *two]):
        if name not in two or name not in one:
            here, other = (text, book) if name in one else (book, text)
            findings.append(say(name, "bin", f'found the bin "{name}"', f"{other.file} has no such bin", here=here))
            continue
        (first, line), (second, _) = one[name], two[name]
        for column in dict.fromkeys([*first, *second]):
            a, b = first.get(column), second.get(column)
            if _same(a, b):
                continue
            expected = f"{text.file}, line {line}, has {'nothing' if a is None else _show(a)}"
            finding = say(name, column, "the cell is empty" if b is None else f"found {_show(b)}", expected)
            if (a is None or b is None) and (column in _LATER or column.startswith("start_")):
                more[book.file if a is None else text.file].append(finding)
            else:
                findings.append(finding)
    if not findings and more[text.file] and more[book.file]:
        findings = [*more[text.file], *more[book.file]]
    if findings or not more[book.file]:
        return text, findings
    said = f"more is filled in here than in {text.file}, so these bins are used"
    return book, [Finding("note", "bins-in-both", book.file, None, None, said)]


def _by_name(parsed: Parsed) -> dict[str, tuple[dict[str, Any], int]]:
    """Bin -> what its row says, and the line of it."""
    cells = parsed.names.get("bin")
    lines = {cells.at(row): int(parsed.lines[row]) for row in reversed(range(parsed.rows))} if cells is not None else {}
    return {item.bin: (_cells(item), lines[item.bin]) for item in bins_from_file(parsed)[0]}


def _cells(item: Bin) -> dict[str, Any]:
    named = {name: getattr(item, name) for name in Bin.__dataclass_fields__ if name not in ("bin", "starts")}
    return {name: value for name, value in (named | dict(item.starts)).items() if value is not None}


def _same(one: Any, two: Any) -> bool:
    if isinstance(one, float) and isinstance(two, float):
        return math.isclose(one, two, rel_tol=1e-9)
    return bool(one == two)


# ---------------------------------------------------------------- the readings
@dataclass
class _Visit:
    """What one bin and day holds: the values under every (column, rater), and the first line they stand on."""

    file: str
    line: int
    typed: Mapping[str, str]
    values: dict[tuple[str, str], list[Any]] = field(default_factory=dict)


_Visits = dict[tuple[str, float], _Visit]


def choose_readings(
    texts: Sequence[Parsed], book: Parsed, start: date | None
) -> tuple[tuple[Parsed, ...], list[Finding]]:
    """The tables to read, and findings. Where each holds what the other lacks, all are read together."""
    one: _Visits = {}
    for parsed in texts:
        _gather(parsed, start, one)
    two: _Visits = {}
    _gather(book, start, two)
    files = " and ".join(parsed.file for parsed in texts)
    conflicts = list(_conflicts(one, two))
    # a cell that was refused is no reading yet, so nothing is said of who holds more
    if conflicts or any(parsed.faults for parsed in (*texts, book)):
        return tuple(texts), conflicts
    said, used = _choose(files, _lacks(two, one), _lacks(one, two), any_reading=bool(one or two))
    tables = {"texts": tuple(texts), "book": (book,)}.get(used, (*texts, book))
    return tables, [Finding("note", "readings-in-both", book.file, None, None, said)]


def _choose(texts: str, texts_hold_more: bool, book_holds_more: bool, *, any_reading: bool) -> tuple[str, str]:
    """What is to be said, and which tables are used."""
    if not any_reading:
        return f"no reading stands here or in {texts} yet; fill in one of the two", "texts"
    if texts_hold_more and book_holds_more:
        return f"some readings stand here and others in {texts}; they are read together", "all"
    if book_holds_more:
        return f"{texts} holds no reading that does not stand here; the readings are taken from here", "book"
    if texts_hold_more:
        return f"the sheet holds no reading that does not stand in {texts}; the readings are taken from there", "texts"
    return f"the same readings stand in {texts}; they count once", "texts"


def _gather(parsed: Parsed, start: date | None, visits: _Visits) -> None:
    """Put every filled cell of a table under its bin and day; rows that say nothing more than these are left out."""
    bins = parsed.names.get("bin")
    if bins is None:
        return
    nothing = np.full(parsed.rows, np.nan)
    day = parsed.numbers.get("day", nothing)
    if start is not None:
        day = np.where(np.isfinite(day), day, parsed.dates.get("date", nothing) - start.toordinal())
    for row in range(parsed.rows):
        rater = parsed.names["rater"].at(row) if "rater" in parsed.names else ""
        cells: dict[str, Any] = {
            name: float(values[row])
            for name, values in parsed.numbers.items()
            if name != "day" and np.isfinite(values[row])
        }
        cells |= {
            name: text
            for name, texts in parsed.names.items()
            if name not in ("bin", "rater") and (text := texts.at(row))
        }
        if not cells:
            continue
        line = int(parsed.lines[row])
        # without a day a row stands for itself
        key = (bins.at(row), float(day[row]) if np.isfinite(day[row]) else -float(line))
        visit = visits.setdefault(key, _Visit(parsed.file, line, parsed.typed))
        for name, value in cells.items():
            visit.values.setdefault((name, rater if _KIND.get(name) in ("score", "yes-no") else ""), []).append(value)


def _conflicts(one: _Visits, two: _Visits) -> Iterator[Finding]:
    """One error for every reading that both hold and that differs; it stands at the workbook."""
    for (name, day), here in two.items():
        there = one.get((name, day))
        if there is None:
            continue
        differ = [
            key
            for key, values in here.values.items()
            if key in there.values and not _same(_joined(key[0], values), _joined(key[0], there.values[key]))
        ]
        for column, rater in differ:
            who = f" of rater {rater}" if rater else ""
            found = f"found {_list(here.values[column, rater])}{who}"
            expected = f"{there.file}, line {there.line}, has {_list(there.values[column, rater])} for the same visit"
            remedy = "Correct one of the two, or empty it."
            typed = here.typed.get(column, column)
            yield Finding("error", "readings-differ", here.file, here.line, typed, found, expected, remedy, name)


def _joined(column: str, values: Sequence[Any]) -> Any:
    """What several cells of one visit come to: amounts their sum, measured numbers their mean, the rest as they are."""
    kind = _KIND.get(column)
    if kind in ("number", "amount"):
        return float(sum(values)) if kind == "amount" else float(sum(values)) / len(values)
    return sorted(set(values), key=str)


def _list(values: Sequence[Any]) -> str:
    return ", ".join(f'"{value}"' if isinstance(value, str) else f"{value:g}" for value in values)


def _lacks(one: _Visits, two: _Visits) -> bool:
    """Whether ``two`` holds a reading that ``one`` does not hold."""
    return any(key not in one or bool(visit.values.keys() - one[key].values.keys()) for key, visit in two.items())
