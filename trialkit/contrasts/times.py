"""Comparisons of times known only between visits, some of them from one side only: one rule a comparison."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from trialkit.contrasts.shown import margin_level
from trialkit.numerics.censored_level import censored_level
from trialkit.numerics.censored_times import CensoredTimes
from trialkit.numerics.time_windows import TimeWindows, is_watched, time_windows
from trialkit.numerics.turnbull import fit_turnbull
from trialkit.records import Adjustment, BinValues, Comparison, FinishCurve, Fit, Interval, Refusal

Pair = tuple[str, str]
METHODS = {
    1: "t interval on the logs of window midpoints",
    2: "draws from the interval-censored model",
    4: "exact one-sided bound",
}


def compare_times(fit: Fit, pairs: Sequence[Pair]) -> tuple[Comparison | Refusal, ...]:
    """One comparison a pair, "treatment ÷ against", by the rule its finished bins allow.

    Intervals by draws hold together over all treatments against one; where pairs have several treatments as their
    second, the levels of those groups are shared out by Bonferroni. One-sided bounds carry their own confidence as
    ``level_attained``, and their estimate repeats the bound. A pair with too few finished bins is a Refusal with the
    counts in words.
    """
    windows, plan = time_windows(fit.values), fit.values.plan
    known = [pair for pair in pairs if set(pair) <= set(windows.treatments)]
    groups = max(len({against for _, against in known}), 1)
    joint: dict[tuple[str, float], CensoredTimes] = {}
    made: list[Comparison | Refusal] = []
    for pair in pairs:
        if pair not in known:
            made.append(_refused(fit, pair, fit.refused.get(pair, "One of the two has no bins with a time.")))
            continue
        for level in (plan.level, margin_level(plan.level)):
            shared = 1.0 - (1.0 - level) / groups
            joint.setdefault((pair[1], level), windows.against(pair[1], shared))
        made.append(_compared(fit, windows, pair, joint, groups))
    return tuple(made)


def _compared(
    fit: Fit, windows: TimeWindows, pair: Pair, joint: dict[tuple[str, float], CensoredTimes], groups: int
) -> Comparison | Refusal:
    plan = fit.values.plan
    treatment, against = pair
    inner = margin_level(plan.level)
    place = [name for name in windows.treatments if name != against].index(treatment)
    outer_answer = joint[against, plan.level]
    rule = int(_at(outer_answer.rule, place))
    if rule not in METHODS:
        reasons = [reason for reason in outer_answer.reasons if treatment in reason and against in reason]
        return _refused(fit, pair, *(reasons or outer_answer.reasons))
    adjustment = _adjustment(outer_answer, groups)
    intervals = [_interval(joint[against, level], place, level, adjustment) for level in (plan.level, inner)]
    several = len(windows.treatments) > 2
    apart = [windows.against(against, level, only=(against, treatment)) for level in (plan.level, inner)]
    alone = [
        _interval(answer, 0, level, "none") if several and int(_at(answer.rule, 0)) in METHODS else whole
        for answer, level, whole in zip(apart, (plan.level, inner), intervals, strict=True)
    ]
    bound = next((end for end in (intervals[0].low, intervals[0].high) if end is not None), math.nan)
    df = float(_at(outer_answer.df, place))
    return Comparison(
        outcome=fit.values.outcome,
        plan=plan,
        treatment=treatment,
        against=against,
        kind="ratio",
        estimate=bound if rule == 4 else float(_at(outer_answer.ratio, place)),
        interval=intervals[0],
        margin_interval=intervals[1],
        alone=alone[0],
        margin_alone=alone[1],
        std_error=None if rule == 4 else float(_at(outer_answer.std_error, place)),
        df=None if math.isnan(df) else df,
        p=_p(outer_answer, place, groups),
        bins=(
            int((windows.treatment == windows.treatments.index(treatment)).sum()),
            int((windows.treatment == windows.treatments.index(against)).sum()),
        ),
        role=fit.values.role,
        method=METHODS[rule],
        level_attained=float(_at(outer_answer.level_attained, place)) if rule == 4 else None,
    )


def drawn_alone(values: BinValues, one: Comparison, levels: Sequence[float]) -> tuple[float, list[Interval]] | None:
    """Of a comparison by draws: p of equal times and intervals at ``levels``, from the bins of its two treatments
    alone. None for comparisons made otherwise.
    """
    if one.method != METHODS[2] or one.against is None:
        return None
    pair = (one.against, one.treatment)
    answers = [time_windows(values).against(one.against, level, only=pair) for level in levels]
    if int(_at(answers[0].rule, 0)) not in (1, 2):
        return None
    return _at(answers[0].p, 0), [
        _interval(answer, 0, level, "none") for answer, level in zip(answers, levels, strict=True)
    ]


def _p(answer: CensoredTimes, place: int, groups: int) -> float | None:
    """p with the adjustment of the interval; None for a bound."""
    p = _at(answer.p_together, place)
    return None if math.isnan(p) else min(groups * p, 1.0)


def _at(values: object, place: int) -> float:
    return float(np.atleast_1d(np.asarray(values, dtype=float))[place])


def _adjustment(answer: CensoredTimes, groups: int) -> Adjustment:
    if groups > 1:
        return "bonferroni"
    drawn_together = np.isin(np.atleast_1d(np.asarray(answer.rule)), (1, 2)).sum()
    return "multivariate t" if drawn_together > 1 else "none"


def _interval(answer: CensoredTimes, place: int, level: float, adjustment: Adjustment) -> Interval:
    low, high = _at(answer.low, place), _at(answer.high, place)
    if int(_at(answer.rule, place)) == 4:
        return Interval(
            None if low == 0.0 else low,
            None if math.isinf(high) else high,
            _at(answer.level_attained, place),
        )
    return Interval(low, high, level, adjustment)


def _refused(fit: Fit, pair: Pair, *reasons: str) -> Refusal:
    return Refusal("contrasts", tuple(reasons), fit.values.outcome.name, pair[0], pair[1], fit.values)


def level_of_times(values: BinValues, treatment: str) -> Comparison | Refusal:
    """The median time of one treatment by itself, from all its bins, finished or not; blocks stay in."""
    windows, outcome, plan = time_windows(values), values.outcome, values.plan
    here = windows.treatment == (windows.treatments.index(treatment) if treatment in windows.treatments else -1)
    count = int(here.sum())
    if count < 2:
        said = "no bin" if count == 0 else "one bin"
        reason = f"{treatment} has {said} with a time; two or more are needed for a range."
        return Refusal("contrasts", (reason,), outcome.name, treatment, None, values)
    low, high = windows.low[here], windows.high[here]
    found, narrow = (censored_level(low, high, level=level) for level in (plan.level, margin_level(plan.level)))
    if found.rule == 3:
        return Refusal("contrasts", found.reasons, outcome.name, treatment, None, values)
    whole, inner = (
        Interval(
            answer.low if answer.low > 0.0 else None,
            None if math.isinf(answer.high) else answer.high,
            answer.level_attained,
        )
        for answer in (found, narrow)
    )
    bounded = found.rule == 4
    estimate = found.low if math.isinf(found.high) else math.sqrt(found.low * found.high) if bounded else found.time
    spread = censored_level(low, high, level=0.6827)
    return Comparison(
        outcome=outcome,
        plan=plan,
        treatment=treatment,
        against=None,
        kind="level",
        estimate=estimate,
        interval=whole,
        margin_interval=inner,
        alone=whole,
        margin_alone=inner,
        std_error=None if bounded else 0.5 * math.log(spread.high / spread.low),
        df=None if math.isnan(found.df) else found.df,
        p=None,
        bins=(count, 0),
        role=values.role,
        method=METHODS[found.rule] + ", one treatment by itself",
        level_attained=found.level_attained if bounded else None,
    )


def levels_of(values: BinValues | Refusal) -> tuple[Comparison | Refusal, ...]:
    """The median time of every treatment that has bins; empty for outcomes that are not times between visits."""
    if isinstance(values, Refusal) or not is_watched(values):
        return ()
    return tuple(level_of_times(values, name) for name in time_windows(values).treatments)


def finish_curves(values: BinValues | Refusal) -> tuple[FinishCurve, ...]:
    """Turnbull's curve of every treatment that has bins; empty for outcomes that are not times between visits."""
    if isinstance(values, Refusal) or not is_watched(values):
        return ()
    windows = time_windows(values)
    curves = []
    for code, name in enumerate(windows.treatments):
        here = (windows.treatment == code) & (windows.low < windows.high)
        if not here.any():
            continue
        found = fit_turnbull(windows.low[here], windows.high[here])
        curves.append(
            FinishCurve(
                name,
                int(here.sum()),
                tuple(found.start.tolist()),
                tuple(None if math.isinf(end) else float(end) for end in found.end),
                tuple(found.mass.tolist()),
            )
        )
    return tuple(curves)
