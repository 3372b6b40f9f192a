"""Rules on bins beside each other: readings swapped between two bins, a bin renamed half-way, mass out of nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.columns import show_number
from trialkit.intake.merge import Visits
from trialkit.intake.rows import Rows
from trialkit.intake.series import Series, take_series
from trialkit.records import Bin, Finding

# column -> (compared as logarithms, least deviation that counts): 5 % of a volume, 8 °C, 20 g of carbon a kilogram
_COMPARED = {
    "volume_l": (True, 0.05),
    "height_cm": (True, 0.05),
    "wet_mass_kg": (True, 0.05),
    "respired_c_g_kg": (False, 20.0),
    "core_temp_c": (False, 8.0),
}
_MOST_FLAGGED = 30
_MANY_BINS = 6
# dry mass at two weighings errs by about 7 % together (common practice: 0.2 kg and 2 points of moisture); three times
# that much more than was there cannot be error
_MOST_DRY_GAIN = 1.2


def swapped_visits(
    visits: Visits, rows: Rows, suspects: set[tuple[int, str]]
) -> tuple[list[Finding], set[tuple[int, str]]]:
    """Two bins on one day whose readings each fit the other's course and not their own."""
    pairs: dict[tuple[int, int], list[str]] = {}
    for column, (as_logs, least) in _COMPARED.items():
        series = take_series(visits, column, suspects)
        if series is None or (as_logs and (series.value <= 0).any()):
            continue
        value = np.log(series.value) if as_logs else series.value
        expected = _from_neighbours(series, value)
        residual = value - expected
        for at in _by_day(series, np.isfinite(residual)):
            residual[at] -= np.median(residual[at])
        # the other bins of the day carry what the day did to all
        day_shift = value - expected - residual
        known = residual[np.isfinite(residual)]
        if len(known) < 8:
            continue
        bound = np.full(len(value), max(least, 5 * 1.4826 * float(np.median(np.abs(known)))))
        for at in _by_day(series, np.isfinite(residual)):
            if len(at) >= _MANY_BINS:  # early days scatter more than late ones: each is held to its own
                bound[at] = max(least, 5 * 1.4826 * float(np.median(np.abs(residual[at]))))
        for at in _by_day(series, np.abs(np.nan_to_num(residual)) > bound):
            if len(at) > _MOST_FLAGGED:
                continue
            found = sorted(_crossings(at, value, expected, residual, day_shift))
            taken: set[int] = set()
            for _, one, two in found:  # the pair that fits best first; a bin is swapped with one other at most
                if not taken & {one, two}:
                    taken |= {one, two}
                    pairs.setdefault((int(series.visit[one]), int(series.visit[two])), []).append(column)
    findings: list[Finding] = []
    hit: set[tuple[int, str]] = set()
    for (one, two), columns in pairs.items():
        for here, there in ((one, two), (two, one)):
            row, other = int(visits.first[here]), int(visits.first[there])
            hit.update((here, column) for column in columns)
            findings.append(
                rows.finding(
                    "warning",
                    "visits-swapped",
                    row,
                    columns[0],
                    f"the readings of this bin on day {visits.day[here]:g} fit bin "
                    f'"{rows.bins[visits.bin[there]]}" ({rows.place(other, row)}), and those of that bin fit this one',
                    "",
                    "Were the two swapped? They stay in the analysis as they are.",
                )
            )
    return findings, hit


def _crossings(
    at: NDArray[np.intp],
    value: NDArray[np.float64],
    expected: NDArray[np.float64],
    residual: NDArray[np.float64],
    day_shift: NDArray[np.float64],
) -> Iterator[tuple[float, int, int]]:
    """(share of the misfit that stays when crossed, one, other) of every pair that fits far better crossed."""
    for place, one in enumerate(at.tolist()):
        for two in at[place + 1 :].tolist():
            own = abs(residual[one]) + abs(residual[two])
            crossed = abs(value[two] - expected[one] - day_shift[one])
            crossed += abs(value[one] - expected[two] - day_shift[two])
            if crossed < 0.3 * own:
                yield float(crossed / own), one, two


