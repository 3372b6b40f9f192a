"""What a bin's last readings are called: self-heating class and maturity rating. They describe; nothing is tested.

The index asks how much CO2 a moist sample gives off in a day, kept warm in a laboratory, per gram of organic matter.
respired_c_g_kg is the sum of what the bin itself gave off at its own temperature, and the column does not say per kg of
what, so it is not taken for that test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from trialkit.numerics.ratings import STABILITY, TOXICITY, heating_class, maturity_rating
from trialkit.outcomes.chemistry import cn_readings
from trialkit.outcomes.courses import Course, Floats, courses_of, ever_read, join_words
from trialkit.records import BinMaturity, Trial

RISE = "self_heating_rise_c"
MOST_APART_D = 7.0  # readings further apart than this do not describe one compost


def _cn(course: Course) -> Floats:
    """(n,) C:N; a reading without any carbon has none."""
    found = cn_readings(course)
    return np.where(found > 0.0, found, np.nan)


READ: Mapping[str, Callable[[Course], Floats]] = {
    "rise_c": lambda course: course.read(RISE),
    "cn_ratio": _cn,
    "germination_pct": lambda course: course.read("germination_pct"),
}
WORDS = {"rise_c": "self-heating", "cn_ratio": "C:N", "germination_pct": "germination"}


def bin_maturity(trial: Trial) -> tuple[BinMaturity, ...]:
    """One record a bin, in the order of the trial's bins; none at all where no bin has a self-heating rise.

    Each of rise, C:N and germination is the last reading of the bin, up to the day it was lost. Without a rise there is
    no class, and, the rise being the one test of stability that readings hold, no rating.
    """
    if not ever_read(trial, RISE):
        return ()
    found = tuple(_of_bin(course) for course in courses_of(trial))
    return found if any(item.heating_class for item in found) else ()


def _of_bin(course: Course) -> BinMaturity:
    lost = course.bin.lost_on_day
    kept = np.ones(course.days.size, dtype=bool) if lost is None else course.days <= lost
    last = {name: _last(read(course), kept) for name, read in READ.items()}
    at = {name: place for name, place in last.items() if place is not None}
    # a billionth off, because 18 °F is to be 10 °C and not a hair above
    readings = {name: round(float(READ[name](course)[place]), 9) for name, place in at.items()}
    days = {name: float(course.days[place]) for name, place in at.items()}
    tests = {name: value for name, value in readings.items() if name in STABILITY or name in TOXICITY}
    rated = maturity_rating(readings.get("cn_ratio"), tests)
    reason = "Self-heating, C:N and germination were not measured." if not at else rated.reason or _apart(days)
    if "rise_c" in at:
        beside = _beside(course, kept, days["rise_c"])
        if beside is not None:
            at["ph"], days["ph"] = beside, float(course.days[beside])
            readings["ph"] = float(course.read("ph")[beside])
    return BinMaturity(
        bin=course.bin.bin,
        treatment=course.bin.treatment,
        day=max((days[name] for name in READ if name in days), default=None),
        heating_class=heating_class(readings["rise_c"]) if "rise_c" in readings else None,
        rating=None if reason else rated.rating,
        by_test=rated.by_test,
        reason=reason,
        readings=readings,
        days=days,
        rows=course.lines(at.values()),
    )


def _last(values: Floats, kept: np.ndarray) -> int | None:
    read = np.flatnonzero(np.isfinite(values) & kept)
    return int(read[-1]) if read.size else None


def _apart(days: Mapping[str, float]) -> str:
    """Why readings of these days do not rate one compost; empty where they do."""
    if max(days.values()) - min(days.values()) <= MOST_APART_D:
        return ""
    read = join_words([f"{WORDS[name]} on day {day:g}" for name, day in days.items()])
    return f"{read[:1].upper()}{read[1:]} were read more than a week apart, so maturity is not rated."


def _beside(course: Course, kept: np.ndarray, day: float) -> int | None:
    """Position of the pH read nearest to a day, within a week of it."""
    read = np.flatnonzero(course.was_read("ph") & kept & (np.abs(course.days - day) <= MOST_APART_D))
    return int(read[np.argmin(np.abs(course.days[read] - day))]) if read.size else None
