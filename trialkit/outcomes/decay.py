"""The decay rate: k of a one-pool curve fitted to every bin alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import binom

from trialkit.numerics.curve_days import NEARLY_DONE, SOFTENED, named_days
from trialkit.numerics.decay import DecayFit, fit_decay
from trialkit.outcomes.courses import Course, Floats, courses_of, join_words, name_bins
from trialkit.outcomes.family import Measure, Measured, NoValueError, Settings, choice_setting, entry, number_setting
from trialkit.outcomes.quantities import BY_DEFAULT, QUANTITIES, WORDS, Quantity, series
from trialkit.records import BinValue, Trial

LIMIT_LEVEL = 0.95
PATTERN_P = (
    0.05  # a bin counts as misfitting below this p; the note appears where chance gives so many in ≤ 5 % of trials
)
PATTERN_CHANCE = 0.05


def parameters(quantity: Quantity, end: float | None) -> int:
    return 1 + (not quantity.rises) + (end is None)


def _bins_with_enough(courses: Sequence[Course], quantity: Quantity, end: float | None) -> int:
    return sum(series(course, quantity)[0].size > parameters(quantity, end) for course in courses)


def _lacks(trial: Trial) -> str | None:
    courses = courses_of(trial)
    if any(_bins_with_enough(courses, quantity, None) >= 2 for quantity in QUANTITIES.values()):
        return None
    return (
        f"{join_words(BY_DEFAULT, 'or')} at four visits or more (three for respired_c_g_kg) in at least two bins, "
        "which these readings do not hold"
    )


def default_quantity(courses: Sequence[Course], end: float | None) -> str:
    """The first quantity that at least two bins have often enough; else the first one read at all."""
    for least in (2, 1):
        for name in BY_DEFAULT:
            if _bins_with_enough(courses, QUANTITIES[name], end) >= least:
                return name
    return next(
        (name for name in BY_DEFAULT if any(series(course, QUANTITIES[name])[0].size for course in courses)),
        BY_DEFAULT[0],
    )


def measure_decay_rate(trial: Trial, settings: Settings) -> Measured | str:
    """k of every bin, with its 95 % profile limits. The end level is the bin's own, or the one number of the plan."""
    courses = courses_of(trial)
    end = (
        None if settings.get("end_level", "own") == "own" else number_setting(settings, "decay_rate", "end_level", None)
    )
    declared = choice_setting(settings, "decay_rate", "from", WORDS)
    quantity = QUANTITIES[declared or default_quantity(courses, end)]
    if not any(series(course, quantity)[0].size for course in courses):
        return f"decay_rate is to come from {quantity.name}, which no reading holds."
    fits: dict[str, DecayFit] = {}
    values = []
    for course in courses:
        try:
            value, fit = _measure_bin(course, quantity, end)
            fits[course.bin.bin] = fit
        except NoValueError as error:
            read = series(course, quantity)[2]
            value = course.value(None, read, reason=str(error))
        values.append(value)
    notes = []
    if declared is None:
        others = [
            name for name in BY_DEFAULT if name != quantity.name and _bins_with_enough(courses, QUANTITIES[name], end)
        ]
        beside = f" before {join_words(others)}" if others else ""
        notes.append(f"k is fitted to {quantity.name}, taken by default{beside}; the trial file can name another.")
    notes += _say_starts(courses, quantity)
    notes += _say_events(courses, quantity)
    notes += _say_end_levels(fits, quantity, end)
    notes += _say_named_days(values, quantity)
    notes += say_misfit({name: fit.serial_p for name, fit in fits.items()})
    in_force = {"from": quantity.name, "end_level": "own" if end is None else end, "limit_level": LIMIT_LEVEL}
    return Measured(tuple(values), in_force, tuple(notes))


def _measure_bin(course: Course, quantity: Quantity, end: float | None) -> tuple[BinValue, DecayFit]:
    days, levels, read, _ = series(course, quantity)
    needed = parameters(quantity, end) + 1
    name = quantity.name
    if not days.size:
        raise NoValueError(f"no {name} at any visit")
    if days.size < needed:
        lost = course.bin.lost_on_day
        early = "" if lost is None else f" before it was lost on day {lost:g}"
        visits = "1 visit" if days.size == 1 else f"{days.size} visits"
        raise NoValueError(f"{name} at {visits}{early}; k needs {needed} at least")
    if np.ptp(levels) == 0.0:
        raise NoValueError(f"{name} is the same, {levels[0]:g} {quantity.unit}, at every visit")
    fit = fit_curve(days, levels, quantity, end)
    details = {
        "v_start": fit.start,
        "v_end": fit.end,
        "rss": fit.rss,
        "k_std_error": fit.rate_std_error,
        "visits": float(days.size),
        "last_day": float(days.max()),
        "half_lives_seen": float(fit.rate * days.max() / np.log(2.0)),
    }
    details |= named_days(fit.rate, fit.start, fit.end)
    if np.isfinite(fit.serial_p):
        details["serial_p"] = fit.serial_p
    return course.value(fit.rate, read, low=fit.low, high=fit.high, details=details), fit


def fit_curve(days: Floats, levels: Floats, quantity: Quantity, end: float | None) -> DecayFit:
    """The one-pool curve of one bin. Raises NoValueError where it runs the wrong way or these days cannot tell k."""
    fit = fit_decay(days, levels, start=0.0 if quantity.rises else None, end=end, level=LIMIT_LEVEL)
    _refuse_wrong_way(fit, quantity)
    _refuse_flat(fit, quantity)
    return fit


