"""Which bins may be lost from a planned layout: every pattern up to symmetry, with its chance.

A layout is two or three integer codes a bin. Treatment 0 is the control and treatment 1 the one claimed for; others are
alike. Loss is taken to be unrelated to treatment and outcome: each set of ``lost`` bins is equally likely.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.records import read_only

Codes = NDArray[np.intp]
Kind = Literal["completely random", "blocks", "latin square"]
KINDS: tuple[Kind, ...] = ("completely random", "blocks", "latin square")

_COUNTED = 20_000  # sets of lost bins that are still counted one by one
_DRAWN = 4_000  # drawn instead where there are more


@dataclass(frozen=True, eq=False)
class BinCodes:
    """``treatment`` (n,); ``block`` (n,) or None; ``row`` and ``column`` (n,) in a Latin square, else None."""

    treatment: Codes
    block: Codes | None = None
    row: Codes | None = None
    column: Codes | None = None

    def without(self, lost: tuple[int, ...]) -> BinCodes:
        """The bins that are left."""
        parts = (self.treatment, self.block, self.row, self.column)
        return BinCodes(*(None if part is None else read_only(np.delete(part, lost)) for part in parts))  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class LossPattern:
    """``chance`` that exactly these ``bins`` are left, or bins that differ from them by symmetry only."""

    chance: float
    bins: BinCodes


def planned_bins(kind: Kind, treatments: int, bins_per_treatment: int) -> BinCodes:
    """The codes of a complete layout. A Latin square has as many bins a treatment as treatments (ValueError)."""
    if kind not in KINDS:
        raise ValueError(f"kind: found {kind!r}; expected one of {', '.join(KINDS)}.")
    if treatments < 2 or bins_per_treatment < 1:
        raise ValueError(
            f"found {treatments} treatments of {bins_per_treatment} bins; expected 2 or more of 1 or more."
        )
    replicate = np.repeat(np.arange(bins_per_treatment), treatments)
    treatment = np.tile(np.arange(treatments), bins_per_treatment)
    if kind == "completely random":
        return BinCodes(read_only(treatment))
    if kind == "blocks":
        return BinCodes(read_only(treatment), block=read_only(replicate))
    if bins_per_treatment != treatments:
        raise ValueError(f"a Latin square of {treatments} treatments has {treatments} bins of each.")
    column = (treatment + replicate) % treatments
    return BinCodes(read_only(treatment), row=read_only(replicate), column=read_only(column))


def loss_patterns(bins: BinCodes, lost: int, seed: int = 1) -> tuple[LossPattern, ...]:
    """All patterns of ``lost`` bins, most likely first; drawn with the seed where there are more than 20,000 sets."""
    n = bins.treatment.size
    if not 0 <= lost < n:
        raise ValueError(f"lost: found {lost}; expected 0 to {n - 1} of {n} bins.")
    sets: list[tuple[int, ...]]
    if comb(n, lost) <= _COUNTED:
        sets = list(combinations(range(n), lost))
    else:
        random = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(lost,)))
        sets = [tuple(sorted(random.permutation(n)[:lost].tolist())) for _ in range(_DRAWN)]
    signature = _signature(bins)
    counted: Counter[object] = Counter()
    first: dict[object, tuple[int, ...]] = {}
    for chosen in sets:
        key = signature(chosen)
        counted[key] += 1
        first.setdefault(key, chosen)
    return tuple(LossPattern(times / len(sets), bins.without(first[key])) for key, times in counted.most_common())


def _signature(bins: BinCodes):  # type: ignore[no-untyped-def]
    """What symmetry leaves of a set of lost bins: relabelled blocks are alike, and so are treatments beyond the two."""
    treatment = bins.treatment.tolist()

    def of_random(chosen: tuple[int, ...]) -> object:
        from_arm = Counter(treatment[i] for i in chosen)
        others = tuple(sorted(times for arm, times in from_arm.items() if arm > 1))
        return from_arm[0], from_arm[1], others

    if bins.block is not None:
        block = bins.block.tolist()

        def of_blocks(chosen: tuple[int, ...]) -> object:
            gone: dict[int, list[int]] = {}
            for i in chosen:
                gone.setdefault(block[i], []).append(treatment[i])
            return _relabelled(sorted(tuple(sorted(arms)) for arms in gone.values()))

        return of_blocks
    return (lambda chosen: chosen) if bins.row is not None else of_random


def _relabelled(blocks: list[tuple[int, ...]]) -> object:
    """Number the treatments beyond the two as they appear. Patterns that stay apart only cost time."""
    names: dict[int, int] = {0: 0, 1: 1}
    for arms in blocks:
        for arm in arms:
            names.setdefault(arm, len(names))
    return tuple(sorted(tuple(sorted(names[arm] for arm in arms)) for arms in blocks))
