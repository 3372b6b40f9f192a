"""Days to finish: the written finish rule of the trial file, held against every visit.

``[finish] rule = "as recorded"`` takes the column ``finished`` as it stands. ``rule = "all of"`` combines conditions;
a visit is "no" as soon as one of them fails, "yes" when all hold, and says nothing while one is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from trialkit.errors import DesignError, nearest_name
from trialkit.numerics.agreement import cohen_kappa
from trialkit.outcomes.courses import Course, Floats, courses_of, ever_read, join_words, name_bins
from trialkit.outcomes.family import Measure, Measured, Settings, entry
from trialkit.outcomes.watched import Watch, say_censored, say_flips, say_schedules, value_of
from trialkit.records import Trial

NAME = "days_to_finish"
RULES = ("as recorded", "all of")
MOIST_PCT = 45.0  # common practice: a bin drier than this rests rather than being done; re-wet it and look again
COLD_C = 10.0  # a judgement: at a core this cold decay all but stands still, and no re-heating proves nothing


@dataclass(frozen=True)
class _Condition:
    """One condition: its key in the trial file, the columns it reads, and what a visit says of it."""

    key: str
    columns: tuple[str, ...]
    words: Callable[[float], str]
    holds: Callable[[Course, Mapping[str, Any]], Floats]


def _from(column: str, key: str, at_least: bool) -> Callable[[Course, Mapping[str, Any]], Floats]:
    def holds(course: Course, rule: Mapping[str, Any]) -> Floats:
        read, limit = course.read(column), float(rule[key])
        met = read >= limit if at_least else read <= limit
        return np.where(np.isfinite(read), met.astype(float), np.nan)

    return holds


def _no_reheating(course: Course, rule: Mapping[str, Any]) -> Floats:
    """Core at most so far above ambient, at a visit long enough after the last turning that is noted.

    Too soon after a turning, or before any, a cool core says nothing; a hot one says "no" at any time.
    """
    above = course.read("core_temp_c") - course.read("ambient_temp_c")
    wait = float(rule.get("days_after_turning") or 0.0)
    cool = (above <= float(rule["reheating_at_most_c"])).astype(float)
    if wait > 0.0:
        turned = np.where(course.read("turned") == 1.0, course.days, -np.inf)
        before = np.concatenate([[-np.inf], np.maximum.accumulate(turned)[:-1]]) if turned.size else turned
        tested = np.isfinite(before) & (course.days - before >= wait)
        cool = np.where((cool == 1.0) & ~tested, np.nan, cool)
    return np.where(np.isfinite(above), cool, np.nan)


CONDITIONS = {
    condition.key: condition
    for condition in (
        _Condition(
            "reheating_at_most_c",
            ("core_temp_c", "ambient_temp_c"),
            lambda x: f"core at most {x:g} °C above ambient",
            _no_reheating,
        ),
        _Condition(
            "appearance_at_least",
            ("appearance_score",),
            lambda x: f"appearance {x:g} or more",
            _from("appearance_score", "appearance_at_least", True),
        ),
        _Condition(
            "odour_at_least",
            ("odour_score",),
            lambda x: f"smell {x:g} or more",
            _from("odour_score", "odour_at_least", True),
        ),
        _Condition(
            "germination_at_least_pct",
            ("germination_pct",),
            lambda x: f"germination {x:g} % of the blank or more",
            _from("germination_pct", "germination_at_least_pct", True),
        ),
        _Condition("cn_at_most", ("cn_ratio",), lambda x: f"C:N {x:g} or less", _from("cn_ratio", "cn_at_most", False)),
        _Condition(
            "moisture_at_least_pct",
            ("moisture_pct",),
            lambda x: f"moisture {x:g} % or more",
            _from("moisture_pct", "moisture_at_least_pct", True),
        ),
        _Condition(
            "finished", ("finished",), lambda _: "the rater's yes", lambda course, _rule: course.read("finished")
        ),
    )
}


def _rule_of(trial: Trial) -> tuple[str, dict[str, Any], list[_Condition]]:
    """The rule's name, its keys that are filled, and the conditions. Raises DesignError for what is none."""
    rule = {key: value for key, value in trial.plan.finish.items() if value is not None}
    name = rule.pop("rule", RULES[0])
    if name not in RULES:
        raise DesignError(f'[finish] rule: found "{name}"; expected one of {", ".join(RULES)}.')
    known = (*CONDITIONS, "days_after_turning")
    for key, value in rule.items():
        if key not in known:
            near = nearest_name(key, known)
            hint = f' Nearest is "{near}".' if near else ""
            raise DesignError(f'[finish]: found the key "{key}"; expected one of {", ".join(known)}.{hint}')
        wrong = not isinstance(value, bool) if key == "finished" else isinstance(value, bool) or not _is_number(value)
        if wrong:
            wanted = "true or false" if key == "finished" else "a number"
            raise DesignError(f'[finish] {key}: found "{value}"; expected {wanted}.')
    chosen = [condition for key, condition in CONDITIONS.items() if rule.get(key, False) is not False]
    if name == RULES[0] and rule:
        raise DesignError(
            f'[finish]: found {join_words(list(rule))} beside rule = "as recorded"; expected rule = "all of", which '
            "combines conditions."
        )
    if name == RULES[1] and not chosen:
        raise DesignError(f'[finish] rule = "all of" names no condition; expected one or more of {", ".join(known)}.')
    return name, rule, chosen


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and bool(np.isfinite(value))


