"""The heap: its C:N and moisture with their ranges, amounts per bin and in all, and what the starter really adds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.errors import DesignError
from trialkit.numerics.mixtures import (
    CARBON_IN_SUCROSE,
    NITROGEN_IN_UREA,
    Mixture,
    cn_ratio_range,
    fermentation_gas,
    mix,
    moisture_with,
    nitrogen_to_reach,
    water_to_reach,
)
from trialkit.planning.feedstocks import Feedstock
from trialkit.planning.starters import Starter

TARGET_MOISTURE = 55.0
GOOD_CN = (25.0, 40.0)


@dataclass(frozen=True)
class Portion:
    """So many kilograms (wet) of a material in one bin."""

    feedstock: Feedstock
    wet_mass_kg: float


@dataclass(frozen=True)
class Recipe:
    """What goes into every bin, before any starter. Masses per bin; ``bins`` for the total.

    ``cn_range`` and ``moisture_range`` come from the ranges of the materials. ``water_l`` brings the heap to
    ``target_moisture_pct`` with the water that every arm gets anyway already counted.
    """

    portions: tuple[Portion, ...]
    bins: int
    mixture: Mixture
    cn_range: tuple[float, float]
    moisture_range: tuple[float, float]
    target_moisture_pct: float
    water_l: float

    @property
    def filled_mass_kg(self) -> float:
        """Wet mass a bin once the water is in, without the starter."""
        return self.mixture.wet_mass_kg + self.water_l


@dataclass(frozen=True)
class StarterEffect:
    """What one bin's starter does to one bin's heap, besides its organisms.

    Carbon and nitrogen in grams and in % of what the heap holds; C:N and moisture before and after; the nitrogen and
    urea (g) that would bring the heap to C:N 30; the gas (L) of the sugar fermented to the end.
    """

    sugar_carbon_g: float
    carbon_pct: float
    nitrogen_g: float
    nitrogen_pct: float
    cn_before: float
    cn_after: float
    moisture_before_pct: float
    moisture_after_pct: float
    nitrogen_to_30_g: float
    urea_to_30_g: float
    gas_l: float


def make_recipe(
    portions: Sequence[Portion],
    bins: int,
    *,
    target_moisture_pct: float = TARGET_MOISTURE,
    poured_l: float = 0.0,
) -> Recipe:
    """Mix the portions of one bin. ``poured_l`` is the water that every arm gets with the treatments.

    Raises DesignError for no material, masses at or below zero, or a target outside 40 to 65 % moisture.
    """
    if not portions:
        raise DesignError('found no feedstock; expected one or more, say --feed "leaves=20kg".')
    for portion in portions:
        if not 0 < portion.wet_mass_kg < 100_000:
            raise DesignError(
                f"{portion.feedstock.name}: found {portion.wet_mass_kg:g} kg a bin; expected a number above 0."
            )
    if not 40 <= target_moisture_pct <= 65:
        raise DesignError(
            f"found a target moisture of {target_moisture_pct:g} %; expected 40 to 65 %. 50 to 60 % is best."
        )
    feeds = [portion.feedstock for portion in portions]
    masses = [portion.wet_mass_kg for portion in portions]
    typical = [feed.moisture_pct.typical for feed in feeds]
    mixture = mix(masses, typical, [feed.nitrogen_pct.typical for feed in feeds], [feed.carbon_pct for feed in feeds])
    total = sum(masses)
    ends = [
        sum(mass * getattr(feed.moisture_pct, end) for mass, feed in zip(masses, feeds, strict=True)) / total
        for end in ("low", "high")
    ]
    cn = cn_ratio_range(
        [mass * (100 - wet) / 100 for mass, wet in zip(masses, typical, strict=True)],
        [feed.nitrogen_pct.low for feed in feeds],
        [feed.nitrogen_pct.high for feed in feeds],
        [feed.cn_ratio.low for feed in feeds],
        [feed.cn_ratio.high for feed in feeds],
    )
    needed = water_to_reach(mixture.wet_mass_kg, mixture.moisture_pct, target_moisture_pct)
    return Recipe(
        tuple(portions), bins, mixture, cn, (ends[0], ends[1]), target_moisture_pct, max(0.0, needed - poured_l)
    )


def weigh_starter(recipe: Recipe, starter: Starter) -> StarterEffect:
    """What the starter of one bin adds to the heap of one bin, in numbers. The carbon of urea is left out."""
    heap = recipe.mixture
    sugar_carbon = CARBON_IN_SUCROSE * starter.sugar_g
    carbon, nitrogen = 1000 * heap.carbon_kg, 1000 * heap.nitrogen_kg
    short = 1000 * nitrogen_to_reach(heap.carbon_kg, heap.nitrogen_kg, 30.0)
    dry = (starter.sugar_g + starter.urea_g) / 1000
    return StarterEffect(
        sugar_carbon_g=sugar_carbon,
        carbon_pct=100 * sugar_carbon / carbon,
        nitrogen_g=starter.nitrogen_g,
        nitrogen_pct=100 * starter.nitrogen_g / nitrogen,
        cn_before=heap.cn_ratio,
        cn_after=(carbon + sugar_carbon) / (nitrogen + starter.nitrogen_g),
        moisture_before_pct=heap.moisture_pct,
        moisture_after_pct=moisture_with(heap.wet_mass_kg, heap.moisture_pct, starter.water_l, dry),
        nitrogen_to_30_g=short,
        urea_to_30_g=short / NITROGEN_IN_UREA,
        gas_l=fermentation_gas(starter.sugar_g)[1],
    )
