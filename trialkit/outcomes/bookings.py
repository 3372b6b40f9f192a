"""What went into a bin and what came out between filling and a weighing, followed through visit by visit.

A visit weighs first: what is added to or taken from a bin on a visit happens after that visit's weighing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.numerics.balance import Booking, dry_mass
from trialkit.outcomes.courses import Course, Mask, join_words, name_bins
from trialkit.outcomes.family import NoValueError
from trialkit.outcomes.on_a_day import SAME_DAY

DRY = ("wet_mass_kg", "moisture_pct")


@dataclass(frozen=True)
class Start:
    """What a bin held at its start: the day, the quantities by column name, and the position read, if one was."""

    day: float
    held: Mapping[str, float]
    visits: tuple[int, ...]


def find_start(course: Course, columns: Sequence[str]) -> Start | None:
    """From the bins file and, for cells left empty there, the day-0 visit; else from the first visit that has all."""
    cells = {column: course.bin.starts.get(f"start_{column}") for column in columns}
    at_zero = np.flatnonzero(course.days == 0.0)
    visits: tuple[int, ...] = ()
    for column, cell in cells.items():
        if cell is None and at_zero.size and course.was_read(column)[at_zero[0]]:
            cells[column] = float(course.read(column)[at_zero[0]])
            visits = (int(at_zero[0]),)
    held = {column: cell for column, cell in cells.items() if cell is not None}
    if len(held) == len(cells):
        return Start(0.0, held, visits)
    complete = np.flatnonzero(course.was_read(*columns))
    if not complete.size:
        return None
    first = int(complete[0])
    return Start(float(course.days[first]), {c: float(course.read(c)[first]) for c in columns}, (first,))


def after_start(course: Course, columns: Sequence[str]) -> Mask:
    """(n,) visits with all these columns that lie after the bin's start."""
    start = find_start(course, columns)
    if start is None:
        return np.zeros(course.days.size, dtype=bool)
    return course.was_read(*columns) & (course.days > start.day + SAME_DAY)


def held_at(course: Course, columns: Sequence[str], position: int) -> dict[str, float]:
    return {column: float(course.read(column)[position]) for column in columns}


def between(course: Course, start: Start, position: int) -> range:
    """Positions of the visits from the start up to, and without, the visit at ``position``."""
    first = int(np.searchsorted(course.days, start.day - SAME_DAY))
    return range(first, position)


def book(course: Course, start: Start, position: int, share: str | None = None) -> tuple[Booking, tuple[int, ...]]:
    """Dry matter, or the ``share`` of it named (a percent column; "organic" is what is not ash), from start to visit.

    Also the positions that were used. Raises NoValueError where something was added or taken whose content is unknown.
    """
    added, taken = 0.0, 0.0
    used = {*start.visits, position}
    for i in between(course, start, position):
        put, out = float(course.read("added_wet_mass_kg")[i]), float(course.read("sample_removed_kg")[i])
        if put > 0.0:
            added += _content(course, i, put, "added_", share, f"the {put:g} kg added on day {course.days[i]:g}")
            used.add(i)
        if out > 0.0:
            taken += _content(course, i, out, "", share, f"the {out:g} kg taken on day {course.days[i]:g}")
            used.add(i)
    begin = _share_of(dry_mass(start.held["wet_mass_kg"], start.held["moisture_pct"]), start.held, share)
    last = held_at(course, columns_for(share), position)
    finish = _share_of(dry_mass(last["wet_mass_kg"], last["moisture_pct"]), last, share)
    if begin + added <= 0.0:
        raise NoValueError(f"no {'dry matter' if share is None else share} at the start, so nothing to lose")
    return Booking(begin, added, taken, finish), tuple(sorted(used))


def columns_for(share: str | None) -> tuple[str, ...]:
    """The columns that a booking of this share needs at a visit."""
    if share is None:
        return DRY
    return (*DRY, "ash_pct" if share == "organic" else f"{share}_pct")


def _content(course: Course, i: int, wet: float, prefix: str, share: str | None, what: str) -> float:
    columns = [column for column in columns_for(share) if column != "wet_mass_kg"]
    found = {column: float(course.read(prefix + column)[i]) for column in columns}
    missing = [prefix + column for column, value in found.items() if not np.isfinite(value)]
    if missing:
        raise NoValueError(f"{what} {'has' if wet == 1 else 'have'} no {join_words(missing)} and cannot be booked")
    return _share_of(dry_mass(wet, found["moisture_pct"]), found, share)


def _share_of(dry: float, held: Mapping[str, float], share: str | None) -> float:
    if share is None:
        return dry
    if share == "organic":
        return dry * (1.0 - held["ash_pct"] / 100.0)
    return dry * held[f"{share}_pct"] / 100.0


def was_fed(course: Course, start: Start, position: int) -> list[float]:
    """Days between the start and this visit on which material was added."""
    amounts = course.read("added_wet_mass_kg")
    return [float(course.days[i]) for i in between(course, start, position) if amounts[i] > 0.0]


def say_events(courses: Sequence[Course]) -> list[str]:
    """What was booked, as sentences."""
    fed = [c.bin.bin for c in courses if np.any(c.read("added_wet_mass_kg") > 0.0)]
    sampled = [c.bin.bin for c in courses if np.any(c.read("sample_removed_kg") > 0.0)]
    told = []
    if fed:
        told.append(f"additions to {name_bins(fed)}")
    if sampled:
        told.append(f"samples from {name_bins(sampled)}")
    if not told:
        return []
    return [f"Booked: {join_words(told)}. What a visit adds or takes counts after that visit's weighing."]


def say_late_starts(courses: Sequence[Course], columns: Sequence[str]) -> list[str]:
    """Bins whose start is a weighing after day 0."""
    late = {}
    for course in courses:
        start = find_start(course, columns)
        if start is not None and start.day > 0.0:
            late[course.bin.bin] = start.day
    if not late:
        return []
    if len(set(late.values())) == 1:
        return [f"Counted from day {next(iter(late.values())):g}, the first weighing, in {name_bins(list(late))}."]
    listed = [f"{name} from day {day:g}" for name, day in late.items()]
    return [f"Counted from the first weighing, which is not day 0, in: {name_bins(listed)}."]
