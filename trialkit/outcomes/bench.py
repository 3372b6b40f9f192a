"""The bench itself: which outcomes a trial allows, and one value a bin for one of them.

Treatments are carried along and never looked at: a bin's value depends on its own readings and on the day alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from trialkit.errors import DesignError, nearest_name
from trialkit.outcome_names import OUTCOMES, SETTINGS
from trialkit.outcomes.catalogue import MEASURES
from trialkit.outcomes.courses import name_bins
from trialkit.records import BinValue, BinValues, Outcome, Refusal, Trial

LEAST_BINS = 2


def bin_values(trial: Trial, outcome: str) -> BinValues | Refusal:
    """One value a bin, in the order of the trial's bins; a bin without one says why.

    A Refusal (stage "outcomes") where the files lack what the outcome needs, where there is no day to compare on, or
    where fewer than two bins have a value; then it carries the values. Raises DesignError for a name that is no
    outcome and for settings of the trial file that the outcome does not know or cannot use.
    """
    if outcome not in OUTCOMES:
        near = nearest_name(outcome, OUTCOMES)
        hint = f'Nearest is "{near}".' if near else f"Outcomes are {', '.join(OUTCOMES)}."
        raise DesignError(f'"{outcome}" is not an outcome. {hint}')
    settings = trial.plan.outcome_settings.get(outcome, {})
    _check_settings(outcome, settings)
    measure = MEASURES.get(outcome)
    if measure is None:
        return Refusal("outcomes", (f"This version does not work out {outcome}.",), outcome)
    lacks = measure.lacks(trial)
    if lacks is not None:
        return Refusal("outcomes", (f"{outcome} needs {lacks}.",), outcome)
    measured = measure.measure(trial, settings)
    if isinstance(measured, str):
        return Refusal("outcomes", (measured,), outcome)
    checked = tuple(_fit_for_scale(value, measure.outcome) for value in measured.values)
    values = BinValues(
        measure.outcome, trial.plan.role_of(outcome), trial.plan, checked, measured.settings, measured.notes
    )
    valued = [value for value in checked if value.value is not None or value.censored]
    if len(valued) >= LEAST_BINS:
        return values
    count = "No bin has" if not valued else f"Only bin {valued[0].bin} has"
    return Refusal("outcomes", (f"{count} a value of {outcome}.", *say_reasons(checked)), outcome, values=values)


def _check_settings(outcome: str, settings: Mapping[str, Any]) -> None:
    allowed = SETTINGS[outcome]
    for key in settings:
        if key not in allowed:
            near = nearest_name(key, allowed)
            hint = f'Nearest is "{near}".' if near else ""
            expected = f"expected one of {', '.join(allowed)}" if allowed else "expected none"
            raise DesignError(f'[outcome.{outcome}]: found the key "{key}"; {expected}. {hint}'.rstrip())


def _fit_for_scale(value: BinValue, outcome: Outcome) -> BinValue:
    """A number that the scale of analysis cannot carry becomes a reason."""
    if value.value is None:
        return value
    if not math.isfinite(value.value):
        return replace(value, value=None, reason="the readings give no finite number")
    if outcome.scale == "log" and value.value <= 0.0:
        reason = f"{outcome.name} is {value.value:g}, and a ratio needs values above 0"
        return replace(value, value=None, low=None, high=None, reason=reason)
    return value


def say_reasons(values: Sequence[BinValue]) -> tuple[str, ...]:
    """Why bins have no value, one sentence a reason, bins of the same reason together."""
    bins: dict[str, list[str]] = {}
    for value in values:
        if value.reason is not None:
            bins.setdefault(value.reason, []).append(value.bin)
    everyone = f"All {len(values)} bins"
    return tuple(
        f"{everyone if len(names) == len(values) > 2 else name_bins(names)}: {reason}."
        for reason, names in bins.items()
    )


def available_outcomes(trial: Trial) -> tuple[str, ...]:
    """The outcomes to work out, in order.

    Of a declared plan: its primary outcome, the secondary ones, those of its claims, and those with a table of
    settings, whether or not the readings allow them: what was planned and not measured is refused aloud. Where no plan
    names any, all that the readings allow, in the order of the catalogue.
    """
    plan = trial.plan
    if plan.declared:
        named = [plan.primary, *plan.secondary, *(claim.outcome for claim in plan.claims), *plan.outcome_settings]
        planned = tuple(dict.fromkeys(name for name in named if name is not None and name in OUTCOMES))
        if planned:
            return planned
    return tuple(name for name, measure in MEASURES.items() if measure.lacks(trial) is None)
