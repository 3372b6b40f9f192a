"""A whole effect taken apart in words: what came with water and handling, with the carrier, and with live organisms."""

from __future__ import annotations

from trialkit.records import Analysis, Partition, PartitionStep
from trialkit.report.answers import main_answer
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.rounding import between, figures, together
from trialkit.report.words import noun, unit_words

CAME_WITH = {
    "water and handling": "came with water and handling",
    "carrier": "came with the carrier",
    "live organisms": "needs live organisms",
}


def partition_sentences(analysis: Analysis) -> tuple[str, ...]:
    """The split of the main outcome: first what each part is, then how sure each is. Empty where there is none."""
    answer = main_answer(analysis)
    found = answer.partition if answer is not None else None
    if found is None or not found.steps:
        return ()
    return (_headline(found), _ranges(found))


def _headline(found: Partition) -> str:
    neutral = _neutral(found)
    parts = [step.estimate - neutral for step in found.steps]
    whole = found.total.estimate - neutral
    if not all(part * whole > 0 for part in parts):
        return _listing(found)
    faster = found.outcome.name == "decay_rate" and whole > 0
    what = "speed-up" if faster else f"{'rise' if whole > 0 else 'drop'} in {noun(found.outcome)}"
    total = found.total
    told = [_share(step, found) for step in found.steps if step.name in CAME_WITH]
    return (
        f"Of the {what} of {_amount(total, found)} with {named(total.treatment)} beside {named(total.against)}, about "
        f"{listed(told)}."
    )


def _share(step: PartitionStep, found: Partition) -> str:
    """A part; one whose range holds nothing at all says so, so that it can be quoted alone."""
    amount = _amount(step, found) if found.kind == "ratio" else figures(abs(step.estimate), 2)
    return f"{amount}{'' if _is_beyond(step, found) else ', if anything,'} {CAME_WITH[step.name]}"


def _listing(found: Partition) -> str:
    """Parts that pull against each other are told one by one."""
    told = [f"{step.name} {_size(step, found)}" for step in found.steps]
    return f"{capitalised(noun(found.outcome))} taken apart: {listed(told)}; together {_size(found.total, found)}."


def _ranges(found: Partition) -> str:
    told = [_range(step, found) for step in found.steps]
    if found.kind == "ratio":  # ratios multiply, so their shares do not add up
        told[1:] = [line.replace(":", ", on top of that:", 1) for line in told[1:]]
    return capitalised("; ".join(told)) + "."


def _range(step: PartitionStep, found: Partition) -> str:
    neutral = _neutral(found)
    shown = together(step.estimate, step.low, step.high, landmarks=(neutral,), least=2 if found.kind == "ratio" else 1)
    unit = "times" if found.kind == "ratio" else unit_words(found.outcome)
    span = f"{between(shown.low, shown.high)} {unit}".strip()
    return f"{step.name}: {span}" + ("" if _is_beyond(step, found) else ", so nothing at all fits as well")


def _is_beyond(step: PartitionStep, found: Partition) -> bool:
    neutral = _neutral(found)
    return (step.low is not None and step.low > neutral) or (step.high is not None and step.high < neutral)


def _neutral(found: Partition) -> float:
    return 1.0 if found.kind == "ratio" else 0.0


def _amount(step: PartitionStep, found: Partition) -> str:
    """ "13 %" of a ratio of 1.13, "3.1 percentage points" of a difference; by size, without a sign."""
    if found.kind == "ratio":
        return f"{figures(abs(100 * (step.estimate - 1)), 2)} %"
    unit = unit_words(found.outcome)
    return f"{figures(abs(step.estimate), 2)}{f' {unit}' if unit else ''}"


def _size(step: PartitionStep, found: Partition) -> str:
    if found.kind == "ratio":
        return f"{figures(step.estimate, 3)} times"
    unit = unit_words(found.outcome)
    return f"{figures(step.estimate, 2)}{f' {unit}' if unit else ''}"
