"""Factorial arms: carrier × live culture, and nitrogen as a third factor, so that each effect uses all bins."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from trialkit.errors import DesignError, nearest_name
from trialkit.records import Treatment

FACTORS = ("carrier", "culture", "nitrogen")
WITHOUT_ANY = "water only"


def factorial_treatments(factors: Sequence[str]) -> tuple[Treatment, ...]:
    """All combinations of two or three factors, each with and without: 4 or 8 arms, the first of them water only.

    The carrier is the sugary liquid; with the culture it is live, without it the same liquid killed. The culture
    without the carrier is its cells in plain water. Raises DesignError for other factors or numbers of them.
    """
    factors = tuple(factors)
    for name in factors:
        if name not in FACTORS:
            near = nearest_name(name, FACTORS)
            hint = f' Nearest: "{near}".' if near else ""
            raise DesignError(f'found the factor "{name}"; expected some of {", ".join(FACTORS)}.{hint}')
    if len(set(factors)) != len(factors) or len(factors) not in (2, 3):
        raise DesignError(
            f"found {len(factors)} factors ({', '.join(factors)}); expected two or three different ones of "
            f'{", ".join(FACTORS)}. Nearest plan: --factors "carrier, culture" (4 arms).'
        )
    arms = []
    for levels in product(("without", "with"), repeat=len(factors)):
        given = dict(zip(factors, levels, strict=True))
        present = [name for name in factors if given[name] == "with"]
        arms.append(Treatment(" + ".join(present) or WITHOUT_ANY, _role(given), given))
    return tuple(arms)


def _role(levels: dict[str, str]) -> str:
    carrier, culture = levels.get("carrier") == "with", levels.get("culture") == "with"
    if carrier and culture:
        return "live"
    if carrier:
        return "killed" if "culture" in levels else "carrier"
    if culture or levels.get("nitrogen") == "with":
        return "other"
    return "water"
