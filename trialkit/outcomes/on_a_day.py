"""Outcomes that compare bins on one day: which day, and which bins have a value on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trialkit.outcomes.courses import Course, Floats, Mask, courses_of, name_bins
from trialkit.outcomes.family import Measured, NoValueError, Settings, number_setting
from trialkit.records import BinValue, Trial

SAME_DAY = 1e-9  # days closer than this are one day


@dataclass(frozen=True)
class Point:
    """A bin's value on the day, and the positions in its course that it came from."""

    value: float
    visits: tuple[int, ...]
    details: dict[str, float] = field(default_factory=dict)


Locate = Callable[[Course], Mask]
Take = Callable[[Course, int], Point]


def measure_on_day(
    trial: Trial,
    outcome: str,
    settings: Settings,
    *,
    what: str,
    readable: Locate,
    take: Take,
    in_force: Mapping[str, object] | None = None,
    notes: Sequence[str] = (),
) -> Measured | str:
    """One value a bin on the day of the plan, or on the last day on which every surviving bin was read.

    ``what`` names the readings needed ("wet_mass_kg and moisture_pct"); ``readable(course)`` (n,) says at which visits
    a value can be had; ``take(course, position)`` makes it, or raises NoValueError with the reason. There is no
    interpolation: a bin not read on the day has no value.
    """
    courses = courses_of(trial)
    masks = [readable(course) for course in courses]
    declared = number_setting(settings, outcome, "day", None)
    day = declared if declared is not None else last_common_day(courses, masks)
    if day is None:
        return (
            f"There is no day on which every bin has {what}. "
            f"Name one in the trial file: [outcome.{outcome}] day = …; bins read on it are then compared."
        )
    said = list(notes)
    if declared is None:
        said.append(_say_default(courses, masks, day, what, outcome))
    values = tuple(_value_on(course, mask, day, what, take) for course, mask in zip(courses, masks, strict=True))
    return Measured(values, {"day": day, **(in_force or {})}, tuple(said))


def last_common_day(courses: Sequence[Course], masks: Sequence[Mask]) -> float | None:
    """The last day on which every bin that was not lost, and was read at all, was read; None where there is none.

    Where every bin was lost, the lost ones stand in.
    """
    read = [(course, course.days[mask]) for course, mask in zip(courses, masks, strict=True) if mask.any()]
    kept = [days for course, days in read if course.survived] or [days for _, days in read]
    if not kept:
        return None
    common = kept[0]
    for days in kept[1:]:
        common = common[_nearest(days, common) < SAME_DAY]
    return float(common[-1]) if common.size else None


def _nearest(days: Floats, wanted: Floats) -> Floats:
    """(m,) distance from each wanted day to the nearest of ``days`` (n,), which ascend."""
    after = np.clip(np.searchsorted(days, wanted), 0, days.size - 1)
    before = np.maximum(after - 1, 0)
    return np.minimum(np.abs(days[after] - wanted), np.abs(days[before] - wanted))


def _say_default(courses: Sequence[Course], masks: Sequence[Mask], day: float, what: str, outcome: str) -> str:
    lost = "" if all(course.survived for course in courses) else " that was not lost"
    text = f"Compared on day {day:g}, the last day on which every bin{lost} has {what}."
    last = {
        course.bin.bin: float(course.days[mask][-1])
        for course, mask in zip(courses, masks, strict=True)
        if mask.any() and course.survived
    }
    later = [name for name, latest in last.items() if latest > day + SAME_DAY]
    if later:
        missing = [name for name in last if name not in later]
        absent = f" ({name_bins(missing)} not)" if missing else ""
        text += (
            f" {len(later)} of {len(last)} bins were read later still{absent}; "
            f"a day fixed in the trial file, [outcome.{outcome}] day = …, would be kept."
        )
    return text


def _value_on(course: Course, mask: Mask, day: float, what: str, take: Take) -> BinValue:
    here = np.flatnonzero(mask & (np.abs(course.days - day) < SAME_DAY))
    if not here.size:
        return course.value(None, reason=_say_absent(course, mask, day, what))
    try:
        point = take(course, int(here[0]))
    except NoValueError as error:
        return course.value(None, here, reason=str(error))
    return course.value(point.value, point.visits, details=point.details)


def _say_absent(course: Course, mask: Mask, day: float, what: str) -> str:
    lost = course.bin.lost_on_day
    if lost is not None and lost <= day:
        return f"lost on day {lost:g}, before it was read on day {day:g}"
    if not mask.any():
        return f"no {what} at any visit"
    days = course.days[mask]
    nearest = days[np.argmin(np.abs(days - day))]
    return f"no {what} on day {day:g}; the nearest is day {nearest:g}"
