"""Arithmetic of mixtures: moisture, carbon, nitrogen, and what has to be added to reach a target.

Moisture in % of wet mass; nitrogen and carbon in % of dry mass; masses in kg unless the name says grams. The balances
are C:N = Σ carbon ÷ Σ nitrogen and moisture = Σ water ÷ Σ wet mass (Rynk et al. 1992, NRAES-54, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from trialkit.errors import DesignError

# atomic masses of C, H, O, N; sucrose is C12H22O11, urea CO(NH2)2; shares by mass
_C, _H, _O, _N = 12.0107, 1.00794, 15.9994, 14.0067
_SUCROSE = 12 * _C + 22 * _H + 11 * _O
_UREA = _C + _O + 2 * _N + 4 * _H
CARBON_IN_SUCROSE = 12 * _C / _SUCROSE
NITROGEN_IN_UREA = 2 * _N / _UREA
CARBON_IN_UREA = _C / _UREA


@dataclass(frozen=True)
class Mixture:
    """A mixed heap. ``cn_ratio`` is infinite where there is carbon without nitrogen, NaN where there is neither."""

    wet_mass_kg: float
    dry_mass_kg: float
    moisture_pct: float
    carbon_kg: float
    nitrogen_kg: float

    @property
    def cn_ratio(self) -> float:
        """Carbon ÷ nitrogen, by mass."""
        if self.nitrogen_kg > 0:
            return self.carbon_kg / self.nitrogen_kg
        return float("inf") if self.carbon_kg > 0 else float("nan")


def mix(wet_mass_kg: ArrayLike, moisture_pct: ArrayLike, nitrogen_pct: ArrayLike, carbon_pct: ArrayLike) -> Mixture:
    """The heap made of n parts, each argument (n,). Raises DesignError for no mass or a moisture outside 0 to 100."""
    wet, moisture, nitrogen, carbon = (
        np.atleast_1d(np.asarray(part, dtype=float)) for part in (wet_mass_kg, moisture_pct, nitrogen_pct, carbon_pct)
    )
    if not np.all(np.isfinite(wet)) or np.any(wet < 0) or wet.sum() <= 0:
        raise DesignError(f"found masses {wet.tolist()} kg; expected numbers from 0 kg up, and not all 0.")
    if np.any(~((moisture >= 0) & (moisture <= 100))):
        raise DesignError(f"found moistures {moisture.tolist()} %; expected 0 to 100 % of the wet mass.")
    dry = wet * (100.0 - moisture) / 100.0
    total = float(wet.sum())
    return Mixture(
        wet_mass_kg=total,
        dry_mass_kg=float(dry.sum()),
        moisture_pct=float(wet @ moisture) / total,
        carbon_kg=float(dry @ carbon) / 100.0,
        nitrogen_kg=float(dry @ nitrogen) / 100.0,
    )


def cn_ratio_range(
    dry_mass_kg: ArrayLike, nitrogen_low: ArrayLike, nitrogen_high: ArrayLike, cn_low: ArrayLike, cn_high: ArrayLike
) -> tuple[float, float]:
    """Lowest and highest C:N of the heap when each part may lie anywhere in its own ranges; all arguments (n,).

    The C:N of the heap is the mean of the parts' C:N weighted by their nitrogen: monotone in every C:N, and in every
    nitrogen content when the others are held, so the ends lie at corners, which are all tried (n up to 12).
    """
    dry, n_low, n_high, low, high = (
        np.atleast_1d(np.asarray(part, dtype=float))
        for part in (dry_mass_kg, nitrogen_low, nitrogen_high, cn_low, cn_high)
    )
    if dry.size > 12:
        raise DesignError(f"found {dry.size} materials; the range of C:N is computed for up to 12. Join similar ones.")
    lowest, highest = np.inf, -np.inf
    for corner in product((False, True), repeat=dry.size):
        nitrogen = dry * np.where(corner, n_high, n_low)
        if nitrogen.sum() > 0:
            lowest = min(lowest, float(nitrogen @ low / nitrogen.sum()))
            highest = max(highest, float(nitrogen @ high / nitrogen.sum()))
    return lowest, highest


def water_to_reach(wet_mass_kg: float, moisture_pct: float, target_pct: float) -> float:
    """Litres of water that bring the heap to the target moisture; 0 where it is already as wet or wetter."""
    if not 0 <= target_pct < 100:
        raise DesignError(f"found a target moisture of {target_pct:g} %; expected 0 up to 100 %. 50 to 60 % is usual.")
    return max(0.0, wet_mass_kg * (target_pct - moisture_pct) / (100.0 - target_pct))


def moisture_with(wet_mass_kg: float, moisture_pct: float, water_l: float, dry_kg: float = 0.0) -> float:
    """Moisture (% of wet mass) after adding water and dry matter to a heap."""
    water = wet_mass_kg * moisture_pct / 100.0 + water_l
    return 100.0 * water / (wet_mass_kg + water_l + dry_kg)


def nitrogen_to_reach(carbon_kg: float, nitrogen_kg: float, target_cn: float) -> float:
    """Kilograms of nitrogen that bring the heap to the target C:N; 0 where it is already as low or lower."""
    if not target_cn > 0:
        raise DesignError(f"found a target C:N of {target_cn:g}; expected a number above 0. 25 to 40 is usual.")
    return max(0.0, carbon_kg / target_cn - nitrogen_kg)


def partner_for_cn_ratio(
    wet_mass_kg: float,
    moisture_pct: tuple[float, float],
    nitrogen_pct: tuple[float, float],
    carbon_pct: tuple[float, float],
    target_cn: float,
) -> float:
    """Kilograms of a second material that bring a first one (``wet_mass_kg``) to the target C:N.

    Pairs are (first, second). Raises DesignError where both lie on the same side of the target.
    """
    first = wet_mass_kg * (100.0 - moisture_pct[0]) * (carbon_pct[0] - target_cn * nitrogen_pct[0])
    second = (100.0 - moisture_pct[1]) * (target_cn * nitrogen_pct[1] - carbon_pct[1])
    if second == 0 or first / second < 0:
        raise DesignError(
            f"no amount of the second material brings the mixture to C:N {target_cn:g}; expected one material above "
            "and one below the target."
        )
    return first / second


def partner_for_moisture(wet_mass_kg: float, moisture_pct: tuple[float, float], target_pct: float) -> float:
    """Kilograms of a second material that bring a first one to the target moisture; pairs are (first, second)."""
    gap = moisture_pct[1] - target_pct
    if gap == 0 or wet_mass_kg * (target_pct - moisture_pct[0]) / gap < 0:
        raise DesignError(
            f"no amount of the second material brings the mixture to {target_pct:g} % moisture; expected one material "
            "wetter and one drier than the target."
        )
    return wet_mass_kg * (target_pct - moisture_pct[0]) / gap


def fermentation_gas(sugar_g: float, temperature_c: float = 20.0) -> tuple[float, float]:
    """(grams, litres at 1 atm) of CO2 from sucrose fermented to the end: C12H22O11 + H2O → 4 C2H5OH + 4 CO2."""
    moles = 4.0 * sugar_g / _SUCROSE
    return moles * (_C + 2 * _O), moles * 0.082057 * (273.15 + temperature_c)
