"""What a bin's course is followed by: volume, height, mass or cumulative respiration, visit by visit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trialkit.outcomes.courses import Course, Floats


@dataclass(frozen=True)
class Quantity:
    """What a curve can be fitted to: its readings by visit, its level at filling, and whether it falls or rises."""

    name: str
    unit: str
    read: Callable[[Course], Floats]
    at_start: Callable[[Course], float | None]
    rises: bool = False
    is_mass: bool = False


def _dry(course: Course) -> Floats:
    return course.read("wet_mass_kg") * (1.0 - course.read("moisture_pct") / 100.0)


def dry_at_start(course: Course) -> float | None:
    wet, moisture = course.bin.starts.get("start_wet_mass_kg"), course.bin.starts.get("start_moisture_pct")
    return None if wet is None or moisture is None else wet * (1.0 - moisture / 100.0)


def _no_start(_: Course) -> float | None:
    return None


QUANTITIES = {
    quantity.name: quantity
    for quantity in (
        Quantity("volume_l", "L", lambda c: c.read("volume_l"), lambda c: c.bin.starts.get("start_volume_l")),
        Quantity("height_cm", "cm", lambda c: c.read("height_cm"), _no_start),
        Quantity("dry mass", "kg", _dry, dry_at_start, is_mass=True),
        Quantity("respired_c_g_kg", "g/kg", lambda c: c.read("respired_c_g_kg"), _no_start, rises=True),
        Quantity(
            "wet mass",
            "kg",
            lambda c: c.read("wet_mass_kg"),
            lambda c: c.bin.starts.get("start_wet_mass_kg"),
            is_mass=True,
        ),
    )
}
BY_DEFAULT = ("volume_l", "height_cm", "dry mass", "respired_c_g_kg")
WORDS = {**{name: name for name in QUANTITIES}, "dry_mass_kg": "dry mass", "wet_mass_kg": "wet mass"}


def series(course: Course, quantity: Quantity) -> tuple[Floats, Floats, list[int], bool]:
    """Days, levels, the positions read, and whether the level at filling was put in front as day 0."""
    levels = quantity.read(course)
    read = np.flatnonzero(np.isfinite(levels))
    days, levels = course.days[read], levels[read]
    start = quantity.at_start(course)
    if start is not None and not np.any(days == 0.0):
        return np.append(0.0, days), np.append(start, levels), list(map(int, read)), True
    return days, levels, list(map(int, read)), False