def _refuse_wrong_way(fit: DecayFit, quantity: Quantity) -> None:
    if quantity.rises and fit.end < fit.start:
        raise NoValueError(f"{quantity.name} falls where a rising curve is expected")
    if not quantity.rises and fit.end > fit.start:
        raise NoValueError(f"{quantity.name} rises where a falling curve is expected")


def _refuse_flat(fit: DecayFit, quantity: Quantity) -> None:
    """The rule: a 95 % profile limit below 0.1/T or above 10/(first gap) leaves the bin without a k."""
    if fit.identified:
        return
    way = "rise" if quantity.rises else "fall"
    if fit.low < fit.slowest and fit.high > fit.fastest:
        raise NoValueError(f"the readings of {quantity.name} scatter so much that they fit any k")
    if fit.low < fit.slowest:
        raise NoValueError(
            f"{quantity.name} has not bent enough by day {fit.days[-1]:g} to tell k from the end level: "
            f"a 95 % limit of k lies below {fit.slowest:.2g} per day"
        )
    raise NoValueError(
        f"the {way} in {quantity.name} is over too soon for these visits: "
        f"a 95 % limit of k lies above {fit.fastest:.2g} per day"
    )


def _say_starts(courses: Sequence[Course], quantity: Quantity) -> list[str]:
    added = [course.bin.bin for course in courses if series(course, quantity)[3]]
    if not added:
        return []
    return [f"The level at filling in the bins file stands as the day-0 reading of {name_bins(added)}."]


def _say_events(courses: Sequence[Course], quantity: Quantity) -> list[str]:
    fed, sampled = [], []
    for course in courses:
        after = course.days > 0.0
        if np.any(course.read("added_wet_mass_kg")[after] > 0.0):
            fed.append(course.bin.bin)
        if np.any(course.read("sample_removed_kg") > 0.0):
            sampled.append(course.bin.bin)
    notes = []
    if fed and not quantity.rises:
        notes.append(
            f"Material was added after the start to {name_bins(fed)}; their curves of {quantity.name} hold it."
        )
    if sampled and quantity.is_mass:
        notes.append(
            f"Samples were taken from {name_bins(sampled)}; their curves of {quantity.name} hold that as a fall."
        )
    return notes


def _say_end_levels(fits: dict[str, DecayFit], quantity: Quantity, end: float | None) -> list[str]:
    below = [name for name, fit in fits.items() if fit.end < 0.0]
    if end is not None or quantity.rises or not below:
        return []
    return [f"The fitted end level lies below zero in {name_bins(below)}, where no bin can go; read its k with care."]


def _say_named_days(values: Sequence[BinValue], quantity: Quantity) -> list[str]:
    """When the fitted curves pass each named threshold, from the first bin to the last: "half done" names none."""
    details = [value.details for value in values if value.value is not None]
    way = "rise" if quantity.rises else "loss"
    named = {
        "days_to_first_softening": f"{100 * SOFTENED:g} % of the achievable {way} (first softening)",
        "days_to_half_of_achievable": f"half of the achievable {way}",
        "days_to_half_of_start": f"half of the starting {quantity.name}",
        "days_to_nearly_done": f"{100 * NEARLY_DONE:g} % of the achievable {way}",
    }
    parts = []
    for key, words in named.items():
        days = [own[key] for own in details if key in own]
        if not days:
            continue
        first, last = f"{min(days):.3g}", f"{max(days):.3g}"
        when = f"on day {first}" if first == last else f"between day {first} and {last}"
        never = "" if len(days) == len(details) else f" (never in {len(details) - len(days)} of {len(details)})"
        parts.append(f"{words} {when}{never}")
    return [f"Along their fitted curves, bins pass {join_words(parts)}."] if parts else []


def say_misfit(serial_p: dict[str, float]) -> list[str]:
    """One sentence where more bins leave runs of one sign about their curve than chance would.

    A bin counts where its serial-pattern p is at most 0.05; the sentence appears where that many or more of the bins
    would count by chance in at most 5 % of trials (binomial), so that a trial whose curves are right sees it in at most
    5 %.
    """
    known = {name: p for name, p in serial_p.items() if np.isfinite(p)}
    counted = [name for name, p in known.items() if p <= PATTERN_P]
    if not counted or binom.sf(len(counted) - 1, len(known), PATTERN_P) > PATTERN_CHANCE:
        return []
    bins = "bin" if len(known) == 1 else "bins"
    return [
        f"A one-pool curve misfits in {len(counted)} of {len(known)} {bins}: readings stay on one side of it for "
        "several visits running. k is then an average over fast and slow material and depends on the days visited; "
        "read it beside a loss or a time."
    ]


DECAY = (
    Measure(
        entry(
            "decay_rate",
            "decay rate",
            "1/day",
            measures="rate k at which a bin goes from its start level to its own end level",
            applies="settling, mass or cumulative respiration read at four visits or more over at least one and a half "
            "half-lives",
            cannot_tell="A rate says nothing of how far a bin gets: a faster bin may end at a higher or a lower level.",
        ),
        _lacks,
        measure_decay_rate,
    ),
)
