"""From the analysis scale to the scale shown: ratios for outcomes on the log scale, differences otherwise."""

from __future__ import annotations

import math

from trialkit.records import Adjustment, Interval, Scale

_LARGEST_EXPONENT = 700.0  # beyond, a ratio is no number any more


def shown(value: float, scale: Scale) -> float | None:
    """exp on the log scale; None (an open end) where that is beyond any number."""
    if scale == "identity":
        return float(value)
    return None if value > _LARGEST_EXPONENT else math.exp(value)


def shown_interval(
    estimate: float, half_width: float, scale: Scale, level: float, adjustment: Adjustment = "none"
) -> Interval:
    """estimate ± half_width (analysis scale) as an interval on the scale shown."""
    return Interval(shown(estimate - half_width, scale), shown(estimate + half_width, scale), level, adjustment)


def margin_level(level: float) -> float:
    """1 − 2α for a level 1 − α, free of the rounding of 1 − 0.95."""
    return round(2.0 * level - 1.0, 12)
