"""What was named of a bin and tested by nothing: self-heating class and maturity rating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

HeatingClass = Literal["I", "II", "III", "IV", "V"]
Rating = Literal["very mature", "mature", "immature"]


@dataclass(frozen=True)
class BinMaturity:
    """How far decay had gone in a bin, by name, at its last visits with such readings.

    ``readings`` and ``days``: what the names come from and when it was read, by the names "rise_c" (°C above ambient),
    "cn_ratio", "germination_pct" (% of the water blank) and "ph" (within a week of the rise); a reading not made is in
    neither. ``day`` is the last of them, None without any. ``heating_class`` is None without a rise. ``rating`` is None
    where none can be given, and ``reason`` says why; ``by_test`` is what each test alone came to. ``rows`` are the
    (file, line) pairs of all readings.
    """

    bin: str
    treatment: str
    day: float | None
    heating_class: HeatingClass | None
    rating: Rating | None
    by_test: Mapping[str, Rating] = field(default_factory=dict)
    reason: str = ""
    readings: Mapping[str, float] = field(default_factory=dict)
    days: Mapping[str, float] = field(default_factory=dict)
    rows: tuple[tuple[str, int], ...] = ()
