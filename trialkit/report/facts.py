"""Plain facts read off a trial that several parts of the report need: arms, amounts, days, temperatures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from trialkit.records import Analysis, BinValue, BinValues, Comparison, Treatment, Trial
from trialkit.report.answers import main_answer
from trialkit.report.rounding import plain
from trialkit.report.tables import values_of
from trialkit.report.words import TIMES

AMOUNTS = {
    "water_l": ("water", "L"),
    "sugar_g": ("sugar", "g"),
    "nitrogen_g": ("nitrogen", "g"),
    "soil_kg": ("soil", "kg"),
    "turns_per_week": ("turns a week", ""),
}


@dataclass(frozen=True)
class Arm:
    """One treatment as it stood: its declaration, all its bins, and those with a value of the main outcome."""

    treatment: Treatment
    bins: int
    with_value: int


def arms(analysis: Analysis) -> tuple[Arm, ...]:
    """The treatments in the plan's order, then those only the bins name."""
    trial = analysis.trial
    declared = {item.name: item for item in trial.plan.treatments}
    names = [*declared, *dict.fromkeys(item.treatment for item in trial.bins if item.treatment not in declared)]
    answer = main_answer(analysis)
    values: BinValues | None = values_of(answer) if answer is not None else None
    seen = () if values is None else values.values
    found = {v.bin for v in seen if v.value is not None or (values is not None and is_longer(v, values))}
    return tuple(
        Arm(
            declared.get(name, Treatment(name)),
            sum(item.treatment == name for item in trial.bins),
            sum(item.treatment == name and item.bin in found for item in trial.bins),
        )
        for name in names
    )


def is_longer(value: BinValue, values: BinValues) -> bool:
    """Whether a bin was not there by its last visit: it has no day, and counts as longer."""
    return values.outcome.name in TIMES and value.value is None and value.low is not None


def amount_words(name: str, amount: float, beside: str = "") -> str:
    """ "100 g sugar", "100 g more sugar", "2 turns a week"; an amount of one's own keeps its name."""
    what, unit = AMOUNTS.get(name, (name.replace("_", " "), ""))
    number = f"{plain(amount)} {unit}" if unit else plain(amount)
    return f"{number}{beside} {what}"


def amounts_declared(trial: Trial) -> tuple[str, ...]:
    """Names of the amounts that any treatment declares, in their usual order first."""
    found = {name for treatment in trial.plan.treatments for name in treatment.amounts}
    return tuple(name for name in AMOUNTS if name in found) + tuple(sorted(found - set(AMOUNTS)))


def amounts_apart(first: Treatment, second: Treatment) -> tuple[str, ...]:
    """How the first arm differs from the second in what was put in, in words."""
    apart = []
    for name in dict.fromkeys([*first.amounts, *second.amounts]):
        gap = amount(first.amounts, name) - amount(second.amounts, name)
        if abs(gap) > 1e-12:
            apart.append(amount_words(name, abs(gap), " more" if gap > 0 else " less"))
    return tuple(apart)


def amount(amounts: Mapping[str, float], name: str) -> float:
    return float(amounts.get(name, 0.0))


def has_role(trial: Trial, *roles: str) -> bool:
    return any(treatment.role in roles for treatment in trial.plan.treatments)


def warmest(trial: Trial) -> tuple[float, str] | None:
    """The highest core temperature read and its bin."""
    core = trial.readings.columns.get("core_temp_c")
    if core is None or not np.isfinite(core).any():
        return None
    place = int(np.nanargmax(core))
    return float(core[place]), trial.bins[int(trial.readings.bin[place])].bin


def largest_volume(trial: Trial) -> float:
    """The largest volume in litres that the files name, 0 where none."""
    volumes = [amount for item in trial.bins for name, amount in item.starts.items() if name in
               ("capacity_l", "start_volume_l")]  # fmt: skip
    column = trial.readings.columns.get("volume_l")
    if column is not None and np.isfinite(column).any():
        volumes.append(float(np.nanmax(column)))
    return max(volumes, default=0.0)


def days_read(trial: Trial) -> tuple[float, float] | None:
    """First and last day with a reading."""
    day = trial.readings.day
    return (float(day.min()), float(day.max())) if day.size else None


def comparisons(analysis: Analysis) -> tuple[Comparison, ...]:
    return tuple(c for answer in analysis.answers for c in answer.comparisons if isinstance(c, Comparison))
