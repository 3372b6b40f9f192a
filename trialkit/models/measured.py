"""The bins that have a value, as arrays on the scale of analysis."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.records import BinValues, Refusal, read_only


@dataclass(frozen=True, eq=False)
class Measured:
    """``treatments`` (T,) names in the plan's order, also those without a value. For the n bins with a value:
    ``bins`` names, ``y`` (n,) on the scale of analysis, ``treatment`` (n,) positions in ``treatments``, ``block`` (n,)
    positions in ``blocks``, −1 where none is given. ``blocks`` in order of appearance among all bins.
    ``notes`` are sentences. ``site``, ``row``, ``column``, ``whole_plot`` (n,) codes of the layout's other parts, −1
    where none is given. Where the bins stand at several ``sites``, all these are counted within a site.
    """

    values: BinValues
    treatments: tuple[str, ...]
    bins: tuple[str, ...]
    y: NDArray[np.float64]
    treatment: NDArray[np.intp]
    block: NDArray[np.intp]
    blocks: tuple[str, ...]
    notes: tuple[str, ...]
    sites: tuple[str, ...]
    site: NDArray[np.intp]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    whole_plot: NDArray[np.intp]

    @property
    def bins_per_treatment(self) -> NDArray[np.intp]:
        return np.bincount(self.treatment, minlength=len(self.treatments)).astype(np.intp)

    @property
    def block_word(self) -> str:
        """What ``blocks`` are: sites, in a trial over several sites that has no blocks of its own."""
        return "site" if self.values.plan.layout.kind == "completely random" else "block"

    def refusal(self, *reasons: str) -> Refusal:
        """These values cannot be analysed."""
        return Refusal(stage="models", reasons=reasons, outcome=self.values.outcome.name, values=self.values)

    def pairs_of_interest(self) -> tuple[tuple[str, str], ...]:
        """Pairs that the plan asks about on this outcome: with the control or all of them, and those of its claims."""
        plan = self.values.plan
        if plan.comparisons == "all pairs":
            pairs = [(b, a) for i, a in enumerate(self.treatments) for b in self.treatments[i + 1 :]]
        else:
            pairs = [(name, str(plan.control)) for name in self.treatments if name != plan.control]
        for claim in plan.claims:
            if claim.outcome != self.values.outcome.name or claim.against is None:
                continue
            if claim.treatment in self.treatments and claim.against in self.treatments:
                pairs.append((claim.treatment, claim.against))
        return tuple(dict.fromkeys(pairs))


def measured(values: BinValues) -> Measured | Refusal:
    """The arrays, or a refusal where a value cannot be taken on the outcome's scale.

    A value of zero or less has no logarithm; nothing is added to make it one.
    """
    on_log = values.outcome.scale == "log"
    used = [value for value in values.values if value.value is not None]
    bad = [v for v in used if v.value is not None and (not math.isfinite(v.value) or (on_log and v.value <= 0.0))]
    if bad:
        found = ", ".join(f"{v.bin} ({v.value:g})" for v in bad)
        scale = "above 0, because treatments are compared as ratios" if on_log else "that are finite numbers"
        reason = (
            f"{values.outcome.label} needs values {scale}; found {found}. "
            "Check these bins' readings; a bin is never left out because of its value."
        )
        return Refusal(stage="models", reasons=(reason,), outcome=values.outcome.name, values=values)

    treatments = _treatments(values)
    raw = np.array([float(v.value) for v in used if v.value is not None])
    sites = tuple(dict.fromkeys(v.site for v in values.values if v.site is not None and v.value is not None))
    several = len(sites) > 1
    blocks, block = _codes(values, "block", several)
    return Measured(
        values=values,
        treatments=treatments,
        bins=tuple(v.bin for v in used),
        y=read_only(np.log(raw) if on_log else raw),
        treatment=read_only(np.array([treatments.index(v.treatment) for v in used], dtype=np.intp)),
        block=block,
        blocks=blocks,
        notes=_left_out(values),
        sites=sites,
        site=_codes(values, "site", False)[1],
        row=_codes(values, "row", several)[1],
        column=_codes(values, "column", several)[1],
        whole_plot=_codes(values, "whole_plot", several)[1],
    )


def _codes(values: BinValues, part: str, within_site: bool) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Names of a part of the layout in order of appearance, and (n,) codes of the bins with a value, −1 for none."""

    names: list[str | None] = [getattr(value, part) for value in values.values]
    if within_site:
        names = [None if own is None else f"{own} at {v.site}" for own, v in zip(names, values.values, strict=True)]
    filled = [name for name, value in zip(names, values.values, strict=True) if value.value is not None]
    there = set(filled)
    known = tuple(name for name in dict.fromkeys(names) if name is not None and name in there)
    position: dict[str | None, int] = {name: j for j, name in enumerate(known)}
    return known, read_only(np.array([position.get(name, -1) for name in filled], dtype=np.intp))


def _treatments(values: BinValues) -> tuple[str, ...]:
    """As declared; where nothing is declared the control first, the others as they appear."""
    plan = values.plan
    seen = dict.fromkeys(v.treatment for v in values.values)
    declared = [t.name for t in plan.treatments]
    first = declared or ([plan.control] if plan.control in seen else [])
    return tuple(dict.fromkeys([*first, *seen]))


def _left_out(values: BinValues) -> tuple[str, ...]:
    return tuple(
        f"Bin {v.bin} ({v.treatment}) has no value and is left out"
        f"{'' if not v.reason else ': ' + v.reason.rstrip('.')}."
        for v in values.values
        if v.value is None and not v.censored
    )


def listed(names: Iterable[str]) -> str:
    """ "A", "A and B", "A, B and C"."""
    items = list(names)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"
