"""Several secondary outcomes: Holm's adjustment over all their comparisons."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from trialkit.contrasts.families import critical_t, p_alone
from trialkit.contrasts.shown import margin_level, shown_interval
from trialkit.contrasts.times import drawn_alone
from trialkit.numerics.multiplicity import holm
from trialkit.records import Adjustment, BinValues, Comparison, Refusal

Compared = tuple[Comparison | Refusal, ...]


def adjust_secondary(
    comparisons: Mapping[str, Sequence[Comparison | Refusal]], measured: Mapping[str, BinValues | Refusal] | None = None
) -> dict[str, Compared]:
    """The comparisons of the secondary outcomes, adjusted over all m of them together.

    ``comparisons`` maps the name of each secondary outcome to what ``compare`` gave for it. Every p becomes Holm's,
    from the unadjusted p of each comparison at its own df. Holm's procedure has no simple two-sided interval, so the
    interval beside it is Bonferroni's over the same m comparisons: it holds for all m together, is the wider of the
    two, and leaves out no effect only where Holm's p is at most α (not always the other way round). Both carry the
    adjustment "holm", and ``method`` says how. Scores come without an interval and with a p by re-randomisation
    (``rerandomisation_p``, which stands unadjusted beside Holm's): that p counts among the m. Times by draws are drawn
    anew from the bins of the two treatments, which are in ``measured``, the bin values by outcome: their p is twice the
    share of draws on the smaller side of no effect, and their interval the central part of the same draws. With one
    secondary outcome there is nothing to adjust over, and it is returned as it came; where refusals leave one
    comparison of them all, it stands by itself, with the adjustment "none". Refusals, one-sided bounds and
    other comparisons without a p stay as they are and do not count.
    """
    if len(comparisons) < 2:
        return {name: tuple(found) for name, found in comparisons.items()}
    given = {name: value for name, value in (measured or {}).items() if isinstance(value, BinValues)}
    alone = {
        (name, k): p
        for name, found in comparisons.items()
        for k, one in enumerate(found)
        if isinstance(one, Comparison) and (p := _p_alone(one, given.get(name))) is not None
    }
    if not alone:
        return {name: tuple(found) for name, found in comparisons.items()}
    adjusted = dict(zip(alone, holm(np.array(list(alone.values()), dtype=float)).tolist(), strict=True))
    count = len(alone)
    return {
        name: tuple(
            _adjusted(one, given.get(name), adjusted[name, k], count)
            if isinstance(one, Comparison) and (name, k) in adjusted
            else one
            for k, one in enumerate(found)
        )
        for name, found in comparisons.items()
    }


def _p_alone(one: Comparison, values: BinValues | None) -> float | None:
    """The p of a comparison by itself; None where it has none to adjust."""
    drawn = None if values is None else drawn_alone(values, one, [one.interval.level])
    if drawn is not None:
        return drawn[0]
    if one.kind == "superiority":
        return one.rerandomisation_p
    if one.kind == "level" or not (one.std_error and one.df):
        return None
    estimate, std_error, df = (np.array(number) for number in _effect(one))
    return float(p_alone(estimate, std_error, df))


def _effect(one: Comparison) -> tuple[float, float, float]:
    effect = math.log(one.estimate) if one.kind == "ratio" else one.estimate
    return effect, float(one.std_error or math.nan), float(one.df or math.nan)


def _adjusted(one: Comparison, values: BinValues | None, p: float, count: int) -> Comparison:
    level, inner = one.interval.level, margin_level(one.interval.level)
    label: Adjustment = "holm" if count > 1 else "none"
    told = f"; {{}} over {count} secondary comparisons" if count > 1 else ""
    if one.kind == "superiority":
        return replace(
            one,
            p=p,
            interval=replace(one.interval, adjustment=label),
            margin_interval=replace(one.margin_interval, adjustment=label),
            method=one.method + told.format("p by Holm"),
        )
    shared = one.method + told.format("p by Holm and interval by Bonferroni")
    levels = [1.0 - (1.0 - confidence) / count for confidence in (level, inner)]
    drawn = None if values is None else drawn_alone(values, one, levels)
    if drawn is not None:
        whole, margin = (
            replace(interval, level=confidence, adjustment=label)
            for interval, confidence in zip(drawn[1], (level, inner), strict=True)
        )
        return replace(one, p=p, interval=whole, margin_interval=margin, method=shared)
    estimate, std_error, df = _effect(one)
    half, inner_half = (
        float(critical_t((1.0 - confidence) / count, np.array(df))) * std_error for confidence in (level, inner)
    )
    return replace(
        one,
        p=p,
        interval=shown_interval(estimate, half, one.outcome.scale, level, label),
        margin_interval=shown_interval(estimate, inner_half, one.outcome.scale, inner, label),
        method=shared,
    )
