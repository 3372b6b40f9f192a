"""The layout drawn again: how many of the layouts that could have been drawn set treatments as far apart as they are.

Only the draw is relied on, not the shape of the errors. n bins with values ``y`` (n,), ``treatment`` codes (n,) and
``stratum`` codes (n,): labels are exchanged inside a stratum (block, whole plot) and nowhere else. L layouts.

Two treatments. Their labels alone are exchanged, among their own bins, so that a third treatment that works does not
hide anything. With n₁, n₀ bins of the two in a stratum, least squares with strata fixed gives them the weight
n₁n₀/(n₁ + n₀), and up to a factor that no exchange changes the adjusted difference is

    D = Σ over bins of the first treatment of (y − mean of the two treatments' bins in the stratum).

Without strata the difference is studentised by the two variances (Welch), so that unequal variances do no harm.

All treatments. An exchange inside strata leaves n_ij, the bins of treatment i in stratum j, as it was, and with it
C = diag(n_i) − Σ_j n_ij n_i'j / n_j; the sum of squares of treatments adjusted for strata is b' C⁻ b, b_i the sum over
the bins of treatment i of y − (mean of the stratum).

Below 200,000 layouts all are counted; above, 99,999 are drawn with a fixed seed and p = (1 + hits)/(1 + 99,999).
Statistics within a share of 1e-9 count as equal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from math import factorial, prod

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.numerics.strata import inverse_of_counts
from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Labels = NDArray[np.uint8]
Kept = Callable[[Labels], NDArray[np.bool_]]

MOST_COUNTED = 200_000
DRAWN = 99_999
SEED = 20_261_125
_SAME = 1e-9
_ROUNDING = 1e-13  # of the sum of all sizes: what adding in another order changes
_ROUNDS = 40  # of drawing, before a redraw rule counts as one that keeps next to nothing


@dataclass(frozen=True, eq=False)
class DrawnLayouts:
    """The layouts to compare with. ``order`` (n, L): the bins sorted by their label in each layout, ``sizes`` (T,) how
    many come with each label. ``exact``: all layouts are here. ``floor`` the smallest p they can give.
    """

    order: Labels
    sizes: tuple[int, ...]
    exact: bool
    floor: float

    @property
    def layouts(self) -> int:
        return int(self.order.shape[1])


@dataclass(frozen=True)
class LayoutTest:
    """``p`` None where no exchange is possible (``floor`` is then 1); ``layouts`` counted, all of them if ``exact``."""

    p: float | None
    floor: float
    layouts: int
    exact: bool


NO_TEST = LayoutTest(None, 1.0, 1, True)


def layouts_within(
    labels: ArrayLike, stratum: ArrayLike, *, kept: Kept | None = None, most: int = MOST_COUNTED, draws: int = DRAWN
) -> DrawnLayouts | None:
    """Every exchange of labels inside strata, or a sample of them; None where there is only one layout.

    labels, stratum: (n,) codes from 0, n ≤ 255, every label present. kept: takes labels (L, n) and tells which layouts
    the redraw rule would have kept. None also where the rule keeps too few to draw from.
    """
    codes, place = _checked(labels, stratum)
    sizes = tuple(np.bincount(codes).tolist())
    groups = [np.flatnonzero(place == j) for j in np.unique(place)]
    total = prod(_arrangements(codes[group]) for group in groups)
    if total == 1:
        return None
    alike = _alike(codes, groups)
    if total < most:
        found = _every_layout(codes, groups)
        if kept is not None:
            found = found[kept(found)]
        if len(found) < 2:
            return None
        order = np.argsort(found, axis=1, kind="stable").astype(np.uint8)
        return DrawnLayouts(_by_bin(order), sizes, True, min(1.0, alike / len(found)))
    drawn = _sample(codes, groups, kept, draws)
    if drawn is None:
        return None
    return DrawnLayouts(_by_bin(drawn), sizes, False, max(alike / total, 1.0 / (1 + draws)))


def compare_two(layouts: DrawnLayouts | None, y: ArrayLike, first: ArrayLike, stratum: ArrayLike) -> LayoutTest:
    """Two-sided test of label 1 beside label 0. ``first`` (n,) which bins carry label 1 in the layout that was used."""
    return compare_sums(layouts, from_stratum_means(np.asarray(y, dtype=float), np.asarray(stratum)), first)


def compare_sums(layouts: DrawnLayouts | None, deviation: Array, first: ArrayLike) -> LayoutTest:
    """The same of units with a ``deviation`` (n,) each, which adds up to 0 inside every stratum."""
    if layouts is None:
        return NO_TEST
    observed = float(deviation[np.asarray(first, dtype=bool)].sum())
    found = np.abs(label_sums(deviation, layouts.order[layouts.sizes[0] :]))
    return _counted(layouts, found, abs(observed), float(np.abs(deviation).sum()))


def compare_two_studentised(layouts: DrawnLayouts | None, y: ArrayLike, first: ArrayLike) -> LayoutTest:
    """The same without strata, the difference divided by Welch's standard error; both labels need two bins or more."""
    if layouts is None:
        return NO_TEST
    response = np.asarray(y, dtype=float)
    n0, n1 = layouts.sizes
    deviation = response - response.mean()
    squares = deviation**2

    def studentised(total: Array, square: Array) -> Array:
        """|difference of means| ÷ Welch's standard error from the sums over the bins of label 1; all sums are 0."""
        within1 = np.maximum(square - total**2 / n1, 0.0)
        within0 = np.maximum(squares.sum() - square - total**2 / n0, 0.0)
        variance = within1 / ((n1 - 1) * n1) + within0 / ((n0 - 1) * n0)
        difference = np.abs(total) * (1.0 / n1 + 1.0 / n0)
        return np.asarray(difference / np.sqrt(np.maximum(variance, _ROUNDING * squares.sum())))

    one = layouts.order[n0:]
    found = studentised(label_sums(deviation, one), label_sums(squares, one))
    chosen = np.asarray(first, dtype=bool)
    observed = studentised(np.array([deviation[chosen].sum()]), np.array([squares[chosen].sum()]))
    return _counted(layouts, found, float(observed[0]), 0.0)


