"""Ordinal values: how often a bin of one treatment stands above one of another, and a test from nothing but the draw.

Scores are steps: 4 is above 3, but not by as much as 3 is above 2. Only the order of two bins in one stratum (block) is
used. n bins with values ``y`` (n,) and ``stratum`` codes (n,).

With U the number of pairs (one bin of each treatment, both in one stratum) in which the first stands higher, ties as
half a pair, the probability of superiority is U over the number of pairs (Mann & Whitney 1947, Ann. Math. Statist.
18:50; ties as halves: Vargha & Delaney 2000, J. Educ. Behav. Stat. 25:101).

The *standing* of a bin is half the number of bins of its stratum below it, less half the number above. Standings of a
stratum add up to 0, and between bins of one treatment they cancel, so over the bins of the first treatment

    Σ standing = U − ½ · pairs,

a sum over bins whose distribution under exchanges of labels ``numerics.rerandomisation`` counts. In complete blocks the
test of all treatments on standings is Friedman's, without strata that of Kruskal and Wallis, both exact with ties.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Superiority:
    """``share`` of all pairs in which the first stands above (ties half), NaN without a pair; ``bins`` of the first and
    the second that have a partner, and the ``pairs`` they form inside strata."""

    share: float
    pairs: int
    bins: tuple[int, int]


def superiority(y: ArrayLike, first: ArrayLike, second: ArrayLike, stratum: ArrayLike) -> Superiority:
    """How often a bin of ``first`` (n,) stands above one of ``second`` (n,) in the same stratum, over all such pairs.

    ValueError for values that are not finite, or a bin in both.
    """
    values, place = _checked(y, stratum)
    one, other = np.asarray(first, dtype=bool), np.asarray(second, dtype=bool)
    if one.shape != values.shape or other.shape != values.shape or np.any(one & other):
        raise ValueError("first, second: expected one truth value a bin, and no bin in both.")
    won, pairs, bins = 0.0, 0, np.zeros(2, dtype=int)
    for code in np.unique(place):
        a, b = values[one & (place == code)], values[other & (place == code)]
        if a.size and b.size:
            won += float(np.sum(0.5 + 0.5 * np.sign(a[:, None] - b[None, :])))
            pairs += a.size * b.size
            bins += (a.size, b.size)
    return Superiority(won / pairs if pairs else float("nan"), pairs, (int(bins[0]), int(bins[1])))


def standings(y: ArrayLike, stratum: ArrayLike) -> Array:
    """(n,) half the bins of the same stratum below each bin, less half those above it; exact halves, so ties are ties.

    ValueError for values that are not finite.
    """
    values, place = _checked(y, stratum)
    found = np.zeros(values.size)
    for code in np.unique(place):
        here = place == code
        found[here] = 0.5 * np.sign(values[here][:, None] - values[here][None, :]).sum(axis=1)
    return found


def _checked(y: ArrayLike, stratum: ArrayLike) -> tuple[Array, NDArray[np.generic]]:
    values, place = np.asarray(y, dtype=float), np.asarray(stratum)
    if values.ndim != 1 or place.shape != values.shape or not np.all(np.isfinite(values)):
        raise ValueError(f"y: found shape {values.shape}; expected finite numbers in one row and a stratum for each.")
    return values, place
