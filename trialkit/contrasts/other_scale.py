"""Ratios from a fit on the outcome's own scale: what logarithms are compared with in the check of the scale."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from trialkit.contrasts.families import critical_t, families_of, pairs_asked
from trialkit.contrasts.shown import comparison_of, margin_level
from trialkit.records import Adjustment, Comparison, Fit, Interval, Outcome, Refusal


def compare_ratios(fit: Fit | Refusal, outcome: Outcome) -> tuple[Comparison | Refusal, ...]:
    """Every comparison the plan asks for as a ratio of means, with Fieller's interval (1954, JRSS B 16:175).

    fit: of the same values without logarithms; outcome: the record they are shown under. Critical values are those of
    the family of differences. An end is None where the interval is open (the mean below the line may be zero). A
    Refusal where a mean is not above zero.
    """
    if isinstance(fit, Refusal):
        return (fit,)
    plan = fit.values.plan
    position = {name: i for i, name in enumerate(fit.treatments)}
    made: list[Comparison | Refusal] = []
    for family in families_of(fit, pairs_asked(fit), with_p=False):
        level, inner = plan.level, margin_level(plan.level)
        critical, inner_critical = family.critical(level), family.critical(inner)
        single, inner_single = critical_t(1.0 - level, family.df), critical_t(1.0 - inner, family.df)
        for k, (treatment, against) in enumerate(family.pairs):
            i, j = position[treatment], position[against]
            above, below = float(fit.means[i]), float(fit.means[j])
            own, base = float(fit.mean_std_error[i]) ** 2, float(fit.mean_std_error[j]) ** 2
            shared = 0.5 * (own + base - float(family.std_error[k]) ** 2)
            if not (above > 0.0 and below > 0.0 and math.isfinite(shared)):
                reason = f"{treatment} and {against} have no ratio of means above zero."
                made.append(Refusal("contrasts", (reason,), outcome.name, treatment, against, fit.values))
                continue

            def interval(q: float, at: float, adjustment: Adjustment) -> Interval:
                return Interval(*_fieller(above, below, own, base, shared, q), at, adjustment)  # noqa: B023

            made.append(
                comparison_of(
                    replace(fit.values, outcome=outcome),
                    (treatment, against),
                    kind="ratio",
                    estimate=above / below,
                    intervals=(
                        interval(float(critical[k]), level, family.adjustment),
                        interval(float(inner_critical[k]), inner, family.adjustment),
                    ),
                    alone=(interval(float(single[k]), level, "none"), interval(float(inner_single[k]), inner, "none")),
                    df=float(family.df[k]),
                    bins=(int(fit.counts[i, j]), int(fit.counts[j, i])),
                    method=f"{fit.method}, {fit.df_method}; ratio of means",
                )
            )
    return tuple(made)


def _fieller(
    above: float, below: float, own: float, base: float, shared: float, q: float
) -> tuple[float | None, float | None]:
    """All r with (above − r·below)² ≤ q²(own − 2r·shared + r²·base)."""
    square = below**2 - q**2 * base
    middle = above * below - q**2 * shared
    inside = middle**2 - (above**2 - q**2 * own) * square
    if square <= 0.0 or inside < 0.0:
        return None, None
    half = float(np.sqrt(inside))
    return (middle - half) / square, (middle + half) / square