def compare_all(layouts: DrawnLayouts | None, y: ArrayLike, labels: ArrayLike, stratum: ArrayLike) -> LayoutTest:
    """Test that no treatment differs from any other: the sum of squares of treatments adjusted for strata."""
    if layouts is None:
        return NO_TEST
    codes, place = _checked(labels, stratum)
    deviation = from_stratum_means(np.asarray(y, dtype=float), place)
    counts = np.zeros((codes.max() + 1, place.max() + 1))
    np.add.at(counts, (codes, place), 1.0)
    bins = counts.sum(axis=0)
    information = np.diag(counts.sum(axis=1)) - (counts / np.maximum(bins, 1.0)) @ counts.T
    return _sum_of_squares_test(layouts, deviation, codes, inverse_of_counts(information))


def _sum_of_squares_test(layouts: DrawnLayouts, deviation: Array, codes: Codes, inverse: Array) -> LayoutTest:
    ends = np.cumsum(layouts.sizes)
    parts = (layouts.order[end - size : end] for end, size in zip(ends, layouts.sizes, strict=True))
    sums = np.stack([label_sums(deviation, part) for part in parts], axis=1)
    own = np.bincount(codes, weights=deviation)
    found = np.sum((sums @ inverse) * sums, axis=1)
    return _counted(layouts, found, float(own @ inverse @ own), float(np.sum(deviation**2)))


# ---------------------------------------------------------------- inside
def _checked(labels: ArrayLike, stratum: ArrayLike) -> tuple[Codes, Codes]:
    codes, place = np.asarray(labels, dtype=np.intp), np.asarray(stratum)
    if codes.ndim != 1 or codes.size == 0 or codes.size > 255 or place.shape != codes.shape:
        raise ValueError(f"labels: found shape {codes.shape}; expected 1 to 255 codes and a stratum for each.")
    if codes.min() < 0 or np.any(np.bincount(codes) == 0):
        raise ValueError("labels: expected every code from 0 up to the largest to have a bin.")
    return codes, np.unique(place, return_inverse=True)[1].astype(np.intp)


def _arrangements(codes: Codes) -> int:
    return factorial(codes.size) // prod(factorial(int(n)) for n in np.bincount(codes))


