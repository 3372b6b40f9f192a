"""One variance for all treatments, or one for each: decided by which bins exist, never by their values.

A test of equal variances first would find a fourfold variance in 9 to 43 of 100 trials of this size and mend nothing.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from trialkit.models.measured import Measured, listed

Variances = Literal["common", "by treatment"]

BINS_PER_TREATMENT = 5
COMPLETE_BLOCKS = 6
_FEWEST = 3  # of two bins or pairs a variance has one degree of freedom


def rule_completely_random(found: Measured, asked: Variances | None) -> tuple[Variances, tuple[str, ...]]:
    """The rule and, where it overrules a wish, a sentence. ``asked`` wins over the plan, the plan over the default."""
    bins = found.bins_per_treatment
    wish = asked or found.values.plan.layout.variances
    default: Variances = "by treatment" if np.min(bins[bins > 0]) >= BINS_PER_TREATMENT else "common"
    few = [name for name, n in zip(found.treatments, bins, strict=True) if 0 < n < _FEWEST]
    return _decide(wish, default, few, "bins")


def rule_blocks(found: Measured, asked: Variances | None) -> tuple[Variances, tuple[str, ...]]:
    """As above; complete blocks are those in which every treatment with a value has one."""
    present = np.flatnonzero(found.bins_per_treatment)
    filled = np.zeros((len(found.treatments), len(found.blocks)), dtype=bool)
    filled[found.treatment, found.block] = True
    complete = int(np.all(filled[present], axis=0).sum())
    default: Variances = "by treatment" if complete >= COMPLETE_BLOCKS else "common"
    few = [
        f"{a} and {b}"
        for a, b in found.pairs_of_interest()
        if {found.treatments.index(a), found.treatments.index(b)} <= set(present.tolist())
        and np.sum(filled[found.treatments.index(a)] & filled[found.treatments.index(b)]) < _FEWEST
    ]
    return _decide(found.values.plan.layout.variances if asked is None else asked, default, few, "complete pairs")


def _decide(
    wish: Variances | None, default: Variances, few: list[str], counted: str
) -> tuple[Variances, tuple[str, ...]]:
    chosen = wish or default
    if chosen == "by treatment" and few:
        note = (
            f"Variances by treatment were asked for, but {listed(few)} {'has' if len(few) == 1 else 'have'} fewer than "
            f"{_FEWEST} {counted}; one common variance is used."
        )
        return "common", (note,) if wish else ()
    return chosen, ()
