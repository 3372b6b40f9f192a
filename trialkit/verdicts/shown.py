"""What a trial that cannot tell could have shown, and how many bins would settle it."""

from __future__ import annotations

import math

from trialkit.numerics.power import bins_needed, shown_by_this_trial
from trialkit.records import Claim, Comparison, CouldShow, Interval

CHANCE = 0.8  # common practice in planning trials


def could_show(comparison: Comparison, claim: Claim, interval: Interval) -> CouldShow | None:
    """For a claim on two treatments, from the comparison's own standard error and df; None where there are none.

    ``effect`` and ``supporting`` are counted as the claim is (more is as claimed). ``bins_each`` would leave the
    claimed size out of the interval with chance ``CHANCE`` if the truth were exactly what was estimated, with the same
    spread between bins; None where the estimate is so close to the size that 100,000 bins would not do.
    """
    if comparison.against is None or not comparison.std_error or not comparison.df:
        return None
    ratio = comparison.kind == "ratio"
    turn = -1.0 if comparison.outcome.better < 0 else 1.0
    estimate = turn * (math.log(comparison.estimate) if ratio else comparison.estimate)
    size = math.log(claim.amount) if ratio else claim.amount
    half_width = _half_width(interval, ratio)
    if half_width is None or estimate == size:
        return None
    critical = half_width / comparison.std_error
    shown = shown_by_this_trial(
        comparison.std_error, comparison.df, level=interval.level, critical=critical, claimed=size, chance=CHANCE
    )
    n, m = comparison.bins
    each = 2.0 * n * m / (n + m)  # of two bins sets of this size the difference has the same standard error
    treatments = max(len(comparison.plan.treatments), 2)
    needed = bins_needed(
        size - estimate,
        comparison.std_error * math.sqrt(each / 2.0),
        level=interval.level,
        chance=CHANCE,
        treatments=treatments,
        blocks=comparison.plan.layout.kind == "blocks",
        comparisons=1 if interval.adjustment == "none" else treatments - 1,
    )
    effect, supporting = shown.difference, float(shown.supporting or 0.0)
    return CouldShow(
        effect=math.exp(effect) if ratio else effect,
        supporting=math.exp(supporting) if ratio else supporting,
        bins_each=needed,
        chance=CHANCE,
    )


def _half_width(interval: Interval, ratio: bool) -> float | None:
    if interval.low is None or interval.high is None or (ratio and interval.low <= 0.0):
        return None
    low, high = (math.log(interval.low), math.log(interval.high)) if ratio else (interval.low, interval.high)
    return 0.5 * (high - low)
