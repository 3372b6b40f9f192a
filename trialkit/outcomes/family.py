"""What a family of outcomes hands to the bench: entries of the catalogue, and how each is measured."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from trialkit.errors import DesignError
from trialkit.outcome_names import OUTCOMES
from trialkit.records import BinValue, Outcome, Trial

Settings = Mapping[str, Any]


class NoValueError(Exception):
    """A bin has no value; the text is the reason, a clause without a full stop. Never leaves this room."""


@dataclass(frozen=True)
class Measured:
    """Values of all bins in the trial's order, the settings in force (defaults included) and sentences on them."""

    values: tuple[BinValue, ...]
    settings: Settings = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Measure:
    """One outcome of the catalogue and how it is had.

    ``lacks(trial)`` names what is missing to measure it at all, as a clause, or None. ``measure(trial, settings)``
    gives the values, or a sentence that says why no bin can have one.
    """

    outcome: Outcome
    lacks: Callable[[Trial], str | None]
    measure: Callable[[Trial, Settings], Measured | str]


def entry(name: str, label: str, unit: str, *, measures: str, applies: str, cannot_tell: str) -> Outcome:
    """An entry of the catalogue; direction and scale come from the one list of outcome names."""
    better, scale = OUTCOMES[name]
    return Outcome(name, label, unit, scale, better, measures, applies, cannot_tell)


def number_setting(
    settings: Settings, outcome: str, key: str, default: float | None, *, above: float | None = None
) -> float | None:
    """A number of the outcome's table in the trial file. Raises DesignError where it is none, or not in range."""
    value = settings.get(key, default)
    if value is None:
        return None
    least = "" if above is None else f" above {above:g}"
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1e9 < value < 1e9:
        raise DesignError(f'[outcome.{outcome}] {key}: found "{value}"; expected a number{least}.')
    if above is not None and not value > above:
        raise DesignError(f'[outcome.{outcome}] {key}: found "{value}"; expected a number{least}.')
    return float(value)


def choice_setting(settings: Settings, outcome: str, key: str, allowed: Mapping[str, str]) -> str | None:
    """What a word of the outcome's table stands for. Raises DesignError, naming what is allowed."""
    value = settings.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or value not in allowed:
        raise DesignError(f'[outcome.{outcome}] {key}: found "{value}"; expected one of {", ".join(allowed)}.')
    return allowed[value]
