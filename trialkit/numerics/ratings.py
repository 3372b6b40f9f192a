"""Names for how far decay has gone: self-heating classes and maturity ratings. They describe a bin and test nothing.

Both tables are from memory. Self-heating: the class scale by highest rise above ambient in an insulated flask (Brinton,
Evans, Droffner & Brinton 1995). Scales by absolute peak, also in use, agree with it at an ambient
of 20 °C only. The test reports too little of active compost near pH 5. Maturity: the index of the California Compost
Quality Council (2001).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trialkit.records import HeatingClass, Rating

LEAST_RISE, MOST_RISE = -5.0, 65.0  # °C; beyond, the reading or its unit is wrong
MOST_CN = 25.0  # above, nothing is rated

# Limits (very mature is below the first, immature above the second; on a limit it is mature).
STABILITY: Mapping[str, tuple[float, float]] = {
    "co2_c_mg_g_om_day": (2.0, 8.0),  # mg CO2-C per g organic matter and day
    "oxygen_uptake_mg_g_om_hour": (0.4, 1.3),  # mg O2 per g organic matter and hour
    "rise_c": (10.0, 20.0),  # self-heating
}
TOXICITY: Mapping[str, tuple[float, float]] = {
    "ammonium_to_nitrate": (0.5, 3.0),  # N to N
    "ammonia_n_ppm": (75.0, 500.0),  # of dry mass
    "germination_pct": (90.0, 80.0),  # of the control; here more is better
    "fatty_acids_ppm": (200.0, 1000.0),  # of dry mass
}
_ORDER: tuple[Rating, ...] = ("very mature", "mature", "immature")


@dataclass(frozen=True)
class Maturity:
    """``rating`` None where none can be given, and ``reason`` says why; ``by_test`` what each test alone came to."""

    rating: Rating | None
    by_test: Mapping[str, Rating]
    reason: str = ""


def heating_class(rise_c: float) -> HeatingClass:
    """The class of the highest rise above ambient, °C: V up to and with 10, IV to 20, III to 30, II to 40, I above.

    ValueError outside −5 to 65 °C: such a reading is a mistake.
    """
    if not LEAST_RISE <= rise_c <= MOST_RISE:
        raise ValueError(f"rise_c: found {rise_c!r}; expected {LEAST_RISE:g} to {MOST_RISE:g} °C above ambient.")
    classes: tuple[tuple[float, HeatingClass], ...] = ((10.0, "V"), (20.0, "IV"), (30.0, "III"), (40.0, "II"))
    return next((name for limit, name in classes if rise_c <= limit), "I")


def maturity_rating(cn_ratio: float | None, tests: Mapping[str, float]) -> Maturity:
    """The worst of at least one test of stability and one of toxicity, where C:N is 25 or less.

    tests: names of ``STABILITY`` and ``TOXICITY`` with their readings. Where C:N is above 25 or None (not measured), or
    a group has no test, ``rating`` is None. ValueError for an unknown name, for readings below 0, and for a C:N of 0 or
    less.
    """
    if cn_ratio is not None and not cn_ratio > 0.0:
        raise ValueError(f"cn_ratio: found {cn_ratio!r}; expected a number above 0.")
    limits = {**STABILITY, **TOXICITY}
    for name, reading in tests.items():
        if name not in limits:
            raise ValueError(f"tests: found {name!r}; expected names out of {', '.join(limits)}.")
        if not reading >= (LEAST_RISE if name == "rise_c" else 0.0):
            raise ValueError(f"{name}: found {reading!r}; expected 0 or more.")
    found = {name: _rated(reading, *limits[name]) for name, reading in tests.items()}
    if cn_ratio is None:
        return Maturity(None, found, "C:N was not measured, so maturity is not rated.")
    if cn_ratio > MOST_CN:
        return Maturity(None, found, f"C:N is {cn_ratio:g}, above {MOST_CN:g}, so maturity is not rated.")
    for group, names in (("stability", STABILITY), ("toxicity", TOXICITY)):
        if not any(name in names for name in found):
            return Maturity(None, found, f"No test of {group} was made, so maturity is not rated.")
    return Maturity(max(found.values(), key=_ORDER.index), found)


def _rated(reading: float, very: float, immature: float) -> Rating:
    if very > immature:  # more is better
        reading, very, immature = -reading, -very, -immature
    return "very mature" if reading < very else "immature" if reading > immature else "mature"
