"""Comparisons of scores: the share of pairs of bins in which one treatment stands above the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trialkit.contrasts.families import Pair
from trialkit.contrasts.rerandomise import p_of_pairs
from trialkit.contrasts.shown import comparison_of, margin_level
from trialkit.records import Adjustment, Comparison, Fit, Interval, Refusal

METHOD = "share of pairs of bins, labels exchanged as the layout was drawn"


def compare_scores(fit: Fit, pairs: Sequence[Pair], *, with_p: bool = True) -> tuple[Comparison | Refusal, ...]:
    """One comparison a pair of kind "superiority": how often a bin of the first stands above one of the second.

    p is exact by re-randomisation of the layout drawn, times the number of pairs that have one (Bonferroni); None where
    the layout was drawn by hand, or where only one layout or one and its mirror image is possible. No interval: both
    ends are None at the plan's level. Inverting the test would need an effect that shifts every score by the same
    amount, and steps have no amount.
    """
    known = [pair for pair in pairs if np.isfinite(_difference(fit, pair))]
    alone = dict(zip(known, p_of_pairs(fit, known), strict=True)) if with_p else {}
    count = sum(p is not None for p in alone.values())
    adjustment: Adjustment = "bonferroni" if count > 1 else "none"
    return tuple(_compared(fit, pair, alone.get(pair), count, adjustment) for pair in pairs)


def _difference(fit: Fit, pair: Pair) -> float:
    return float(fit.differences[fit.treatments.index(pair[0]), fit.treatments.index(pair[1])])


def _compared(fit: Fit, pair: Pair, p: float | None, count: int, adjustment: Adjustment) -> Comparison | Refusal:
    outcome, plan = fit.values.outcome, fit.values.plan
    difference = _difference(fit, pair)
    if not np.isfinite(difference):
        default = f"These bins cannot estimate how {pair[0]} differs from {pair[1]}."
        reason = fit.refused.get(pair, default)
        return Refusal("contrasts", (reason,), outcome.name, pair[0], pair[1], fit.values)
    i, j = (fit.treatments.index(name) for name in pair)
    none = Interval(None, None, plan.level, adjustment)
    return comparison_of(
        fit.values,
        pair,
        kind="superiority",
        estimate=0.5 + difference,
        intervals=(none, replace(none, level=margin_level(plan.level))),
        p=None if p is None else min(count * p, 1.0),
        bins=(int(fit.counts[i, j]), int(fit.counts[j, i])),
        method=METHOD,
    )
