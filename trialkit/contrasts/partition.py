"""A whole effect taken apart: water and handling, the carrier, the live organisms."""

from __future__ import annotations

from typing import Literal

from trialkit.contrasts.compare import compare_pair
from trialkit.records import Comparison, Fit, Partition, PartitionStep, Refusal

StepName = Literal["water and handling", "carrier", "live organisms", "total"]


def partition(fit: Fit | Refusal) -> Partition | None:
    """The effect of the live starter in steps: nothing → water → the liquid without live organisms → live.

    Steps multiply to the total on the log scale and add up to it elsewhere, exactly. The liquid without live organisms
    is the killed starter, or the carrier alone where there is none killed. None where one of water, liquid and live is
    missing, where a role is taken by several treatments, or where a step cannot be estimated.
    """
    if isinstance(fit, Refusal) or fit.method in ("draws", "permutation"):  # medians and shares do not add up exactly
        return None
    chain = _chain(fit)
    if chain is None:
        return None
    names: tuple[StepName, ...] = ("water and handling", "carrier", "live organisms")
    steps = [
        _step(fit, name, later, earlier)
        for name, earlier, later in zip(names[-(len(chain) - 1) :], chain[:-1], chain[1:], strict=True)
    ]
    total = _step(fit, "total", chain[-1], chain[0])
    if total is None or any(step is None for step in steps):
        return None
    whole, comparison = total
    return Partition(
        outcome=fit.values.outcome,
        kind=comparison.kind,
        steps=tuple(step[0] for step in steps if step is not None),
        total=whole,
        level=comparison.interval.level,
        adjustment=comparison.interval.adjustment,
    )


def _chain(fit: Fit) -> tuple[str, ...] | None:
    by_role: dict[str, list[str]] = {}
    for treatment in fit.values.plan.treatments:
        by_role.setdefault(treatment.role, []).append(treatment.name)
    liquid = "killed" if "killed" in by_role else "carrier"
    roles = ["nothing"] * ("nothing" in by_role) + ["water", liquid, "live"]
    if any(len(by_role.get(role, [])) != 1 for role in roles):
        return None
    return tuple(by_role[role][0] for role in roles)


def _step(fit: Fit, name: StepName, treatment: str, against: str) -> tuple[PartitionStep, Comparison] | None:
    if treatment not in fit.treatments or against not in fit.treatments:
        return None
    found = compare_pair(fit, treatment, against)
    if isinstance(found, Refusal):
        return None
    interval = found.interval
    return PartitionStep(name, treatment, against, found.estimate, interval.low, interval.high), found
