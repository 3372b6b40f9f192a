"""The same bin values with one thing changed: a bin or a block left out, another scale, another rule of variances."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

from trialkit.models.bins import Variances
from trialkit.records import BinValue, BinValues, Fit, Scale

# No zero that means none of it, or no unit steps: a ratio of such values says nothing.
NO_RATIO = frozenset({"ph", "peak_temp_c", "appearance_score", "odour_score"})
LEFT_OUT = "left out to see what hangs on it"


@dataclass(frozen=True)
class Changed:
    """``what`` in {"left out", "scale", "variances"}, ``name`` which; ``values`` and ``variances`` to fit with."""

    what: Literal["left out", "scale", "variances"]
    name: str
    values: BinValues
    variances: Variances | None


def changed_values(fit: Fit) -> tuple[Changed, ...]:
    """Each bin with a value left out, each block, the other scale where it makes sense, the other variance rule.

    Where a bin or block is left out the rule of variances stays that of the whole, so that one thing changes at a time.
    A bin known only to take longer than it was watched is left out like any other. Times of such bins have no other
    scale and no other variances: their model is one of logs with one variance.
    """
    values = fit.values
    measured = [value for value in values.values if value.value is not None or value.censored]
    changes = [
        Changed("left out", f"bin {value.bin}", _without(values, {value.bin}), fit.variances) for value in measured
    ]
    if values.plan.layout.kind in ("blocks", "split plot"):
        several = len({value.site for value in measured}) > 1
        for site, block in dict.fromkeys((value.site, value.block) for value in measured):
            if block is None:
                continue
            name = f"block {block} at {site}" if several else f"block {block}"
            gone = {value.bin for value in measured if (value.site, value.block) == (site, block)}
            changes.append(Changed("left out", name, _without(values, gone), fit.variances))
    if fit.method == "draws":
        return tuple(changes)
    scale = _other_scale(values)
    if scale is not None:
        changes.append(Changed("scale", scale, _on_scale(values, scale), fit.variances))
    if values.plan.layout.kind in ("completely random", "blocks") and fit.method not in ("reml", "permutation"):
        other: Variances = "common" if fit.variances == "by treatment" else "by treatment"
        changes.append(Changed("variances", other, values, other))
    return tuple(changes)


def _without(values: BinValues, bins: Collection[str]) -> BinValues:
    def emptied(value: BinValue) -> BinValue:
        if value.bin not in bins or (value.value is None and not value.censored):
            return value
        return replace(value, value=None, low=None, high=None, censored=False, reason=LEFT_OUT)

    return replace(values, values=tuple(emptied(value) for value in values.values))


def _other_scale(values: BinValues) -> Scale | None:
    if values.outcome.scale == "log":
        return "identity"
    positive = all(value.value > 0.0 for value in values.values if value.value is not None)
    return "log" if positive and values.outcome.name not in NO_RATIO else None


def _on_scale(values: BinValues, scale: Scale) -> BinValues:
    return replace(values, outcome=replace(values.outcome, scale=scale))
