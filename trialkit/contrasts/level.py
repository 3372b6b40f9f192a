"""One treatment by itself, for a claim that names a number ("within 60 days")."""

from __future__ import annotations

import numpy as np

from trialkit.contrasts.families import critical_t
from trialkit.contrasts.shown import comparison_of, margin_level, shown, shown_interval
from trialkit.contrasts.times import level_of_times
from trialkit.errors import DesignError, nearest_name
from trialkit.numerics.time_windows import is_watched
from trialkit.records import BinValues, Comparison, Refusal


def compare_level(values: BinValues, treatment: str) -> Comparison | Refusal:
    """Mean of the treatment's own bins (geometric on the log scale) with a one-sample t interval, n − 1 df.

    Blocks stay in: the claim speaks of bins anywhere, so what blocks differ by belongs to its uncertainty. No other
    comparison shares the interval, and it is not adjusted. A Refusal with fewer than two bins, or with bins that do
    not differ at all; times known between visits go by ``contrasts.times``. DesignError for a name that is no
    treatment.
    """
    names = tuple(dict.fromkeys(value.treatment for value in values.values))
    if treatment not in names:
        near = nearest_name(treatment, names)
        hint = f' Nearest is "{near}".' if near else ""
        raise DesignError(f'found the treatment "{treatment}"; expected one of {", ".join(names)}.{hint}')
    if is_watched(values):
        return level_of_times(values, treatment)
    outcome, plan = values.outcome, values.plan
    raw = np.array([float(v.value) for v in values.values if v.treatment == treatment and v.value is not None])
    reason = None
    if raw.size < 2:
        count = "no bin" if raw.size == 0 else "one bin"
        reason = f"{treatment} has {count} with a value of {outcome.label}; two or more are needed for an interval."
    elif not np.all(np.isfinite(raw)) or (outcome.scale == "log" and np.any(raw <= 0.0)):
        reason = f"{outcome.label} of {treatment} has values that have no logarithm; found {raw.min():g}."
    elif np.ptp(raw) == 0.0:
        reason = f"The bins of {treatment} all have exactly the same {outcome.label}, so no spread shows."
    if reason is not None:
        return Refusal("contrasts", (reason,), outcome.name, treatment, None, values)
    y = np.log(raw) if outcome.scale == "log" else raw
    mean, std_error, df = float(y.mean()), float(y.std(ddof=1) / np.sqrt(y.size)), float(y.size - 1)
    inner = margin_level(plan.level)
    interval, margin = (
        shown_interval(mean, float(critical_t(1.0 - level, np.array(df))) * std_error, outcome.scale, level)
        for level in (plan.level, inner)
    )
    return comparison_of(
        values,
        (treatment, None),
        kind="level",
        estimate=float(shown(mean, outcome.scale) or 0.0),
        intervals=(interval, margin),
        std_error=std_error,
        df=df,
        bins=(int(y.size), 0),
        method="mean of the treatment's own bins",
    )
