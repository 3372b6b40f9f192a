"""Rules on the series of each bin: a moved decimal point, readings of two bins swapped, courses that hardly can be.

All are warnings but one: what they point at stays in the analysis. Each reads visits and yields findings; none raises.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.columns import READINGS, show_number
from trialkit.intake.merge import Visits
from trialkit.intake.rows import Rows
from trialkit.records import Finding

_UNIT = {column.name: column.unit for column in READINGS}
_POINTED = tuple(column.name for column in READINGS if column.kind == "number")
CHECK = "It stays in the analysis; check it."


@dataclass(frozen=True, eq=False)
class Series:
    """The visits at which one column was read, q of them, by bin and day. ``visit`` (q,) positions in the visits;
    ``joined`` (q,) whether the entry before belongs to the same bin.
    """

    visit: NDArray[np.intp]
    bin: NDArray[np.intp]
    day: NDArray[np.float64]
    value: NDArray[np.float64]
    joined: NDArray[np.bool_]


def take_series(visits: Visits, column: str, without: set[tuple[int, str]] | None = None) -> Series | None:
    """One column of the visits without empty cells and without the suspects ``without`` (visit, column)."""
    values = visits.columns.get(column)
    if values is None:
        return None
    chosen = np.flatnonzero(np.isfinite(values))
    if without:
        skip = {visit for visit, name in without if name == column}
        chosen = np.array([visit for visit in chosen if visit not in skip], np.intp) if skip else chosen
    bin_ = visits.bin[chosen]
    joined = np.zeros(len(chosen), bool)
    joined[1:] = bin_[1:] == bin_[:-1]
    return Series(chosen, bin_, visits.day[chosen], values[chosen], joined)


def moved_points(visits: Visits, rows: Rows) -> tuple[list[Finding], set[tuple[int, str]]]:
    """Values about ten times larger or smaller than the bin's readings before and after, with the places found."""
    findings: list[Finding] = []
    suspects: set[tuple[int, str]] = set()
    for column in _POINTED:
        series = take_series(visits, column)
        if series is None or len(series.value) < 3:
            continue
        positive = series.value > 0
        logs = np.log10(np.where(positive, series.value, np.nan))
        step = np.full(len(logs), np.nan)
        step[1:] = np.where(series.joined[1:], logs[1:] - logs[:-1], np.nan)
        after = np.append(step[1:], np.nan)
        with np.errstate(invalid="ignore"):
            # inside a series: a tenfold step there and back, between neighbours that agree within twofold
            inside = (np.abs(np.abs(step) - 1) < 0.3) & (np.abs(np.abs(after) - 1) < 0.3) & (np.abs(step + after) < 0.3)
            if "temp" in column or column == "respired_c_g_kg":
                hits = inside  # these may well begin at a tenth of the next reading
            else:
                after_next = np.append(after[1:], np.nan)
                before = np.append([np.nan], step[:-1])
                first = np.isnan(step) & (np.abs(np.abs(after) - 1) < 0.2) & (np.abs(after_next) < 0.18)
                last = np.isnan(after) & (np.abs(np.abs(step) - 1) < 0.2) & (np.abs(before) < 0.18)
                hits = inside | first | last
        for at in np.flatnonzero(hits):
            beside = [i for i in (at - 1, at + 1) if 0 <= i < len(logs) and series.bin[i] == series.bin[at]]
            near = " and ".join(show_number(series.value[i]) for i in beside)
            level = float(np.mean(logs[beside]))
            better = series.value[at] * (10 if logs[at] < level else 0.1)
            row = int(visits.first[series.visit[at]])
            unit = f" {_UNIT[column]}" if _UNIT[column] else ""
            findings.append(
                rows.finding(
                    "warning",
                    "decimal-point-moved",
                    row,
                    column,
                    f"found {show_number(series.value[at])}{unit}",
                    f"this bin has {near} beside it",
                    f"Was it {show_number(better)}? {CHECK}",
                )
            )
            suspects.add((int(series.visit[at]), column))
    return findings, suspects


def temperature_jumps(visits: Visits, rows: Rows, suspects: set[tuple[int, str]]) -> Iterator[Finding]:
    """More than 15 °C in a day without turning or feeding."""
    series = take_series(visits, "core_temp_c", suspects)
    if series is None:
        return
    handled = _happened(visits, series, ("turned", "added_wet_mass_kg", "water_added_l"))
    days, change = _steps(series.day), _steps(series.value)
    before = series.value - change
    for at in np.flatnonzero(series.joined & ~handled & (np.abs(change) > 15 * np.maximum(days, 1.0))):
        yield rows.finding(
            "warning",
            "temperature-jump",
            int(visits.first[series.visit[at]]),
            "core_temp_c",
            f"found {show_number(series.value[at])} °C, {show_number(before[at])} °C {_span(days[at])} before",
            "more than 15 °C a day without turning is unlikely",
            CHECK,
        )


