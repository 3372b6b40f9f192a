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
_MOST_ROUNDS = 6
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
        value = np.log(series.value) if as_logs else series.value.copy()
        crossed: set[int] = set()
        for _ in range(_MOST_ROUNDS):
            found = [pair for pair in _misfits(series, value, least) if not crossed & {*pair[1:]}]
            # the pair that fits best first, and one a bin: a swap makes the visits beside it look swapped too, so those
            # are judged again with the two put back
            moved: set[int] = set()
            for _, one, two in sorted(found):
                both = {int(series.bin[one]), int(series.bin[two])}
                if not moved & both:
                    moved |= both
                    crossed |= {one, two}
                    value[[one, two]] = value[[two, one]]
                    pairs.setdefault((int(series.visit[one]), int(series.visit[two])), []).append(column)
            if not moved:
                break
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


def _misfits(series: Series, value: NDArray[np.float64], least: float) -> list[tuple[float, int, int]]:
    """Every pair of one day that fits far better crossed: (share of the misfit that stays, one, other)."""
    expected = _from_neighbours(series, value, np.arange(len(value)))
    residual = value - expected
    for at in _by_day(series, np.isfinite(residual)):
        residual[at] -= np.median(residual[at])
    # the other bins of the day carry what the day did to all
    day_shift = value - expected - residual
    known = residual[np.isfinite(residual)]
    if len(known) < 8:
        return []
    bound = np.full(len(value), max(least, 5 * 1.4826 * float(np.median(np.abs(known)))))
    for at in _by_day(series, np.isfinite(residual)):
        if len(at) >= _MANY_BINS:  # early days scatter more than late ones: each is held to its own
            bound[at] = max(least, 5 * 1.4826 * float(np.median(np.abs(residual[at]))))
    found: list[tuple[float, int, int]] = []
    for at in _by_day(series, np.abs(np.nan_to_num(residual)) > bound):
        if len(at) <= _MOST_FLAGGED:
            for one, two in _crossings(at, value, expected, residual, day_shift):
                found.append((_share_left(series, value, day_shift, one, two), one, two))
    return found


def _share_left(
    series: Series, value: NDArray[np.float64], day_shift: NDArray[np.float64], one: int, two: int
) -> float:
    """How much of the misfit of two readings and of those beside them stays when the two are crossed."""
    at = np.array([place + step for place in (one, two) for step in (-1, 0, 1) if 0 <= place + step < len(value)])
    at = at[np.isin(series.bin[at], series.bin[[one, two]])]
    crossed = value.copy()
    crossed[[one, two]] = value[[two, one]]
    as_typed, left = (
        float(np.nansum(np.abs(taken[at] - _from_neighbours(series, taken, at) - day_shift[at])))
        for taken in (value, crossed)
    )
    return left / as_typed if as_typed > 0 else 1.0


def _crossings(
    at: NDArray[np.intp],
    value: NDArray[np.float64],
    expected: NDArray[np.float64],
    residual: NDArray[np.float64],
    day_shift: NDArray[np.float64],
) -> Iterator[tuple[int, int]]:
    """Every pair that fits far better crossed."""
    for place, one in enumerate(at.tolist()):
        for two in at[place + 1 :].tolist():
            own = abs(residual[one]) + abs(residual[two])
            crossed = abs(value[two] - expected[one] - day_shift[one])
            crossed += abs(value[one] - expected[two] - day_shift[two])
            if crossed < 0.3 * own:
                yield one, two


def _from_neighbours(series: Series, value: NDArray[np.float64], at: NDArray[np.intp]) -> NDArray[np.float64]:
    """What the readings before and after those ``at`` lead to expect; at the end, the one before; NaN at the start,
    where courses are steepest.
    """
    previous, following = at - 1, np.minimum(at + 1, len(value) - 1)
    begun, goes_on = series.joined[at], series.joined[following] & (following > at)
    before, after = np.where(begun, value[previous], np.nan), np.where(goes_on, value[following], np.nan)
    gap_before = np.where(begun, series.day[at] - series.day[previous], np.nan)
    gap_after = np.where(goes_on, series.day[following] - series.day[at], np.nan)
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

    The first ``planned`` bins come from the bins file; where there is one, only other names can be renamed bins, and
    only bins of the file the ones that were renamed.
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
        if bins[ended].lost_on_day is None and (not planned or ended < planned):
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
