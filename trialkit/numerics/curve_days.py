"""The days on which a one-pool curve y(t) = end + (start − end)·exp(−k t) passes named thresholds.

Half of the achievable change and half of the starting level are different days wherever the end level is above zero,
and their ratio between two treatments is the inverse of the rate ratio only where both end at the same level.
Letters: k rate, 1/day.
"""

from __future__ import annotations

import math

SOFTENED, NEARLY_DONE = 0.10, 0.95  # shares of the achievable change; the first by our own convention


def day_of_level(rate: float, start: float, end: float, level: float) -> float:
    """The day on which the curve passes ``level``; 0 where it starts there, inf where it never gets there.

    Levels in one unit, ``rate`` above 0 in 1/day. Raises ValueError for other rates and for levels that are no numbers.
    """
    if not (rate > 0.0 and math.isfinite(rate)) or not all(map(math.isfinite, (start, end, level))):
        raise ValueError(f"expected a rate above 0 and finite levels; found {rate}, {start}, {end}, {level}")
    if level == start:
        return 0.0
    left = (level - end) / (start - end) if start != end else math.inf
    return -math.log(left) / rate if 0.0 < left < 1.0 else math.inf


def day_of_share(rate: float, share: float) -> float:
    """The day on which ``share`` (0 to below 1) of the achievable change is done, whatever the levels."""
    if not (rate > 0.0 and 0.0 <= share < 1.0):
        raise ValueError(f"expected a rate above 0 and a share from 0 to below 1; found {rate} and {share}")
    return -math.log1p(-share) / rate


def named_days(rate: float, start: float, end: float) -> dict[str, float]:
    """Days to first softening, to half and to 95 % of the achievable change, and to half of the starting level.

    The last only where a falling curve gets there.
    """
    found = {
        "days_to_first_softening": day_of_share(rate, SOFTENED),
        "days_to_half_of_achievable": day_of_share(rate, 0.5),
        "days_to_half_of_start": day_of_level(rate, start, end, 0.5 * start) if start > end else math.inf,
        "days_to_nearly_done": day_of_share(rate, NEARLY_DONE),
    }
    return {name: day for name, day in found.items() if math.isfinite(day)}