def colder_than_air(visits: Visits, rows: Rows, suspects: set[tuple[int, str]]) -> Iterator[Finding]:
    """A core more than 5 °C below the air for longer than two days; said once a bin."""
    series = take_series(visits, "core_temp_c", suspects)
    air = visits.columns.get("ambient_temp_c")
    if series is None or air is None:
        return
    with np.errstate(invalid="ignore"):
        cold = series.value < air[series.visit] - 5
    if not cold.any():
        return
    run, said = 0.0, -1
    for at in range(len(cold)):
        run = run + series.day[at] - series.day[at - 1] if cold[at] and series.joined[at] and cold[at - 1] else 0.0
        if run > 2 and series.bin[at] != said:
            said = int(series.bin[at])
            yield rows.finding(
                "warning",
                "colder-than-air",
                int(visits.first[series.visit[at]]),
                "core_temp_c",
                f"the core has been more than 5 °C below the air for {_span(run)}",
                "",
                CHECK,
            )


def rises(visits: Visits, rows: Rows, suspects: set[tuple[int, str]]) -> Iterator[Finding]:
    """Height or volume up by more than 5 % without feeding; turning fluffs, so it is asked, not refused."""
    for column in ("height_cm", "volume_l"):
        series = take_series(visits, column, suspects)
        if series is None:
            continue
        fed = _happened(visits, series, ("added_wet_mass_kg",))
        before = series.value - _steps(series.value)
        for at in np.flatnonzero(series.joined & ~fed & (series.value > 1.05 * before)):
            with np.errstate(divide="ignore", over="ignore"):
                up = 100 * (series.value[at] / before[at] - 1)
            yield rows.finding(
                "warning",
                "rises-unfed",
                int(visits.first[series.visit[at]]),
                column,
                f"found {show_number(series.value[at])} {_UNIT[column]}, {up:.0f} % more than at the visit before",
                "nothing was added",
                CHECK,
            )


def mass_jumps(visits: Visits, rows: Rows, suspects: set[tuple[int, str]]) -> Iterator[Finding]:
    """Wet mass up by a fifth, or down by a fifth within a week, with no event between."""
    series = take_series(visits, "wet_mass_kg", suspects)
    if series is None:
        return
    touched = _happened(visits, series, ("added_wet_mass_kg", "water_added_l", "sample_removed_kg", "turned"))
    days, before = _steps(series.day), series.value - _steps(series.value)
    with np.errstate(divide="ignore", over="ignore"):  # a mass may be as small as a double can be
        ratio = series.value / before
    for at in np.flatnonzero(series.joined & ~touched & ((ratio > 1.2) | ((ratio < 0.8) & (days <= 7)))):
        yield rows.finding(
            "warning",
            "mass-jump",
            int(visits.first[series.visit[at]]),
            "wet_mass_kg",
            f"found {show_number(series.value[at])} kg, {show_number(before[at])} kg {_span(days[at])} before",
            "no addition, water or sample is noted between",
            CHECK,
        )


def falls(visits: Visits, rows: Rows, suspects: set[tuple[int, str]]) -> Iterator[Finding]:
    """Ash below its first value by more than a point, and a cumulative respiration that falls; once a bin."""
    for column, slack, why in (
        ("ash_pct", 1.0, "ash should rise as organic matter goes"),
        ("respired_c_g_kg", 0.0, "a cumulative sum does not fall"),
    ):
        series = take_series(visits, column, suspects)
        if series is None or not len(series.value):
            continue
        begins = np.maximum.accumulate(np.where(series.joined, 0, np.arange(len(series.value))))
        before = series.value[begins] if column == "ash_pct" else series.value - _steps(series.value)
        low = np.flatnonzero(series.joined & (series.value < before - slack))
        for at in low[np.unique(series.bin[low], return_index=True)[1]]:
            yield rows.finding(
                "warning",
                "falls",
                int(visits.first[series.visit[at]]),
                column,
                f"found {show_number(series.value[at])}, {show_number(before[at])} before",
                why,
                CHECK,
            )


def finish_flips(visits: Visits, rows: Rows) -> Iterator[Finding]:
    """A bin that was finished and then is not."""
    series = take_series(visits, "finished")
    if series is None:
        return
    for at in np.flatnonzero(series.joined & (series.value == 0) & (_steps(series.value) == -1)):
        yield rows.finding(
            "warning",
            "finish-flips",
            int(visits.first[series.visit[at]]),
            "finished",
            f"no on day {series.day[at]:g} after yes on day {series.day[at - 1]:g}",
            "",
            CHECK,
        )


def _span(days: float) -> str:
    return "1 day" if days == 1 else f"{days:g} days"


def _steps(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(q,) each value less the one before it; 0 for the first."""
    return np.diff(values, prepend=values[:1])


def _happened(visits: Visits, series: Series, names: tuple[str, ...]) -> NDArray[np.bool_]:
    """(q,) whether one of these events is noted from the visit before up to this one."""
    marks = np.zeros(len(visits.day), bool)
    for name in names:
        values = visits.columns.get(name)
        if values is not None:
            with np.errstate(invalid="ignore"):
                marks |= values > 0
    total = np.concatenate([[0], np.cumsum(marks)])
    before = np.append([0], series.visit[:-1])
    happened: NDArray[np.bool_] = total[series.visit + 1] - total[before] > 0
    return happened
