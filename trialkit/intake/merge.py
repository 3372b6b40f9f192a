"""Rows to visits: several rows for one bin and day become one, and a reading that stands twice is refused.

Measured numbers are averaged, amounts summed; yes/no and scores are kept per rater and otherwise obliged to agree.
What several additions of one visit were made of is averaged with their masses, so that water, ash, carbon and nitrogen
added are sums too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.columns import READINGS
from trialkit.intake.rows import Rows
from trialkit.records import Bin, Finding

_KIND = {column.name: column.kind for column in READINGS}
_ADDED = {"added_moisture_pct": False, "added_ash_pct": True, "added_carbon_pct": True, "added_nitrogen_pct": True}
_JUDGED = ("score", "yes-no")
# a column for each rater helps while they can be told apart; the joined column always holds all of them
_MOST_RATERS = 40
_ROWS_TAKEN_FOR_BINS = 2.0  # rows a visit on average


@dataclass(frozen=True, eq=False)
class Visits:
    """One row a bin and day, v of them, by bin and then day. ``first`` (v,) is the first of its rows, ``rows`` (m,) the
    used rows in visit order and ``of_row`` (m,) the visit of each.
    """

    bin: NDArray[np.intp]
    day: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    first: NDArray[np.intp]
    rows: NDArray[np.intp]
    of_row: NDArray[np.intp]


def set_aside_rows(rows: Rows, day: NDArray[np.float64], bins: tuple[Bin, ...]) -> list[tuple[NDArray[np.intp], str]]:
    """Rows that stay out, with the reason: those where nothing was measured first, then those after a loss."""
    measured = np.zeros(rows.count, bool)
    for values in rows.numbers.values():
        measured |= np.isfinite(values)
    out = [(np.flatnonzero(~measured), "nothing was measured")]
    for index, item in enumerate(bins):
        if item.lost_on_day is not None:
            with np.errstate(invalid="ignore"):
                late = np.flatnonzero(measured & (rows.bin == index) & (day > item.lost_on_day))
            why = f" ({item.lost_reason})" if item.lost_reason else ""
            if len(late):
                out.append((late, f"after day {item.lost_on_day:g}, on which bin {item.bin} was lost{why}"))
    return out


def join_visits(rows: Rows, day: NDArray[np.float64], used: NDArray[np.bool_]) -> tuple[Visits, list[Finding]]:
    """Group the used rows by bin and day and join what belongs together. Rows without a bin or day are left out."""
    chosen = np.flatnonzero(used & (rows.bin >= 0) & np.isfinite(day))
    order = chosen[np.lexsort((chosen, day[chosen], rows.bin[chosen]))]
    bin_, when = rows.bin[order], day[order]
    new = np.ones(len(order), bool)
    new[1:] = (bin_[1:] != bin_[:-1]) | (when[1:] != when[:-1])
    start = np.flatnonzero(new)
    of_row = np.cumsum(new) - 1
    findings: list[Finding] = []
    columns: dict[str, NDArray[np.float64]] = {}
    several = len(start) < len(order)
    twice: dict[int, tuple[int, str]] = {}
    if several:
        findings += _copies(rows, order, of_row, start)
    for name, values in rows.numbers.items():
        cells = values[order]
        if not several:
            columns[name] = cells
            continue
        twice.update(_from_two_files(rows, name, cells, order, of_row, twice))
        if _KIND.get(name) in _JUDGED:
            joined, said = _join_judged(rows, name, cells, order, of_row, len(start), day)
            columns.update(joined)
            findings += said
        elif name in _ADDED:
            columns[name] = _join_added(rows, name, cells, order, start)
        else:
            columns[name] = _reduce(cells, start, mean=_KIND.get(name) != "amount")
    for row, (first, name) in sorted(twice.items()):
        found = f'bin "{rows.bins[rows.bin[row]]}", day {day[row]:g} is read here'
        expected = f"it is read in {rows.place(first)} too"
        findings.append(rows.finding("error", "reading-twice", row, name, found, expected, "Delete one of the two."))
    if several:
        refused = np.isin(order, list(twice))
        findings += _note(rows, order, start, np.logical_or.reduceat(refused, start))
        findings += _readings_are_no_bins(rows, order, of_row, start)
    return Visits(bin_[start], when[start], columns, order[start], order, of_row), findings


def _reduce(cells: NDArray[np.float64], start: NDArray[np.intp], *, mean: bool) -> NDArray[np.float64]:
    filled = np.isfinite(cells)
    count = np.add.reduceat(filled.astype(float), start)
    total = np.add.reduceat(np.where(filled, cells, 0.0), start)
    with np.errstate(invalid="ignore", divide="ignore"):
        joined: NDArray[np.float64] = np.where(count > 0, total / count if mean else total, np.nan)
    return joined


def _join_added(
    rows: Rows, name: str, cells: NDArray[np.float64], order: NDArray[np.intp], start: NDArray[np.intp]
) -> NDArray[np.float64]:
    """What was added, averaged by wet mass (moisture) or dry mass (the rest); unknown where a part is unknown."""
    nothing = np.full(rows.count, np.nan)
    mass = rows.numbers.get("added_wet_mass_kg", nothing)[order]
    water = rows.numbers.get("added_moisture_pct", nothing)[order]
    weight = mass * (1 - water / 100) if _ADDED[name] else mass
    alone = np.add.reduceat(np.isfinite(cells).astype(int), start)
    parts = np.add.reduceat((np.isfinite(cells) | (mass > 0)).astype(int), start)
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.isfinite(cells) | (mass > 0)
        averaged = np.add.reduceat(np.where(part, weight * cells, 0), start) / np.add.reduceat(
            np.where(part, weight, 0), start
        )
    simple = _reduce(cells, start, mean=True)
    joined: NDArray[np.float64] = np.where((alone == 1) & (parts == 1), simple, averaged)
    return joined


def _join_judged(
    rows: Rows,
    name: str,
    cells: NDArray[np.float64],
    order: NDArray[np.intp],
    of_row: NDArray[np.intp],
    visits: int,
    day: NDArray[np.float64],
) -> tuple[dict[str, NDArray[np.float64]], list[Finding]]:
    """Scores (mean over raters) and yes/no (yes only where every rater says so), with one more column a rater."""
    findings: list[Finding] = []
    filled = np.flatnonzero(np.isfinite(cells))
    visit, rater = of_row[filled], rows.rater[order[filled]]
    filled = filled[np.lexsort((filled, rater, visit))]
    visit, rater, value = of_row[filled], rows.rater[order[filled]], cells[filled]
    if not len(filled):
        return {name: np.full(visits, np.nan)}, findings
    new = np.ones(len(filled), bool)
    new[1:] = (visit[1:] != visit[:-1]) | (rater[1:] != rater[:-1])
    begins = np.flatnonzero(new)
    of_group = np.cumsum(new) - 1
    for at in np.flatnonzero(value != value[begins][of_group]).tolist():
        row, first = int(order[filled[at]]), int(begins[of_group[at]])
        who = f' of rater "{rows.raters[rater[at]]}"' if rows.raters[rater[at]] else ""
        place = rows.place(int(order[filled[first]]), row)
        found = f"found {_say(name, value[at])}"
        expected = f"{place} has {_say(name, value[first])} for the same bin and day{who}"
        remedy = "Correct one, or name the raters."
        findings.append(rows.finding("error", "rows-disagree", row, name, found, expected, remedy))
    visit, rater, value, filled = visit[begins], rater[begins], value[begins], filled[begins]
    starts = np.flatnonzero(np.append([True], visit[1:] != visit[:-1]))
    low, high = np.minimum.reduceat(value, starts), np.maximum.reduceat(value, starts)
    score = _KIND[name] == "score"
    whole = np.full(visits, np.nan)
    whole[visit[starts]] = np.add.reduceat(value, starts) / np.diff(np.append(starts, len(value))) if score else low
    joined = {name: whole}
    raters = np.unique(rater)
    if 1 < len(raters) <= _MOST_RATERS:
        for one in raters:
            column = np.full(visits, np.nan)
            column[visit[rater == one]] = value[rater == one]
            joined[f"{name}, rater {rows.raters[one] or 'not named'}"] = column
    remedy = "The mean of the raters is used." if score else "It counts as yes only once every rater says yes."
    for at in np.flatnonzero(high - low >= (2 if score else 1)).tolist():
        row = int(order[filled[starts[at]]])
        found = f"raters differ on day {day[row]:g}: {_say(name, low[at])} and {_say(name, high[at])}"
        findings.append(rows.finding("warning", "raters-differ", row, name, found, "", remedy))
    return joined, findings


def _say(name: str, value: float) -> str:
    return ("yes" if value else "no") if _KIND[name] == "yes-no" else f"{value:g}"


def _from_two_files(
    rows: Rows,
    name: str,
    cells: NDArray[np.float64],
    order: NDArray[np.intp],
    of_row: NDArray[np.intp],
    known: Mapping[int, tuple[int, str]],
) -> Iterator[tuple[int, tuple[int, str]]]:
    """(row, (first row, column)) where one reading of one bin, day and column stands in two files, each row once.

    Raters may each have a file of their own.
    """
    if len(rows.files) < 2:
        return
    filled = np.flatnonzero(np.isfinite(cells))
    group = of_row[filled]
    if _KIND.get(name) in _JUDGED:
        group = group * len(rows.raters) + rows.rater[order[filled]]
    sort = np.lexsort((order[filled], group))
    group, at = group[sort], order[filled][sort]
    for index in np.flatnonzero((group[1:] == group[:-1]) & (rows.file[at[1:]] != rows.file[at[:-1]])):
        if int(at[index + 1]) not in known:
            yield int(at[index + 1]), (int(at[index]), name)


def _copies(
    rows: Rows, order: NDArray[np.intp], of_row: NDArray[np.intp], start: NDArray[np.intp]
) -> Iterator[Finding]:
    """Rows of one file that repeat another cell for cell: an error where amounts would be counted twice."""
    sizes = np.diff(np.append(start, len(order)))
    shared = order[sizes[of_row] > 1]
    visit = of_row[sizes[of_row] > 1]
    names = list(rows.numbers)
    cells = np.stack([rows.numbers[name][shared] for name in names], axis=1)
    cells[np.isnan(cells)] = np.inf  # no cell is infinite, so empty ones may compare equal as this
    amounts = [names.index(name) for name in names if _KIND.get(name) == "amount"]
    seen: dict[tuple[int, ...], int] = {}
    for index, row in enumerate(shared):
        key = (
            int(visit[index]),
            int(rows.file[row]),
            int(rows.rater[row]),
            int(rows.remark[row]),
            hash(cells[index].tobytes()),
        )
        first = seen.setdefault(key, int(row))
        if first == row:
            continue
        poured = bool(amounts) and bool(((cells[index, amounts] > 0) & np.isfinite(cells[index, amounts])).any())
        if poured or np.isfinite(cells[index]).sum() > 1:
            yield rows.finding(
                "error" if poured else "warning",
                "row-repeated",
                int(row),
                "bin",
                f"the row repeats {rows.place(first, int(row))} cell for cell",
                "its amounts would count twice" if poured else "",
                "Delete one of the two, if it is a copy.",
            )


def _note(
    rows: Rows, order: NDArray[np.intp], start: NDArray[np.intp], refused: NDArray[np.bool_]
) -> Iterator[Finding]:
    """How many visits were joined from several rows, those ``refused`` (v,) left out."""
    several = np.flatnonzero((np.diff(np.append(start, len(order))) > 1) & ~refused)
    joined = len(several)
    if not joined:
        return
    file = rows.files[rows.file[order[start[several[0]]]]]
    visits = "1 visit has" if joined == 1 else f"{joined} visits have"
    found = f"{visits} several rows: measured numbers were averaged and amounts summed, yes/no and scores kept by rater"
    yield Finding("note", "rows-joined", file, None, None, found)


def _readings_are_no_bins(
    rows: Rows, order: NDArray[np.intp], of_row: NDArray[np.intp], start: NDArray[np.intp]
) -> Iterator[Finding]:
    """A warning where bins are read so often at a visit that rows could be taken for bins."""
    measured = np.zeros(len(order), bool)
    for name, values in rows.numbers.items():
        if _KIND.get(name) == "number":
            measured |= np.isfinite(values[order])
    each = np.bincount(of_row[measured], minlength=len(start))
    count, visits = int(measured.sum()), int((each > 0).sum())
    bins = len(np.unique(rows.bin[order[measured]]))
    if bins < 2 or count < _ROWS_TAKEN_FOR_BINS * visits:
        return
    file = rows.files[rows.file[order[start[np.flatnonzero(each > 1)[0]]]]]
    found = f"{count} rows of readings come from {visits} visits to {bins} bins"
    expected = "readings of one bin at one visit are averaged: they make its value better, but add no bin"
    remedy = f"Treatments are compared on {bins} bins, whatever the number of rows."
    yield Finding("warning", "readings-are-no-bins", file, None, None, found, expected, remedy)
