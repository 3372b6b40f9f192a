"""What common feedstocks hold, with ranges and with where each figure comes from.

Nitrogen in % of dry mass, moisture in % of wet mass. The handbook is Rynk et al. 1992, *On-Farm Composting Handbook*,
NRAES-54, Table A.1. Few of its cells were seen again in other texts; the rest are from memory and say so. Materials
differ from heap to heap: where the answer matters, have the heap analysed and give its own figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trialkit.errors import DesignError, nearest_name

HANDBOOK = "Rynk et al. 1992, NRAES-54"


@dataclass(frozen=True)
class Range:
    """A typical figure with the range it was reported in; both ends equal it where no range is known."""

    typical: float
    low: float
    high: float

    @classmethod
    def of(cls, typical: float, low: float | None = None, high: float | None = None) -> Range:
        return cls(typical, typical if low is None else low, typical if high is None else high)


@dataclass(frozen=True)
class Feedstock:
    """One material. ``source`` names where the figures come from; ``from_memory`` lists the figures among
    "nitrogen", "C:N", "moisture" that were not looked up again; ``kinds`` are what cautions listen to."""

    name: str
    nitrogen_pct: Range
    cn_ratio: Range
    moisture_pct: Range
    source: str
    from_memory: tuple[str, ...] = ("nitrogen", "C:N", "moisture")
    kinds: frozenset[str] = frozenset()

    @property
    def carbon_pct(self) -> float:
        """Typical carbon, % of dry mass."""
        return self.nitrogen_pct.typical * self.cn_ratio.typical


def _feed(
    name: str,
    nitrogen: tuple[float, ...],
    cn_ratio: tuple[float, ...],
    moisture: tuple[float, ...],
    kinds: str = "",
    memory: tuple[str, ...] = ("nitrogen", "moisture"),
    source: str = HANDBOOK,
) -> Feedstock:
    return Feedstock(
        name, Range.of(*nitrogen), Range.of(*cn_ratio), Range.of(*moisture), source, memory, frozenset(kinds.split())
    )


_ALL = ("nitrogen", "C:N", "moisture")
_JUDGED = f"C:N as quoted from {HANDBOOK}; the rest a judgement"
FEEDSTOCKS: Mapping[str, Feedstock] = {
    feed.name: feed
    for feed in (
        _feed("leaves", (0.9, 0.5, 1.3), (54, 40, 80), (38,), "leaves"),
        _feed("grass clippings", (3.4, 2.0, 6.0), (17, 9, 25), (82,), "grass"),
        _feed("straw", (0.7, 0.3, 1.1), (80, 48, 150), (12,), "straw"),
        _feed("food scraps", (2.4, 1.9, 2.9), (15, 14, 16), (69,), "food"),
        _feed("vegetable wastes", (3.25, 2.5, 4.0), (12, 11, 13), (85, 80, 90), "food"),
        _feed("vegetable produce", (2.7,), (19,), (87,), "food"),
        _feed("coffee grounds", (2.0,), (20,), (60,), "food", _ALL, _JUDGED),
        _feed("cattle manure", (2.4, 1.5, 4.2), (19, 11, 30), (81,), "manure", _ALL),
        _feed("horse manure", (1.6, 1.4, 2.3), (30, 22, 50), (72,), "manure", _ALL),
        _feed("sheep manure", (2.7,), (16,), (69,), "manure", _ALL),
        _feed("poultry manure", (8.0,), (6,), (69,), "manure", _ALL),
        _feed("legume hay", (2.5,), (16, 15, 19), (15, 10, 20), "hay", source=_JUDGED),
        _feed("sawdust", (0.24,), (442,), (39,), "", _ALL),
        _feed("garden soil", (0.2, 0.1, 0.3), (11, 10, 12), (18, 10, 25), "soil", _ALL, "soil texts, from memory"),
    )
}


def find_feedstock(name: str) -> Feedstock:
    """The material of this name. Raises DesignError naming the nearest one that is known."""
    key = " ".join(name.lower().split())
    if key in FEEDSTOCKS:
        return FEEDSTOCKS[key]
    near = nearest_name(key, FEEDSTOCKS)
    hint = f' Nearest: "{near}".' if near else ""
    raise DesignError(
        f'found the feedstock "{name}"; expected one of {", ".join(FEEDSTOCKS)}.{hint} '
        f'Or give its own figures: "{name}=20kg, nitrogen=0.9, cn=54, moisture=38".'
    )


def own_feedstock(name: str, nitrogen_pct: float, cn_ratio: float, moisture_pct: float) -> Feedstock:
    """A material by the figures somebody measured. Raises DesignError for figures that cannot be."""
    for what, value, low, high in (
        ("nitrogen", nitrogen_pct, 0.0, 50.0),
        ("cn", cn_ratio, 3.0, 1000.0),
        ("moisture", moisture_pct, 0.0, 99.9),
    ):
        if not low <= value <= high:
            raise DesignError(f"{name}: found {what} {value:g}; expected {low:g} to {high:g}. Check the unit.")
    if nitrogen_pct * cn_ratio > 100:
        raise DesignError(
            f"{name}: {nitrogen_pct:g} % nitrogen at C:N {cn_ratio:g} would be {nitrogen_pct * cn_ratio:.0f} % carbon; "
            "expected at most 100 % together. Check both figures."
        )
    lower = name.lower()
    words = {"leaves": "leaf leaves", "grass": "grass", "straw": "straw", "hay": "hay", "manure": "manure dung"}
    words |= {"food": "food kitchen scraps vegetable fruit", "soil": "soil"}
    kinds = frozenset(kind for kind, spoken in words.items() if any(word in lower for word in spoken.split()))
    return Feedstock(name, Range.of(nitrogen_pct), Range.of(cn_ratio), Range.of(moisture_pct), "as given", (), kinds)
