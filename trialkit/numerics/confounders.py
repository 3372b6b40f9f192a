"""How large the things that are not the treatment could be: differences between arms, put into sizes.

The factors are rough models of rate, shown so that a reader can see what a confounder *could* do. They are never used
to correct a comparison. Moisture: f(m) = 1 / (1 + exp(7.0622 − 17.684·m)), m the moisture fraction (Haug 1993,
*The Practical Handbook of Compost Engineering*, from memory; last digits unsure). Temperature: Q10^(ΔT/10), with
Q10 = 2 between about 5 and 35 °C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

from trialkit.errors import DesignError
from trialkit.numerics.mixtures import CARBON_IN_SUCROSE, moisture_with

# a difference smaller than these shares of the larger amount is weighing error, not a confounder
SAME_WITHIN = 0.02


@dataclass(frozen=True)
class Confounder:
    """One thing in which an arm differs from another.

    ``name`` is one of "water", "sugar", "nitrogen", "soil", "turning", "start mass"; ``difference`` is the arm minus
    the other, in ``unit``. ``rate_ratio`` is what the difference alone could do to the rate, arm ÷ other, None where no
    model is at hand. ``share_pct`` is the difference in % of what the heap already holds (carbon for sugar, nitrogen,
    wet mass for soil and start mass), None where that is not known. ``arm_state`` and ``other_state`` hold the
    moisture (%) for water and the C:N for nitrogen and sugar, None elsewhere.
    """

    name: str
    difference: float
    unit: str
    rate_ratio: float | None = None
    share_pct: float | None = None
    arm_state: float | None = None
    other_state: float | None = None


def moisture_factor(moisture_pct: float) -> float:
    """Rate at this moisture (% of wet mass) as a share of the rate when water is not limiting."""
    if not 0 <= moisture_pct <= 100:
        raise DesignError(f"found a moisture of {moisture_pct:g} %; expected 0 to 100 % of the wet mass.")
    return 1.0 / (1.0 + exp(7.0622 - 17.684 * moisture_pct / 100.0))


def moisture_ratio(moisture_pct: float, against_pct: float) -> float:
    """Rate at one moisture ÷ rate at another."""
    return moisture_factor(moisture_pct) / moisture_factor(against_pct)


def temperature_ratio(warmer_by_c: float, q10: float = 2.0) -> float:
    """Rate of a bin that stands warmer by so many °C ÷ rate of the other."""
    if not q10 > 0:
        raise DesignError(f"found Q10 = {q10:g}; expected a number above 0. 2 is usual.")
    return float(q10 ** (warmer_by_c / 10.0))


def size_confounders(
    amounts: Mapping[str, float],
    against: Mapping[str, float],
    *,
    wet_mass_kg: float | None = None,
    moisture_pct: float | None = None,
    carbon_g: float | None = None,
    nitrogen_g: float | None = None,
) -> tuple[Confounder, ...]:
    """Everything in which an arm differs from another, by declared amounts per bin.

    ``amounts`` and ``against`` hold ``water_l, sugar_g, nitrogen_g, soil_kg, turns_per_week, start_wet_mass_kg``; an
    amount that is declared for one arm only counts as 0 in the other (``start_wet_mass_kg`` is then left out). The
    keywords describe the heap before anything is added; without them sizes stay None.
    """
    found = []
    for name, (key, unit) in _AMOUNTS.items():
        mine, other = amounts.get(key), against.get(key)
        if (mine is None and other is None) or (name == "start mass" and None in (mine, other)):
            continue
        mine, other = mine or 0.0, other or 0.0
        if abs(mine - other) <= SAME_WITHIN * max(abs(mine), abs(other)):
            continue
        found.append(Confounder(name, mine - other, unit))
    heap = _Heap(wet_mass_kg, moisture_pct, carbon_g, nitrogen_g)
    return tuple(_sized(item, amounts, against, heap) for item in found)


_AMOUNTS = {
    "water": ("water_l", "L"),
    "sugar": ("sugar_g", "g"),
    "nitrogen": ("nitrogen_g", "g"),
    "soil": ("soil_kg", "kg"),
    "turning": ("turns_per_week", "turns a week"),
    "start mass": ("start_wet_mass_kg", "kg"),
}


@dataclass(frozen=True)
class _Heap:
    wet_mass_kg: float | None
    moisture_pct: float | None
    carbon_g: float | None
    nitrogen_g: float | None

    def moisture(self, amounts: Mapping[str, float]) -> float | None:
        if self.wet_mass_kg is None or self.moisture_pct is None:
            return None
        sugar = amounts.get("sugar_g", 0.0) / 1000.0
        return moisture_with(self.wet_mass_kg, self.moisture_pct, amounts.get("water_l", 0.0), sugar)

    def cn_ratio(self, amounts: Mapping[str, float]) -> float | None:
        if self.carbon_g is None or self.nitrogen_g is None:
            return None
        nitrogen = self.nitrogen_g + amounts.get("nitrogen_g", 0.0)
        carbon = self.carbon_g + CARBON_IN_SUCROSE * amounts.get("sugar_g", 0.0)
        return carbon / nitrogen if nitrogen > 0 else None


def _sized(item: Confounder, amounts: Mapping[str, float], against: Mapping[str, float], heap: _Heap) -> Confounder:
    ratio = share = mine = other = None
    if item.name == "water":
        mine, other = heap.moisture(amounts), heap.moisture(against)
        ratio = None if mine is None or other is None else moisture_ratio(mine, other)
    elif item.name in ("sugar", "nitrogen"):
        mine, other = heap.cn_ratio(amounts), heap.cn_ratio(against)
        whole, part = (heap.carbon_g, CARBON_IN_SUCROSE) if item.name == "sugar" else (heap.nitrogen_g, 1.0)
        share = 100.0 * part * item.difference / whole if whole else None
    elif item.name == "soil":
        share = 100.0 * item.difference / heap.wet_mass_kg if heap.wet_mass_kg else None
    elif item.name == "start mass":
        base = against["start_wet_mass_kg"]
        share = 100.0 * item.difference / base if base else None
    return Confounder(item.name, item.difference, item.unit, ratio, share, mine, other)
