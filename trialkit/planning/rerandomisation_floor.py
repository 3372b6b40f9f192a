"""The smallest p-value that re-randomising a layout can ever give: one over the layouts that could tell apart.

Two treatments are re-randomised among their own bins, inside blocks where there are some. The layout with all labels
exchanged gives the same difference, so with equal numbers the floor is two over the number of layouts.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb, factorial, prod

import numpy as np

from trialkit.numerics.interspersion import NO_RULE, default_rule, layout_is_interspersed
from trialkit.numerics.loss_patterns import BinCodes, planned_bins
from trialkit.numerics.rerandomisation import MOST_COUNTED, layouts_within
from trialkit.numerics.rerandomisation_squares import chains, floor_of_chains, shuffled_squares


def pair_floor(bins: BinCodes) -> float:
    """Floor of the test of treatment 1 beside treatment 0; 1 where nothing can be exchanged.

    Completely random: 2/C(n₀+n₁, n₁) with equal numbers, 1/C otherwise. Blocks: 2/2^m, m complete pairs. A Latin
    square: 2/2^c, c the closed chains along which the two can change places; they depend on the square drawn, and
    this one, planned in order, has a single chain (floor 1), the fewest any square has. A redraw rule leaves fewer
    layouts and raises the floor: see ``floor_under_rule``.
    """
    if bins.row is not None and bins.column is not None:
        return floor_of_chains(len(chains(bins.treatment == 1, bins.treatment == 0, bins.row, bins.column)))
    if bins.block is not None:
        pairs = len(set(bins.block[bins.treatment == 0]) & set(bins.block[bins.treatment == 1]))
        return min(1.0, 2.0 / 2.0**pairs)
    first, second = (int(np.sum(bins.treatment == arm)) for arm in (0, 1))
    if min(first, second) == 0:
        return 1.0
    return min(1.0, (2.0 if first == second else 1.0) / comb(first + second, first))


def omnibus_floor(bins: BinCodes) -> float:
    """Floor of the test of all treatments together: relabelled treatments give the same statistic.

    Complete layouts exactly; where bins are lost, the relabellings that keep every treatment's number of bins. A Latin
    square in order: rows and columns shuffled; 1, which promises nothing, once a bin of it is lost.
    """
    if bins.row is not None:
        size = int(bins.row.max()) + 1
        return _square_floor(size) if bins.treatment.size == size**2 else 1.0
    block = np.zeros(bins.treatment.size, dtype=int) if bins.block is None else bins.block
    arms = int(bins.treatment.max()) + 1
    counts = np.array([np.bincount(bins.treatment[block == b], minlength=arms) for b in np.unique(block)])
    layouts = prod(factorial(int(row.sum())) // prod(factorial(int(n)) for n in row) for row in counts)
    _, alike = np.unique(counts.T, axis=0, return_counts=True)
    return min(1.0, float(prod(factorial(int(n)) for n in alike)) / layouts)


@lru_cache(maxsize=32)
def _square_floor(size: int) -> float:
    square = planned_bins("latin square", size, size)
    assert square.row is not None and square.column is not None
    labels = np.zeros((size, size), dtype=np.uint8)
    labels[square.row, square.column] = square.treatment
    return shuffled_squares(labels, np.zeros((size, size), dtype=bool))[2]


def floor_under_rule(bins: BinCodes) -> tuple[str, float] | None:
    """The redraw rule that plans declare by default for this layout of two treatments, and the floor it leaves.

    Two treatments in four blocks: 2/14 in place of 2/16. None without such a rule, with more treatments (what the rule
    leaves to a pair then depends on where the others stand), and from 200,000 layouts on, where no floor matters.
    """
    if bins.row is not None or int(bins.treatment.max()) != 1:
        return None
    block = np.zeros(bins.treatment.size, dtype=np.intp) if bins.block is None else bins.block
    first = block == block[0]
    counts = np.bincount(bins.treatment[first], minlength=2).tolist()
    kind = "completely random" if bins.block is None else "blocks"
    rule = default_rule(kind, counts, int(np.unique(block).size))
    ways = [comb(int(np.sum(block == b)), int(np.sum(bins.treatment[block == b]))) for b in np.unique(block)]
    if rule == NO_RULE or prod(ways) >= MOST_COUNTED:
        return None
    order = np.argsort(block, kind="stable")
    place = block[order]
    kept = layouts_within(bins.treatment[order], place, kept=lambda all_: layout_is_interspersed(all_, rule, place))
    return rule, 1.0 if kept is None else kept.floor
