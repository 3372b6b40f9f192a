"""From the analysis scale to the scale shown (ratios of outcomes on the log scale, differences otherwise), and to the
record of a comparison."""

from __future__ import annotations

import math
from dataclasses import replace

from trialkit.records import Adjustment, BinValues, Comparison, Interval, Kind, Scale

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


def comparison_of(
    values: BinValues,
    pair: tuple[str, str | None],
    *,
    estimate: float,
    intervals: tuple[Interval, Interval],
    bins: tuple[int, int],
    method: str,
    alone: tuple[Interval, Interval] | None = None,
    kind: Kind | None = None,
    std_error: float | None = None,
    df: float | None = None,
    p: float | None = None,
) -> Comparison:
    """The record of one comparison of ``values``. ``intervals``: at the plan's level and at that of a margin; ``alone``
    the same two without adjustment, which they are themselves where nothing is given. ``kind`` by default from the
    scale of the outcome."""
    single = alone or (replace(intervals[0], adjustment="none"), replace(intervals[1], adjustment="none"))
    return Comparison(
        outcome=values.outcome,
        plan=values.plan,
        treatment=pair[0],
        against=pair[1],
        kind=kind or ("ratio" if values.outcome.scale == "log" else "difference"),
        estimate=estimate,
        interval=intervals[0],
        margin_interval=intervals[1],
        alone=single[0],
        margin_alone=single[1],
        std_error=std_error,
        df=df,
        p=p,
        bins=bins,
        role=values.role,
        method=method,
    )
