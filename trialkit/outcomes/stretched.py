"""Rates from a curve with one shape more than the one-pool curve: a second look at the decay rate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.numerics.stretched_decay import fit_stretched_decay
from trialkit.outcomes.courses import Course, courses_of
from trialkit.outcomes.decay import parameters
from trialkit.outcomes.family import NoValueError
from trialkit.outcomes.quantities import QUANTITIES, Quantity, series
from trialkit.records import BinValue, BinValues, Refusal, Trial


def stretched_rates(trial: Trial, values: BinValues | Refusal) -> BinValues | Refusal:
    """The decay rate of every bin from V(t) = V∞ + (V₀ − V∞)·exp(−(k t)^c), on the readings that ``values`` came from.

    The value is ln 2 ÷ the half-time, in 1/day: the k that a one-pool curve of the same half-time would have, so that
    curves of different shape can be compared. Only bins that have a k in ``values`` are looked at; one whose readings
    cannot tell the shape has no value and says why. ``details``: shape, v_end.
    """
    if isinstance(values, Refusal):
        return values
    if values.outcome.name != "decay_rate" or values.settings.get("from") not in QUANTITIES:
        reason = f"A curve with a free shape is for decay_rate; found {values.outcome.name}."
        return Refusal("outcomes", (reason,), values.outcome.name, values=values)
    quantity = QUANTITIES[values.settings["from"]]
    end_level = values.settings.get("end_level", "own")
    end = None if end_level == "own" else float(end_level)
    known = {value.bin: value for value in values.values}
    found = []
    for course in courses_of(trial):
        value = known[course.bin.bin]
        if value.value is not None:
            try:
                value = _stretched(course, quantity, end)
            except NoValueError as error:
                value = replace(value, value=None, low=None, high=None, details={}, reason=str(error))
        found.append(value)
    return replace(values, values=tuple(found), notes=())


def _stretched(course: Course, quantity: Quantity, end: float | None) -> BinValue:
    days, levels, read, _ = series(course, quantity)
    needed = parameters(quantity, end) + 2
    if days.size < needed or np.unique(days).size < needed - 1:
        raise NoValueError(f"{quantity.name} at {days.size} visits; a free shape needs {needed}")
    fit = fit_stretched_decay(days, levels, start=0.0 if quantity.rises else None, end=end)
    if not fit.has_dip or not np.isfinite(fit.half_time) or fit.half_time <= 0.0:
        raise NoValueError(f"these readings of {quantity.name} do not tell a shape")
    details = {"shape": fit.shape, "v_start": fit.start, "v_end": fit.end, "rss": fit.rss}
    return course.value(float(np.log(2.0)) / fit.half_time, read, details=details)
