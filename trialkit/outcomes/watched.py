"""Times known only between two visits: what each bin was seen to be at every visit, and the window that leaves.

A bin is watched: at every visit it is seen finished, not finished, or the visit says nothing. It counts as finished
from the first "yes" after which no "no" follows; its window is (last "no", that "yes"]. A bin that ends on "no", or was
lost before a "yes", is longer than its last "no"; it stays in the analysis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.outcomes.courses import Course, Floats, join_words, name_bins
from trialkit.records import BinValue


@dataclass(frozen=True, eq=False)
class Watch:
    """One bin: ``days`` (n,) and ``seen`` (n,) 1 finished, 0 not, NaN the visit says nothing; ``visits`` (n,) positions
    in the course, −1 for a start that stands in the bins file. ``reason`` why the bin cannot be watched at all.
    """

    course: Course
    days: Floats
    seen: Floats
    visits: Sequence[int]
    reason: str | None = None
    details: Mapping[str, float] | None = None


def value_of(watch: Watch, what: str) -> BinValue:
    """The window of one bin. ``what`` completes "not … by day 30": "finished", "down to 50 L"."""
    told = np.flatnonzero(np.isfinite(watch.seen))
    course, details = watch.course, dict(watch.details or {})
    if watch.reason is not None or not told.size:
        return course.value(None, _real(watch, told), reason=watch.reason or f"no visit tells whether it was {what}")
    no = told[watch.seen[told] == 0.0]
    last_no = int(no[-1]) if no.size else -1
    after = told[(told > last_no) & (watch.seen[told] == 1.0)]
    low = float(watch.days[last_no]) if no.size else 0.0
    used = _real(watch, told)
    if not after.size:
        lost = course.bin.lost_on_day
        beside = "" if lost is None else f", and lost on day {lost:g}"
        if low <= 0.0:
            return course.value(None, used, reason=f"not {what} on day 0{beside}, and no later visit tells")
        reason = f"not {what} by day {low:g}{beside}; it counts as longer"
        return course.value(None, used, low=low, reason=reason, details=details, censored=True)
    high = float(watch.days[after[0]])
    if high <= 0.0:
        return course.value(None, used, reason=f"{what} on day 0, so there was nothing to watch")
    if low <= 0.0:
        reason = f"{what} at its first look after the start, on day {high:g}; it counts as no longer"
        return course.value(None, used, low=0.0, high=high, reason=reason, details=details, censored=True)
    return course.value(0.5 * (low + high), used, low=low, high=high, details=details)


def _real(watch: Watch, told: np.ndarray[tuple[int], np.dtype[np.intp]]) -> list[int]:
    return [watch.visits[i] for i in told.tolist() if watch.visits[i] >= 0]


def say_flips(watches: Sequence[Watch], what: str) -> list[str]:
    """Bins that were seen finished and then not."""
    flipped = []
    for watch in watches:
        seen = watch.seen[np.isfinite(watch.seen)]
        if np.any(np.diff(seen) < 0.0):
            flipped.append(watch.course.bin.bin)
    if not flipped:
        return []
    verb = "was" if len(flipped) == 1 else "were"
    return [f"{name_bins(flipped)} {verb} seen {what} once and later not; the last no counts."]


def say_censored(values: Sequence[BinValue], what: str) -> list[str]:
    """How many bins never got there, and those that were lost on the way."""
    notes = []
    never = [value for value in values if value.censored and value.high is None]
    if never:
        notes.append(
            f"Not {what} by the last visit: {name_bins([value.bin for value in never])} "
            f"({len(never)} of {len(values)} bins). They stay in the analysis as longer than that."
        )
    early = [value.bin for value in values if value.censored and value.high is not None]
    if early:
        notes.append(f"Already {what} at the first look: {name_bins(early)}; they count as no longer than that.")
    lost = [v.bin for v in values if v.censored and v.reason and "lost on day" in v.reason]
    if lost:
        notes.append(
            f"{name_bins(lost)} counted as unfinished up to the loss; that is right only if the loss had nothing to do "
            "with how far the bin was."
        )
    return notes


def say_schedules(watches: Sequence[Watch]) -> list[str]:
    """A warning where treatments were inspected on different days: windows then differ by treatment.

    Days count while some bin of every treatment is still watched; a bin's own last visit does not.
    """
    days: dict[str, set[float]] = {}
    for watch in watches:
        looked = watch.days[np.isfinite(watch.seen) & (watch.days > 0.0)]
        days.setdefault(watch.course.bin.treatment, set()).update(looked.tolist())
    days = {name: found for name, found in days.items() if found}
    if len(days) < 2:
        return []
    shared = min(max(found) for found in days.values())
    inside = {name: sorted(day for day in found if day <= shared) for name, found in days.items()}
    if len({tuple(found) for found in inside.values()}) == 1:
        return []
    told = [f"{name} on {_schedule(found)}" for name, found in inside.items()]
    return [
        f"Warning: treatments were inspected on different days up to day {shared:g}: {join_words(told)}. A treatment "
        "looked at less often is found finished later, whatever it does; no analysis takes that out."
    ]


def _schedule(found: Sequence[float]) -> str:
    count = "1 day" if len(found) == 1 else f"{len(found)} days"
    if len(found) < 3:
        return f"{count} ({join_words([f'{day:g}' for day in found])})"
    return f"{count} (every {float(np.median(np.diff(found))):g} days, as a rule)"