def _from_neighbours(series: Series, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the readings before and after lead to expect; at the end, the one before; NaN at the start, where courses
    are steepest.
    """
    before, after = np.full(len(value), np.nan), np.full(len(value), np.nan)
    gap_before, gap_after = np.full(len(value), np.nan), np.full(len(value), np.nan)
    linked = np.flatnonzero(series.joined)
    before[linked], after[linked - 1] = value[linked - 1], value[linked]
    gap_before[linked] = series.day[linked] - series.day[linked - 1]
    gap_after[linked - 1] = gap_before[linked]
    between = (before * gap_after + after * gap_before) / (gap_before + gap_after)
    return np.where(np.isfinite(between), between, before)


def _by_day(series: Series, chosen: NDArray[np.bool_]) -> Iterator[NDArray[np.intp]]:
    """Positions of the chosen entries, one array for each day with at least two of them."""
    at = np.flatnonzero(chosen)
    at = at[np.argsort(series.day[at], kind="stable")]
    ends = np.flatnonzero(np.diff(series.day[at])) + 1
    for piece in np.split(at, ends):
        if len(piece) > 1:
            yield piece


def renamed_bins(visits: Visits, rows: Rows, bins: Sequence[Bin], planned: int) -> Iterator[Finding]:
    """A name that begins half-way where another, alike in all else, ends.

    The first ``planned`` bins come from the bins file; where there is one, only other names can be renamed bins.
    """
    if not len(visits.day):
        return
    first, last = np.full(len(bins), np.inf), np.full(len(bins), -np.inf)
    np.minimum.at(first, visits.bin, visits.day)
    np.maximum.at(last, visits.bin, visits.day)
    start, end = float(first.min()), float(last.max())
    days = np.unique(visits.day)
    ends_on: dict[float, list[int]] = {}
    for ended in np.flatnonzero((last < end) & (first < np.inf)).tolist():
        if bins[ended].lost_on_day is None:
            ends_on.setdefault(float(last[ended]), []).append(ended)
    for new in range(planned, len(bins)):
        if not start < first[new] < np.inf:
            continue
        for old in ends_on.get(float(days[np.searchsorted(days, first[new]) - 1]), ()):
            alike = not bins[new].treatment or (
                bins[new].treatment == bins[old].treatment and bins[new].block == bins[old].block
            )
            if alike:
                row = int(visits.first[np.searchsorted(visits.bin, new)])
                yield rows.finding(
                    "warning",
                    "bin-renamed",
                    row,
                    "bin",
                    f'bin "{bins[new].bin}" begins on day {first[new]:g}, and "{bins[old].bin}" ends on '
                    f"day {last[old]:g}",
                    "",
                    "Was one renamed? Then give both parts one name.",
                )


def dry_mass_from_nothing(visits: Visits, rows: Rows, bins: Sequence[Bin]) -> Iterator[Finding]:
    """More dry mass at the end than was there at the start and added since."""
    mass, water = visits.columns.get("wet_mass_kg"), visits.columns.get("moisture_pct")
    if mass is None or water is None:
        return
    dry = mass * (1 - water / 100)
    added = np.nan_to_num(visits.columns.get("added_wet_mass_kg", np.zeros(len(dry))))
    bounds = np.searchsorted(visits.bin, np.arange(len(bins) + 1))
    for index, item in enumerate(bins):
        of_bin = np.arange(bounds[index], bounds[index + 1])
        weighed = of_bin[np.isfinite(dry[of_bin])]
        wet, wetness = item.starts.get("start_wet_mass_kg"), item.starts.get("start_moisture_pct")
        if not len(weighed):
            continue
        if wet is not None and wetness is not None:
            begun, since = wet * (1 - wetness / 100), of_bin
        else:
            begun, since = dry[weighed[0]], of_bin[of_bin > weighed[0]]
        end = weighed[-1]
        fed = float(added[since[since <= end]].sum())
        if dry[end] > _MOST_DRY_GAIN * (begun + fed):
            yield rows.finding(
                "error",
                "dry-mass-from-nothing",
                int(visits.first[end]),
                "wet_mass_kg",
                f"found {show_number(round(float(dry[end]), 2))} kg of dry mass",
                f"{show_number(round(float(begun + fed), 2))} kg was filled in and added",
                "Check the mass and the moisture here and at the start.",
            )
