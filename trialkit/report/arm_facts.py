"""What each arm was given and where it stood, gathered from the trial file, the bins file and the readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from trialkit.records import Treatment, Trial

HEAP = ("start_wet_mass_kg", "start_moisture_pct", "start_carbon_pct", "start_nitrogen_pct")


@dataclass(frozen=True)
class ArmFacts:
    """``amounts`` per bin, the names of numerics.confounders; ``heap`` what a bin of the arm held before anything was
    added. Means over the bins of the arm; None where not every bin has the number."""

    amounts: Mapping[str, float]
    heap: Mapping[str, float] = field(default_factory=dict)
    start_moisture_pct: float | None = None
    ambient_c: float | None = None


def facts_of(trial: Trial, treatment: Treatment) -> ArmFacts:
    """Declared amounts; water that the readings book where the file declares none; mean starts and mean ambient."""
    places = [place for place, item in enumerate(trial.bins) if item.treatment == treatment.name]
    starts = {name: _mean([trial.bins[place].starts.get(name) for place in places]) for name in HEAP}
    amounts = dict(treatment.amounts)
    booked = _booked(trial, places)
    if "water_l" not in amounts and booked is not None:
        amounts["water_l"] = booked
    mass = starts["start_wet_mass_kg"]
    if mass is not None:
        amounts["start_wet_mass_kg"] = mass
    moisture = starts["start_moisture_pct"]
    return ArmFacts(amounts, _heap(starts), moisture, _ambient(trial, places))


def _mean(numbers: list[float | None]) -> float | None:
    present = [number for number in numbers if number is not None]
    return sum(present) / len(present) if present and len(present) == len(numbers) else None


def _heap(starts: Mapping[str, float | None]) -> dict[str, float]:
    mass, moisture, carbon, nitrogen = (starts[name] for name in HEAP)
    heap: dict[str, float] = {}
    if mass is None or moisture is None:
        return heap
    heap |= {"wet_mass_kg": mass, "moisture_pct": moisture}
    dry_g = 1000.0 * mass * (1.0 - moisture / 100.0)
    if carbon is not None:
        heap["carbon_g"] = dry_g * carbon / 100.0
    if nitrogen is not None:
        heap["nitrogen_g"] = dry_g * nitrogen / 100.0
    return heap


def _booked(trial: Trial, places: list[int]) -> float | None:
    """Litres added to a bin of the arm, on average; None where no reading books water."""
    water = trial.readings.columns.get("water_added_l")
    if water is None or not np.isfinite(water).any() or not places:
        return None
    return float(np.nansum(water[np.isin(trial.readings.bin, places)])) / len(places)


def _ambient(trial: Trial, places: list[int]) -> float | None:
    ambient = trial.readings.columns.get("ambient_temp_c")
    if ambient is None:
        return None
    means = []
    for place in places:
        mine = ambient[(trial.readings.bin == place) & np.isfinite(ambient)]
        if not mine.size:
            return None
        means.append(float(mine.mean()))
    return sum(means) / len(means) if means else None