def _alike(codes: Codes, groups: list[Codes]) -> int:
    """How many exchanges of whole labels every layout allows: they give the same statistic.

    A stratum with one label only adds nothing to any statistic, so it need not allow them.
    """
    mixed = [codes[group] for group in groups if np.unique(codes[group]).size > 1]
    counts = np.array([np.bincount(here, minlength=codes.max() + 1) for here in mixed])
    _, times = np.unique(counts.T, axis=0, return_counts=True)
    return prod(factorial(int(n)) for n in times)


def _distinct(codes: Codes) -> Iterator[tuple[int, ...]]:
    """Every different order of a few labels."""
    left = dict(zip(*(part.tolist() for part in np.unique(codes, return_counts=True)), strict=True))

    def fill(prefix: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        if len(prefix) == codes.size:
            yield prefix
            return
        for label, count in left.items():
            if count:
                left[label] = count - 1
                yield from fill((*prefix, label))
                left[label] = count

    yield from fill(())


def _every_layout(codes: Codes, groups: list[Codes]) -> Labels:
    found = np.array(codes[None, :], dtype=np.uint8)
    for group in groups:
        here = codes[group]
        if len(np.unique(here)) == 1:
            continue
        if len(np.unique(here)) == 2:
            low, high = np.unique(here)
            chosen = np.array(list(combinations(range(here.size), int(np.sum(here == high)))), dtype=np.intp)
            ways = np.full((len(chosen), here.size), low, dtype=np.uint8)
            np.put_along_axis(ways, chosen, np.uint8(high), axis=1)
        else:
            ways = np.array(list(_distinct(here)), dtype=np.uint8)
        before = len(found)
        found = np.repeat(found, len(ways), axis=0)
        found[:, group] = np.tile(ways, (before, 1))
    return found


def _sample(codes: Codes, groups: list[Codes], kept: Kept | None, draws: int) -> Labels | None:
    """(draws, n) bins sorted by label, of layouts drawn at random and kept by the rule."""
    random = np.random.default_rng(SEED)
    base = np.argsort(codes, kind="stable")
    sorted_codes = codes[base].astype(np.uint8)
    parts: list[Labels] = []
    missing = draws
    for _ in range(1 if kept is None else _ROUNDS):
        bins = np.tile(np.arange(codes.size, dtype=np.uint8), (draws, 1))
        for group in groups:
            if group.size > 1:
                bins[:, group] = random.permuted(bins[:, group], axis=1)
        order = bins[:, base]
        if kept is not None:
            labels = np.empty_like(order)
            np.put_along_axis(labels, order.astype(np.intp), np.broadcast_to(sorted_codes, order.shape), axis=1)
            order = order[kept(labels)]
        parts.append(order[:missing])
        missing -= len(parts[-1])
        if missing == 0:
            return np.concatenate(parts)
    return None


def from_stratum_means(y: Array, place: NDArray[np.generic]) -> Array:
    """(n,) values less the mean of their stratum."""
    code = np.unique(place, return_inverse=True)[1]
    centred = y - y.mean()
    means = np.bincount(code, weights=centred) / np.bincount(code)
    return np.asarray(centred - means[code])


def label_sums(values: Array, order: Labels) -> Array:
    """Σ over rows of values[order], (L,), of values (n,): bin by bin, which stays in the processor's cache."""
    total = np.zeros(order.shape[1])
    for bins in order:
        total += values.take(bins, mode="clip")
    return total


def _by_bin(order: Labels) -> Labels:
    return read_only(np.ascontiguousarray(order.T))


def least_counted(observed: float, scale: float) -> float:
    return observed - _SAME * abs(observed) - _ROUNDING * scale


def _counted(layouts: DrawnLayouts, found: Array, observed: float, scale: float) -> LayoutTest:
    if layouts.floor >= 1.0:
        return LayoutTest(None, 1.0, layouts.layouts, layouts.exact)
    hits = int(np.sum(found >= least_counted(observed, scale)))
    p = hits / found.size if layouts.exact else (1 + hits) / (1 + found.size)
    return LayoutTest(p, layouts.floor, layouts.layouts, layouts.exact)
