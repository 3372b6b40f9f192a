"""The smallest p-value that re-randomising a layout can ever give: one over the layouts that could tell apart.

Two treatments are re-randomised among their own bins, inside blocks where there are some. The layout with all labels
exchanged gives the same difference, so with equal numbers the floor is two over the number of layouts.
"""

from __future__ import annotations

from math import comb, factorial, prod

import numpy as np

from trialkit.numerics.loss_patterns import BinCodes


def pair_floor(bins: BinCodes) -> float:
    """Floor of the test of treatment 1 beside treatment 0; 1 where nothing can be exchanged.

    Completely random: 2/C(n₀+n₁, n₁) with equal numbers, 1/C otherwise. Blocks: 2/2^m, m complete pairs. A Latin
    square exchanges labels of the whole square: 1.
    """
    if bins.row is not None:
        return 1.0
    if bins.block is not None:
        pairs = len(set(bins.block[bins.treatment == 0]) & set(bins.block[bins.treatment == 1]))
        return min(1.0, 2.0 / 2.0**pairs)
    first, second = (int(np.sum(bins.treatment == arm)) for arm in (0, 1))
    if min(first, second) == 0:
        return 1.0
    return min(1.0, (2.0 if first == second else 1.0) / comb(first + second, first))


def omnibus_floor(bins: BinCodes) -> float:
    """Floor of the test of all treatments together: relabelled treatments give the same statistic.

    Complete layouts exactly; where bins are lost, the relabellings that keep every treatment's number of bins.
    """
    if bins.row is not None:
        return 1.0
    block = np.zeros(bins.treatment.size, dtype=int) if bins.block is None else bins.block
    arms = int(bins.treatment.max()) + 1
    counts = np.array([np.bincount(bins.treatment[block == b], minlength=arms) for b in np.unique(block)])
    layouts = prod(factorial(int(row.sum())) // prod(factorial(int(n)) for n in row) for row in counts)
    _, alike = np.unique(counts.T, axis=0, return_counts=True)
    return min(1.0, float(prod(factorial(int(n)) for n in alike)) / layouts)
