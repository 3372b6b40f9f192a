"""Heat outcomes: degree-days above ambient, hours at or above a temperature, the peak and when it came."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from trialkit.numerics.heat import HeatSummary, clip_course, excess_area, first_peak, time_at_or_above
from trialkit.outcomes.courses import Course, Floats, Mask, courses_of, join_words, lacking, name_bins
from trialkit.outcomes.family import Measure, Measured, NoValueError, Settings, entry, number_setting
from trialkit.outcomes.on_a_day import SAME_DAY, last_common_day
from trialkit.records import BinValue, Trial

MAX_GAP_DAYS = 2.0
HOURS = 24.0
NOT_SPEED = "More heat is not faster finishing: a drier or better insulated bin runs hotter with the same loss."

Summarise = Callable[[Course, Floats, Floats, Floats, float], tuple[float, dict[str, float]]]


def _refuse_gaps(summary: HeatSummary, partial_amount: float, unit: str) -> None:
    if not summary.gaps:
        return
    first, last = summary.gaps[0]
    more = "" if len(summary.gaps) == 1 else f", the first of {len(summary.gaps)} such gaps"
    raise NoValueError(
        f"not read between day {first:g} and day {last:g}{more}: {summary.unknown_days:g} days are unknown, "
        f"beside {partial_amount:.4g} {unit} known"
    )


def _degree_days(
    _: Course, days: Floats, core: Floats, ambient: Floats, max_gap: float
) -> tuple[float, dict[str, float]]:
    summary = excess_area(days, core - ambient, max_gap)
    _refuse_gaps(summary, summary.amount, "degree-days")
    return summary.amount, {"above_at_end": float(summary.above_at_end)}


def _hours_above(
    threshold: float, _: Course, days: Floats, core: Floats, __: Floats, max_gap: float
) -> tuple[float, dict[str, float]]:
    summary = time_at_or_above(days, core, threshold, max_gap)
    _refuse_gaps(summary, HOURS * summary.amount, "hours")
    return HOURS * summary.amount, {"above_at_end": float(summary.above_at_end)}


def _window(courses: Sequence[Course], masks: Sequence[Mask], declared: float | None) -> tuple[float, float] | None:
    """First and last day that all bins share: every bin is summed over the same days."""
    last = declared if declared is not None else last_common_day(courses, masks)
    read = [course.days[mask] for course, mask in zip(courses, masks, strict=True) if mask.any() and course.survived]
    read = read or [course.days[mask] for course, mask in zip(courses, masks, strict=True) if mask.any()]
    if last is None or not read:
        return None
    first = max(float(days[0]) for days in read)
    return (first, last) if first < last else None


def _over_window(
    trial: Trial, settings: Settings, *, outcome: str, columns: tuple[str, ...], summarise: Summarise
) -> Measured | str:
    courses = courses_of(trial)
    masks = [course.was_read(*columns) for course in courses]
    max_gap = number_setting(settings, outcome, "max_gap_days", MAX_GAP_DAYS, above=0.0)
    assert max_gap is not None
    declared = number_setting(settings, outcome, "day", None)
    window = _window(courses, masks, declared)
    what = join_words(columns)
    if window is None:
        return f"No two days frame a stretch over which every bin has {what}."
    values = tuple(
        _sum_bin(course, mask, window, columns, max_gap, summarise) for course, mask in zip(courses, masks, strict=True)
    )
    first, last = window
    notes = [f"Summed from day {first:g} to day {last:g}, the days that all bins share."]
    one_sided = [
        course.bin.bin
        for course in courses
        if len(columns) > 1 and np.any(course.was_read(columns[0]) & ~course.was_read(*columns))
    ]
    if one_sided:
        notes.append(f"Visits with {columns[0]} but no {columns[1]} are not used ({name_bins(one_sided)}).")
    still = [value.bin for value in values if value.details.get("above_at_end")]
    if still and len(columns) == 1:  # above ambient at the end is the rule, above a threshold is not
        notes.append(f"Still above at the last of these days: {name_bins(still)}; more was to come.")
    return Measured(values, {"day": last, "first_day": first, "max_gap_days": max_gap}, tuple(notes))


def _sum_bin(
    course: Course,
    mask: Mask,
    window: tuple[float, float],
    columns: tuple[str, ...],
    max_gap: float,
    summarise: Summarise,
) -> BinValue:
    first, last = window
    positions = np.flatnonzero(mask)
    days = course.days[positions]
    what = join_words(columns)
    try:
        if not days.size:
            raise NoValueError(f"no {what} at any visit")
        if days[0] > first + SAME_DAY:
            raise NoValueError(f"no {what} before day {days[0]:g}; the sum begins on day {first:g}")
        if days[-1] < last - SAME_DAY:
            lost = course.bin.lost_on_day
            if lost is not None and lost <= last:
                raise NoValueError(f"lost on day {lost:g}, before day {last:g}")
            raise NoValueError(f"no {what} after day {days[-1]:g}; the sum ends on day {last:g}")
        # a course that ends between two readings is cut there along the straight line, so keep both
        used = _spanning(days, first, last)
        within, core = clip_course(days, course.read(columns[0])[positions], first, last)
        ambient = clip_course(days, course.read(columns[-1])[positions], first, last)[1]
        _refuse_cut_gaps(days, first, last, max_gap)
        value, details = summarise(course, within, core, ambient, max_gap)
    except NoValueError as error:
        return course.value(None, map(int, positions), reason=str(error))
    return course.value(value, map(int, positions[used]), details=details)


def _spanning(days: Floats, first: float, last: float) -> slice:
    """The readings from the last at or before ``first`` to the first at or after ``last``."""
    begin = int(np.searchsorted(days, first, side="right")) - 1
    end = int(np.searchsorted(days, last, side="left"))
    return slice(max(begin, 0), min(end, days.size - 1) + 1)


def _refuse_cut_gaps(days: Floats, first: float, last: float, max_gap: float) -> None:
    """A gap cut by an end of the window is as unknown as a whole one."""
    kept = days[_spanning(days, first, last)]
    for i in {0, kept.size - 2} if kept.size > 1 else set():
        cut = kept[i] < first - SAME_DAY or kept[i + 1] > last + SAME_DAY
        if cut and kept[i + 1] - kept[i] > max_gap:
            raise NoValueError(f"not read between day {kept[i]:g} and day {kept[i + 1]:g}, across an end of the sum")


def _peak(trial: Trial, settings: Settings, *, outcome: str, take_day: bool) -> Measured | str:
    """The highest reading up to a day, or when it was first read. What happened between readings is not known."""
    courses = courses_of(trial)
    masks = [course.was_read("core_temp_c") for course in courses]
    max_gap = number_setting(settings, outcome, "max_gap_days", MAX_GAP_DAYS, above=0.0)
    assert max_gap is not None
    window = _window(courses, masks, number_setting(settings, outcome, "day", None))
    if window is None:
        return "No two days frame a stretch over which every bin has core_temp_c."
    first, last = window
    values, at_end, sparse = [], [], []
    for course, mask in zip(courses, masks, strict=True):
        inside = np.flatnonzero(mask & (course.days >= first - SAME_DAY) & (course.days <= last + SAME_DAY))
        lost = course.bin.lost_on_day
        if not inside.size:
            values.append(course.value(None, reason=f"no core_temp_c from day {first:g} to day {last:g}"))
        elif lost is not None and lost < last and course.days[inside][-1] < last - SAME_DAY:
            values.append(course.value(None, map(int, inside), reason=f"lost on day {lost:g}, before day {last:g}"))
        else:
            top, when = first_peak(course.days[inside], course.read("core_temp_c")[inside])
            if when >= course.days[inside][-1] - SAME_DAY:
                at_end.append(course.bin.bin)
            longest = float(np.diff(course.days[inside]).max()) if inside.size > 1 else last - first
            if longest > max_gap:
                sparse.append(course.bin.bin)
            details = {"peak_temp_c": top, "days_to_peak": when, "longest_gap_d": longest}
            values.append(course.value(when if take_day else top, map(int, inside), details=details))
    notes = [f"Read from day {first:g} to day {last:g}; a peak between two readings is not seen."]
    if sparse:
        notes.append(f"Readings lie more than {max_gap:g} days apart in {name_bins(sparse)}; the peak may be higher.")
    if at_end:
        notes.append(f"The highest reading is the last one in {name_bins(at_end)}; the peak may lie later.")
    return Measured(tuple(values), {"day": last, "first_day": first, "max_gap_days": max_gap}, tuple(notes))


def _lacks(columns: tuple[str, ...], trial: Trial) -> str | None:
    return lacking(trial, *columns)


def _hours(threshold: int) -> Measure:
    name = f"hours_above_{threshold}"
    return Measure(
        entry(
            name,
            f"hours at or above {threshold} °C",
            "h",
            measures=f"time for which the core was at or above {threshold} °C, straight lines between readings",
            applies="core temperature read at least every two days",
            cannot_tell=f"{NOT_SPEED} One probe in the core says nothing of the cool edges and certifies no safety.",
        ),
        partial(_lacks, ("core_temp_c",)),
        partial(
            _over_window, outcome=name, columns=("core_temp_c",), summarise=partial(_hours_above, float(threshold))
        ),
    )


HEAT = (
    Measure(
        entry(
            "degree_days",
            "heat above ambient",
            "°C·days",
            measures="area between core and ambient temperature while the core is the warmer",
            applies="core and ambient temperature read together, at least every two days",
            cannot_tell=NOT_SPEED,
        ),
        partial(_lacks, ("core_temp_c", "ambient_temp_c")),
        partial(_over_window, outcome="degree_days", columns=("core_temp_c", "ambient_temp_c"), summarise=_degree_days),
    ),
    _hours(40),
    _hours(45),
    _hours(55),
    Measure(
        entry(
            "peak_temp_c",
            "highest core temperature",
            "°C",
            measures="highest core temperature read",
            applies="core temperature read often enough to catch the peak, daily in the first two weeks",
            cannot_tell=NOT_SPEED,
        ),
        partial(_lacks, ("core_temp_c",)),
        partial(_peak, outcome="peak_temp_c", take_day=False),
    ),
    Measure(
        entry(
            "days_to_peak",
            "days to the highest core temperature",
            "days",
            measures="day on which the highest core temperature was first read",
            applies="core temperature read often enough to catch the peak, daily in the first two weeks",
            cannot_tell="An early peak is not an early finish: it depends on moisture, air and packing as well.",
        ),
        partial(_lacks, ("core_temp_c",)),
        partial(_peak, outcome="days_to_peak", take_day=True),
    ),
)
