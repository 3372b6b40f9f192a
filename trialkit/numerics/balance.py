"""Mass balance of one bin between filling and a weighing, with what was added and taken booked.

Masses in kg, shares in percent of dry matter (moisture: of wet mass).
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Booking:
    """One thing followed through a bin (dry matter, carbon …), kg: at the start, put in, taken out, and at the end."""

    start: float
    added: float
    taken: float
    end: float

    @property
    def put_in(self) -> float:
        return self.start + self.added

    @property
    def loss_pct(self) -> float:
        """Percent of all that was put in that is neither there at the end nor was taken out.

        What was taken out had not been lost by then, so it counts as kept. Raises ZeroDivisionError where nothing was
        put in.
        """
        return 100.0 * (1.0 - (self.end + self.taken) / self.put_in)


def dry_mass(wet_mass: float, moisture_pct: float) -> float:
    """Dry mass, kg, from wet mass and moisture on the wet basis."""
    return wet_mass * (1.0 - moisture_pct / 100.0)


def ash_loss_pct(start_ash_pct: float, end_ash_pct: float) -> float:
    """Organic-matter loss, percent of the organic matter at the start, by conservation of ash.

    100 − 100·[X₁(100 − X₂)]/[X₂(100 − X₁)] with X the ash percent of dry matter at start and end (Paredes et al. 2000;
    Bernal, Alburquerque & Moral 2009, Bioresour. Technol. 100:5444). Holds only where no mineral matter came or went
    after the start. Raises ZeroDivisionError for end ash 0 or start ash 100.
    """
    return 100.0 - 100.0 * (start_ash_pct * (100.0 - end_ash_pct)) / (end_ash_pct * (100.0 - start_ash_pct))


def ash_based_loss_pct(start_ash_pct: float, end_ash_pct: float, start_pct: float, end_pct: float) -> float:
    """Loss of a constituent (percent of dry matter at start and end), percent of its start, by conservation of ash."""
    return 100.0 * (1.0 - start_ash_pct * end_pct / (end_ash_pct * start_pct))


def ash_loss_sd(start_ash_pct: float, end_ash_pct: float, start_sd: float, end_sd: float) -> tuple[float, float]:
    """Standard deviation of ``ash_loss_pct``, percentage points, and the part of its variance that is the later ash's.

    From the standard deviations of the two ash readings (delta method); the part is NaN where both are 0.
    """
    to_start = -100.0 * 100.0 * (100.0 - end_ash_pct) / (end_ash_pct * (100.0 - start_ash_pct) ** 2)
    to_end = 100.0 * 100.0 * start_ash_pct / (end_ash_pct**2 * (100.0 - start_ash_pct))
    total = math.hypot(to_start * start_sd, to_end * end_sd)
    return total, (to_end * end_sd / total) ** 2 if total > 0.0 else math.nan


def organic_loss_sd(
    booking: Booking,
    start: tuple[float, float, float],
    end: tuple[float, float, float],
    mass_sd: float,
    moisture_sd: float,
    ash_sds: tuple[float, float],
) -> tuple[float, dict[str, float]]:
    """Standard deviation of a loss of organic matter by masses, percentage points, and the variance parts of the scale,
    moisture and ash.

    ``booking`` of organic matter; ``start`` and ``end`` are (wet mass kg, moisture %, ash %); ``ash_sds`` points at the
    start and the end; otherwise as ``dry_loss_sd``.
    """
    weights = (100.0 * (booking.end + booking.taken) / booking.put_in**2, -100.0 / booking.put_in)
    parts = {"scale": 0.0, "moisture": 0.0, "ash": 0.0}
    for weight, (wet, moisture, ash), ash_sd in zip(weights, (start, end), ash_sds, strict=True):
        dry, organic = 1.0 - moisture / 100.0, 1.0 - ash / 100.0
        parts["scale"] += (weight * dry * organic * mass_sd) ** 2
        parts["moisture"] += (weight * wet * organic * moisture_sd / 100.0) ** 2
        parts["ash"] += (weight * wet * dry * ash_sd / 100.0) ** 2
    variance = sum(parts.values())
    return math.sqrt(variance), {name: part / variance if variance > 0.0 else math.nan for name, part in parts.items()}


def dry_mass_sd(wet_mass: float, moisture_pct: float, mass_sd: float, moisture_sd: float) -> tuple[float, float]:
    """Standard deviation of a dry mass, kg, and the part of its variance that is moisture's (delta method)."""
    from_mass, from_moisture = (1.0 - moisture_pct / 100.0) * mass_sd, wet_mass * moisture_sd / 100.0
    total = math.hypot(from_mass, from_moisture)
    return total, (from_moisture / total) ** 2 if total > 0.0 else math.nan


def dry_loss_sd(
    booking: Booking,
    start: tuple[float, float],
    end: tuple[float, float],
    mass_sd: float,
    moisture_sd: float,
) -> tuple[float, float]:
    """Standard deviation of a dry-matter loss, percentage points, and the part of its variance that is moisture's.

    ``start`` and ``end`` are (wet mass kg, moisture %); ``mass_sd`` kg and ``moisture_sd`` points hold for every
    reading; what was added and taken counts as exact. Delta method. Raises ZeroDivisionError as ``loss_pct`` does.
    """
    put_in = booking.put_in
    to_end = -100.0 / put_in
    to_start = 100.0 * (booking.end + booking.taken) / put_in**2
    from_mass = math.hypot(to_start * (1 - start[1] / 100) * mass_sd, to_end * (1 - end[1] / 100) * mass_sd)
    from_moisture = math.hypot(to_start * start[0] / 100 * moisture_sd, to_end * end[0] / 100 * moisture_sd)
    total = math.hypot(from_mass, from_moisture)
    return total, (from_moisture / total) ** 2 if total > 0.0 else math.nan
