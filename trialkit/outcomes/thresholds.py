"""Days to a threshold: the visits between which a bin passed a named share of its start or of what it can lose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.errors import DesignError
from trialkit.outcomes.courses import Course, Floats, courses_of, join_words, name_bins
from trialkit.outcomes.decay import default_quantity, fit_curve, parameters
from trialkit.outcomes.family import Measure, Measured, NoValueError, Settings, choice_setting, entry, number_setting
from trialkit.outcomes.quantities import BY_DEFAULT, QUANTITIES, WORDS, Quantity, series
from trialkit.outcomes.watched import Watch, say_censored, say_flips, say_schedules, value_of
from trialkit.records import Trial

NAME = "days_to_threshold"
UNNAMED = (
    "its threshold named, for half of the start and half of what a bin can lose are weeks apart: "
    f"[outcome.{NAME}] percent_of_start = 50, or percent_of_achievable = 50"
)


@dataclass(frozen=True)
class _Threshold:
    """``percent`` of the start that is left, or of the achievable change that is done."""

    percent: float
    achievable: bool

    def words(self, quantity: Quantity) -> str:
        if self.achievable:
            way = "rise" if quantity.rises else "loss"
            return f"{self.percent:g} % of the achievable {way} of {quantity.name}, from a bin's start to its end level"
        return f"{self.percent:g} % of the bin's starting {quantity.name}"


def _threshold(settings: Settings) -> _Threshold | None:
    of_start = number_setting(settings, NAME, "percent_of_start", None, above=0.0)
    of_achievable = number_setting(settings, NAME, "percent_of_achievable", None, above=0.0)
    if of_start is not None and of_achievable is not None:
        raise DesignError(f"[outcome.{NAME}]: found percent_of_start and percent_of_achievable; expected one of them.")
    percent = of_start if of_start is not None else of_achievable
    if percent is None:
        return None
    if not percent < 100.0:
        key = "percent_of_start" if of_start is not None else "percent_of_achievable"
        raise DesignError(f'[outcome.{NAME}] {key}: found "{percent:g}"; expected a number above 0 and below 100.')
    return _Threshold(percent, of_achievable is not None)


def measure_days_to_threshold(trial: Trial, settings: Settings) -> Measured | str:
    """The window of days in which every bin passed the threshold; bins that never did are kept as longer."""
    threshold = _threshold(settings)
    if threshold is None:
        return f"{NAME} needs {UNNAMED}."
    courses = courses_of(trial)
    declared = choice_setting(settings, NAME, "from", WORDS)
    quantity = QUANTITIES[declared or default_quantity(courses, None)]
    if not any(series(course, quantity)[0].size for course in courses):
        return f"{NAME} is to come from {quantity.name}, which no reading holds."
    if quantity.rises and not threshold.achievable:
        return (
            f"{quantity.name} starts at nothing and rises, so a percent of its start is no threshold. "
            "Name percent_of_achievable, or take another quantity."
        )
    end = _end_level(trial) if threshold.achievable else None
    watches, without = [], []
    for course in courses:
        watch = _watch(course, quantity, threshold, end)
        watches.append(watch)
        if watch.reason is not None and threshold.achievable and series(course, quantity)[0].size:
            without.append((course.bin.bin, watch.reason))
    if without:
        return (
            f"What a bin can lose is not known of {name_bins([name for name, _ in without])} ({without[0][1]}). "
            "Leaving out bins because they were slow would make their treatment look fast. Read longer, or name "
            "percent_of_start."
        )
    what = f"at {threshold.words(quantity)}"
    values = tuple(value_of(watch, what) for watch in watches)
    notes = [f"The threshold is {threshold.words(quantity)}."]
    if declared is None:
        notes.append(f"It is taken from {quantity.name} by default; the trial file can name another.")
    notes += say_flips(watches, what) + say_censored(values, what) + say_schedules(watches)
    key = "percent_of_achievable" if threshold.achievable else "percent_of_start"
    return Measured(values, {"from": quantity.name, key: threshold.percent}, tuple(notes))


def _end_level(trial: Trial) -> float | None:
    """The one end level of all bins that the plan may fix for the decay rate; None where every bin has its own."""
    table = trial.plan.outcome_settings.get("decay_rate", {})
    if table.get("end_level", "own") == "own":
        return None
    return number_setting(table, "decay_rate", "end_level", None)


def _watch(course: Course, quantity: Quantity, threshold: _Threshold, end: float | None) -> Watch:
    days, levels, read, added = series(course, quantity)
    visits = [-1, *read] if added else list(read)
    try:
        start, target = _levels(days, levels, quantity, threshold, end)
    except NoValueError as error:
        return Watch(course, days, np.full(days.size, np.nan), visits, str(error))
    seen = (levels >= target) if quantity.rises else (levels <= target)
    return Watch(course, days, seen.astype(float), visits, None, {"start_level": start, "threshold_level": target})


def _levels(
    days: Floats, levels: Floats, quantity: Quantity, threshold: _Threshold, end: float | None
) -> tuple[float, float]:
    """The bin's start level and its threshold. Raises NoValueError where they cannot be had."""
    if not days.size:
        raise NoValueError(f"no {quantity.name} at any visit")
    if threshold.achievable:
        if days.size <= parameters(quantity, end):
            raise NoValueError(f"{quantity.name} at {days.size} visits; a curve needs {parameters(quantity, end) + 1}")
        if np.ptp(levels) == 0.0:
            raise NoValueError(f"{quantity.name} is the same at every visit")
        fit = fit_curve(days, levels, quantity, end)
        return fit.start, fit.start + threshold.percent / 100.0 * (fit.end - fit.start)
    if days[0] > 0.0:
        raise NoValueError(f"no {quantity.name} on day 0 and none in the bins file, so its start is not known")
    start = float(levels[days == 0.0].mean())
    return start, threshold.percent / 100.0 * start


def _lacks(trial: Trial) -> str | None:
    if not {"percent_of_start", "percent_of_achievable"} & set(trial.plan.outcome_settings.get(NAME, {})):
        return UNNAMED
    courses = courses_of(trial)
    if any(sum(series(course, q)[0].size > 1 for course in courses) >= 2 for q in QUANTITIES.values()):
        return None
    return (
        f"{join_words(BY_DEFAULT, 'or')} at two visits or more in at least two bins, which these readings do not hold"
    )


THRESHOLD = (
    Measure(
        entry(
            NAME,
            "days to the threshold",
            "days",
            measures="time until a bin has settled, lost or respired a named share",
            applies="the quantity at the start and at visits that go on until most bins have passed the threshold",
            cannot_tell="A threshold passed is not finished compost, and another threshold may rank treatments "
            "otherwise where their end levels differ.",
        ),
        _lacks,
        measure_days_to_threshold,
    ),
)
