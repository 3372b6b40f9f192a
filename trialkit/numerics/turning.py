"""The same comparison in the opposite order: ratios inverted, differences with the other sign."""

from __future__ import annotations

from dataclasses import replace

from trialkit.records import Comparison, Interval, Kind


def inverted(comparison: Comparison) -> Comparison:
    """ "treatment ÷ against" as "against ÷ treatment" (or minus for minus). p, level and adjustment stay.

    ValueError for a comparison of kind ``level``, which has no second treatment.
    """
    if comparison.against is None:
        raise ValueError("A comparison with a fixed number has no opposite order.")
    kind = comparison.kind
    return replace(
        comparison,
        treatment=comparison.against,
        against=comparison.treatment,
        estimate=_inverse(comparison.estimate, kind),
        interval=_turned(comparison.interval, kind),
        margin_interval=_turned(comparison.margin_interval, kind),
        alone=_turned(comparison.alone, kind),
        margin_alone=_turned(comparison.margin_alone, kind),
        bins=(comparison.bins[1], comparison.bins[0]),
        rerandomised=None if comparison.rerandomised is None else _turned(comparison.rerandomised, kind),
    )


def _turned(interval: Interval, kind: Kind) -> Interval:
    low = None if interval.high is None else _inverse(interval.high, kind)
    # A ratio's open or zero lower end is an open upper end of its inverse.
    closed = interval.low is not None and not (kind == "ratio" and interval.low == 0.0)
    high = _inverse(interval.low, kind) if closed and interval.low is not None else None
    return replace(interval, low=low, high=high)


def _inverse(value: float, kind: Kind) -> float:
    if kind == "ratio":
        return 1.0 / value
    if kind == "superiority":  # a probability
        return 1.0 - value
    return -value