def measure_days_to_finish(trial: Trial, _settings: Settings) -> Measured | str:
    """The window of days in which every bin came to meet the finish rule; bins that never did are kept as longer."""
    name, rule, chosen = _rule_of(trial)
    conditions = chosen if name == "all of" else [CONDITIONS["finished"]]
    missing = [column for condition in conditions for column in condition.columns if not ever_read(trial, column)]
    if missing:
        return f"The finish rule needs {join_words(missing)}, which no reading holds."
    watches = [_watch(course, conditions, rule) for course in courses_of(trial)]
    values = tuple(value_of(watch, "finished") for watch in watches)
    notes = [_say_rule(name, rule, conditions)]
    notes += say_flips(watches, "finished") + say_censored(values, "finished") + say_schedules(watches)
    notes += _say_dry_or_cold(watches, [value.high for value in values])
    notes += _say_raters(trial)
    in_force = {"rule": name} | (rule if name == "all of" else {})
    return Measured(values, in_force, tuple(notes))


def _watch(course: Course, conditions: Sequence[_Condition], rule: Mapping[str, Any]) -> Watch:
    met = np.array([condition.holds(course, rule) for condition in conditions]).reshape(len(conditions), -1)
    fails = (met == 0.0).any(axis=0)
    seen = np.where(fails, 0.0, np.where((met == 1.0).all(axis=0), 1.0, np.nan))
    return Watch(course, course.days, seen, list(range(course.days.size)))


def _say_rule(name: str, rule: Mapping[str, Any], conditions: Sequence[_Condition]) -> str:
    if name == RULES[0]:
        return "Finished is what was recorded as such at the visits; the trial file holds no rule behind it."
    parts = [condition.words(float(rule.get(condition.key, 1.0))) for condition in conditions]
    wait = float(rule.get("days_after_turning") or 0.0)
    after = f"; re-heating is judged {wait:g} days or more after a turning" if wait > 0.0 else ""
    return f"Finished means: {join_words(parts)}{after}. A visit at which one of these is not known says nothing."


def _say_dry_or_cold(watches: Sequence[Watch], highs: Sequence[float | None]) -> list[str]:
    """Bins called finished while they were too dry or too cold to show that they were not."""
    dry, cold = [], []
    for watch, high in zip(watches, highs, strict=True):
        if high is None:
            continue
        here = int(np.flatnonzero(watch.days == high)[0])
        moisture, core = (float(watch.course.read(column)[here]) for column in ("moisture_pct", "core_temp_c"))
        if moisture < MOIST_PCT:
            dry.append(f"{watch.course.bin.bin} ({moisture:g} %)")
        if core < COLD_C:
            cold.append(f"{watch.course.bin.bin} ({core:g} °C)")
    notes = []
    if dry:
        notes.append(
            f"Warning: moisture was below {MOIST_PCT:g} % when these were called finished: {name_bins(dry)}. A dry bin "
            "looks finished that is not; wet it and look again."
        )
    if cold:
        notes.append(
            f"Warning: the core was below {COLD_C:g} °C when these were called finished: {name_bins(cold)}. A cold bin "
            "rests; warm it and look again."
        )
    return notes


def _say_raters(trial: Trial) -> list[str]:
    """Agreement of every two raters who judged the same visits."""
    columns = trial.readings.columns
    start = "finished, rater "
    raters = {name.removeprefix(start): values for name, values in columns.items() if name.startswith(start)}
    notes = []
    for first, second in combinations(raters, 2):
        both = np.isfinite(raters[first]) & np.isfinite(raters[second])
        if not both.any():
            continue
        one, two = raters[first][both].astype(int), raters[second][both].astype(int)
        table = np.zeros((2, 2))
        np.add.at(table, (1 - one, 1 - two), 1)
        visits = f"{int(both.sum())} bin visits judged by both"
        alike = 100.0 * float(np.trace(table)) / float(table.sum())
        try:
            found = cohen_kappa(table)
        except DesignError:
            notes.append(f"{first} and {second} gave all {visits} the same answer, so chance alone would agree.")
            continue
        notes.append(
            f"{first} and {second} agreed at {alike:.0f} % of {visits} (Cohen's kappa {found.kappa:.2f}; 1 is full "
            "agreement, 0 what chance brings)."
        )
    return notes


def _lacks(trial: Trial) -> str | None:
    named = {key for key, value in trial.plan.finish.items() if value is not None and value is not False}
    columns = [column for key, item in CONDITIONS.items() if key in named for column in item.columns] or ["finished"]
    missing = [column for column in dict.fromkeys(columns) if not ever_read(trial, column)]
    return f"{join_words(missing)}, which no reading holds" if missing else None


FINISH_TIME = (
    Measure(
        entry(
            NAME,
            "days to finish",
            "days",
            measures="time until a bin meets the written finish rule",
            applies="a yes or no at every visit, or the readings that the rule combines, until most bins are finished",
            cannot_tell="The day is known only between two visits, and a rule judged by eye is as good as its rater.",
        ),
        _lacks,
        measure_days_to_finish,
    ),
)
