"""Comparisons of treatments from a fit, with intervals that hold together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from trialkit.contrasts.families import Family, Pair, critical_t, families_of, pairs_asked
from trialkit.contrasts.scores import compare_scores
from trialkit.contrasts.shown import comparison_of, margin_level, shown, shown_interval
from trialkit.contrasts.times import compare_times
from trialkit.errors import DesignError, nearest_name
from trialkit.numerics.turning import inverted
from trialkit.records import Comparison, Fit, Refusal


def compare(fit: Fit | Refusal) -> tuple[Comparison | Refusal, ...]:
    """Every comparison the plan asks for on this outcome.

    Each treatment against the control, or all pairs (later minus earlier) where the plan says so; then the pairs of
    declared claims on this outcome that are not among them. All intervals hold together at the plan's level. A pair
    these bins cannot estimate comes back as a ``Refusal`` in its place and leaves the family; a refused fit comes back
    as it is.
    """
    if isinstance(fit, Refusal):
        return (fit,)
    return _compared(fit, pairs_asked(fit))


def compare_again(fit: Fit | Refusal) -> tuple[Comparison | Refusal, ...]:
    """As ``compare``, without p-values (None), which take longest: for an answer worked out many times over."""
    if isinstance(fit, Refusal):
        return (fit,)
    return _compared(fit, pairs_asked(fit), with_p=False)


def compare_pair(fit: Fit | Refusal, treatment: str, against: str) -> Comparison | Refusal:
    """One pair, "treatment ÷ against", in either order.

    A pair of the family carries the family's interval. Any other pair is added to the family first, so its interval
    holds together with those that ``compare`` shows (theirs would be wider beside it). DesignError for a name that is
    no treatment of the fit, or for a treatment against itself.
    """
    if isinstance(fit, Refusal):
        return replace(fit, treatment=treatment, against=against)
    for name in (treatment, against):
        if name not in fit.treatments:
            near = nearest_name(name, fit.treatments)
            hint = f' Nearest is "{near}".' if near else ""
            raise DesignError(f'found the treatment "{name}"; expected one of {", ".join(fit.treatments)}.{hint}')
    if treatment == against:
        raise DesignError(f'found "{treatment}" compared with itself; name two treatments.')
    pairs = pairs_asked(fit)
    if (treatment, against) in pairs:
        return _compared(fit, pairs)[pairs.index((treatment, against))]
    if (against, treatment) in pairs:
        found = _compared(fit, pairs)[pairs.index((against, treatment))]
        if isinstance(found, Refusal):
            return replace(found, treatment=treatment, against=against)
        return inverted(found)
    return _compared(fit, (*pairs, (treatment, against)))[-1]


def _compared(fit: Fit, pairs: tuple[Pair, ...], *, with_p: bool = True) -> tuple[Comparison | Refusal, ...]:
    if fit.method == "draws":
        return compare_times(fit, pairs)
    if fit.method == "permutation":
        return compare_scores(fit, pairs, with_p=with_p)
    position = {name: i for i, name in enumerate(fit.treatments)}
    known: dict[Pair, Comparison | Refusal] = {}
    for family in families_of(fit, pairs, with_p=with_p):
        places = [(position[a], position[b]) for a, b in family.pairs]
        bins = [(int(fit.counts[i, j]), int(fit.counts[j, i])) for i, j in places]
        methods = [f"{fit.method}, {_judged_by(fit, pair)}" for pair in family.pairs]
        known.update(zip(family.pairs, comparisons_of(fit, family, bins, methods), strict=True))
    return tuple(known.get(pair) or _refused(fit, pair) for pair in pairs)


def _judged_by(fit: Fit, pair: Pair) -> str:
    stratum = fit.strata.get(pair)
    return fit.df_method if stratum is None else "whole plots taken out" if stratum == "bins" else stratum


def comparisons_of(
    fit: Fit, family: Family, bins: Sequence[tuple[int, int]], methods: Sequence[str]
) -> list[Comparison | Refusal]:
    """The records of a family's comparisons, on the scale shown."""
    outcome, plan = fit.values.outcome, fit.values.plan
    level, inner = plan.level, margin_level(plan.level)
    critical, inner_critical = family.critical(level), family.critical(inner)
    single, inner_single = critical_t(1.0 - level, family.df), critical_t(1.0 - inner, family.df)
    made: list[Comparison | Refusal] = []
    for k, (treatment, against) in enumerate(family.pairs):
        effect, std_error = float(family.estimate[k]), float(family.std_error[k])
        estimate = shown(effect, outcome.scale)
        if estimate is None:
            made.append(_refused(fit, (treatment, against), "Their ratio is too large to be written as a number."))
            continue
        halves = [critical[k], inner_critical[k], single[k], inner_single[k]]
        levels, adjustments = (level, inner, level, inner), (family.adjustment,) * 2 + ("none",) * 2
        own, margin, alone, margin_alone = (
            shown_interval(effect, half * std_error, outcome.scale, at, adjustment)
            for half, at, adjustment in zip(halves, levels, adjustments, strict=True)
        )
        made.append(
            comparison_of(
                fit.values,
                (treatment, against),
                estimate=estimate,
                intervals=(own, margin),
                alone=(alone, margin_alone),
                std_error=std_error,
                df=float(family.df[k]),
                p=float(family.p[k]) if math.isfinite(family.p[k]) else None,
                bins=bins[k],
                method=methods[k],
            )
        )
    return made


def _refused(fit: Fit, pair: Pair, reason: str | None = None) -> Refusal:
    default = f"These bins cannot estimate how {pair[0]} differs from {pair[1]}."
    return Refusal(
        stage="contrasts",
        reasons=(reason or fit.refused.get(pair, default),),
        outcome=fit.values.outcome.name,
        treatment=pair[0],
        against=pair[1],
        values=fit.values,
    )
