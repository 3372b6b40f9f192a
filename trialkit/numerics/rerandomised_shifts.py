"""Intervals from the layout drawn again: the shifts of one treatment that the test does not reject.

If one treatment adds δ to every bin, then y less δ in its bins does not depend on the layout, and the test of
``rerandomisation`` applied to it has its nominal size; the shifts that it does not reject at level 1 − α are an
interval whose confidence rests on the draw alone (Lehmann 1963, Annals of Mathematical Statistics 34:1507). With L
layouts only some confidences exist: ``level_attained`` is the least one of them that is not below the level asked for.

*Difference.* In layout π the statistic is a_π − δ b_π, a and b being the sums over the bins that carry label 1 of y and
of the label as it was, both less the means of their strata. Layout π counts at δ where |a_π − δ b_π| ≥ |a − δ b|, and
because |b_π| ≤ b that is the interval between (a − a_π)/(b − b_π) and (a + a_π)/(b + b_π). Each contains the estimate
a/b, so the ends are order statistics: exact, without a search. Of pairs they are means of subsets of the differences
(Hartigan 1969, JASA 64:1303).

*Studentised.* With equal numbers of bins Welch's statistic orders layouts as the difference does, and the same holds.
With unequal numbers the count is a step function of δ whose outermost steps are searched for, from far out inwards.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor, pi, tan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.numerics.rerandomisation import DrawnLayouts, from_stratum_means, label_sums, least_counted
from trialkit.numerics.rerandomisation_squares import floor_of_chains, turned

Array = NDArray[np.float64]
_SAME = 1e-9  # share of b by which b − b_π is rounding, so that π is the layout used or its mirror image
_STEPS = 24  # of the search from far out to the estimate, evenly in the angle
_HALVINGS = 40


@dataclass(frozen=True)
class Shifts:
    """The shifts from ``low`` to ``high`` are not rejected at ``level``; their confidence is ``level_attained``."""

    low: float
    high: float
    level: float
    level_attained: float


def shifts_of_two(
    layouts: DrawnLayouts | None, y: ArrayLike, first: ArrayLike, stratum: ArrayLike, *, level: float
) -> Shifts | None:
    """The test ``compare_two`` inverted: label 1 less label 0. None where its floor lies above 1 − level.

    y: (n,) values. first: (n,) which bins carry label 1 in the layout that was used. stratum: (n,).
    """
    carries, place = np.asarray(first, dtype=bool), np.asarray(stratum)
    deviation = from_stratum_means(np.asarray(y, dtype=float), place)
    return shifts_of_sums(layouts, deviation, from_stratum_means(carries.astype(float), place), carries, level=level)


def shifts_of_sums(
    layouts: DrawnLayouts | None, deviation: Array, label: Array, first: ArrayLike, *, level: float
) -> Shifts | None:
    """The test ``compare_sums`` inverted. label: (n,) what a shift of one adds to the ``deviation`` of each unit."""
    if layouts is None:
        return None
    carries = np.asarray(first, dtype=bool)
    one = layouts.order[layouts.sizes[0] :]
    return shifts_between(
        label_sums(deviation, one),
        label_sums(label, one),
        (float(deviation[carries].sum()), float(label[carries].sum())),
        _counts(layouts.layouts, layouts.exact, layouts.floor, level),
        level,
    )


def shifts_of_two_studentised(
    layouts: DrawnLayouts | None, y: ArrayLike, first: ArrayLike, *, level: float
) -> Shifts | None:
    """The test ``compare_two_studentised`` inverted; as ``shifts_of_two``, without strata."""
    if layouts is None:
        return None
    carries = np.asarray(first, dtype=bool)
    alike = shifts_of_two(layouts, y, carries, np.zeros(carries.size), level=level)
    if alike is None or layouts.sizes[0] == layouts.sizes[1]:
        return alike
    counts = _counts(layouts.layouts, layouts.exact, layouts.floor, level)
    assert counts is not None
    count = _welch_counts(layouts, np.asarray(y, dtype=float), carries)
    response = np.asarray(y, dtype=float)
    middle = float(response[carries].mean() - response[~carries].mean())
    width = max(alike.high - alike.low, float(np.ptp(response)), 1e-300)
    low, high = (middle + _farthest(count, middle, side * width, counts[0]) for side in (-1.0, 1.0))
    return Shifts(low, high, level, counts[1])


def shifts_in_square(y: ArrayLike, first: ArrayLike, closed: list[NDArray[np.intp]], *, level: float) -> Shifts | None:
    """The test ``compare_two_in_square`` inverted; as ``shifts_of_two``."""
    if not closed:
        return None
    response, carries = np.asarray(y, dtype=float), np.asarray(first, dtype=bool)
    sign = np.where(carries, 1.0, -1.0)
    parts = np.array([float(np.sum(sign[chain] * response[chain])) for chain in closed])
    bins = np.array([float(carries[chain].sum()) for chain in closed])
    turns = turned(len(closed))
    counts = _counts(len(turns), True, floor_of_chains(len(closed)), level)
    return shifts_between(turns @ parts, turns @ bins, (float(parts.sum()), float(bins.sum())), counts, level)


def shifts_between(
    sums: Array, labels: Array, own: tuple[float, float], counts: tuple[int, float] | None, level: float
) -> Shifts | None:
    """Order statistics of the ends of all layouts. sums, labels: (L,) a_π and b_π; own: a and b.

    counts: the most layouts that may count at a shift that is rejected, and the level attained. A layout with |b_π| = b
    counts everywhere (and so, to be safe, does one with more, where units of unequal weight are exchanged).
    """
    if counts is None:
        return None
    sum_, label = own
    less, more = label - labels, label + labels
    everywhere = (less <= _SAME * label) | (more <= _SAME * label)
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.stack([(sum_ - sums) / less, (sum_ + sums) / more])
    low, high = np.where(everywhere, -np.inf, ends.min(axis=0)), np.where(everywhere, np.inf, ends.max(axis=0))
    rejected = counts[0]
    found = float(np.partition(low, rejected)[rejected]), float(-np.partition(-high, rejected)[rejected])
    return Shifts(*found, level, counts[1]) if np.all(np.isfinite(found)) else None


def _counts(layouts: int, exact: bool, least: float, level: float) -> tuple[int, float] | None:
    """The most layouts that may count at a shift that is rejected, and the level attained; None below the floor.

    Where all layouts are there, they come in groups of ``least``·L that always count together.
    """
    alpha = (1.0 - level) * (1.0 + 1e-9)
    if least > alpha:
        return None
    if not exact:
        rejected = floor(alpha * (1 + layouts))
        return rejected - 1, 1.0 - rejected / (1 + layouts)
    group = max(round(least * layouts), 1)
    rejected = group * (floor(alpha * layouts) // group)
    return rejected, 1.0 - rejected / layouts


def _welch_counts(layouts: DrawnLayouts, y: Array, carries: NDArray[np.bool_]) -> Callable[[float], int]:
    """How many layouts count at a shift, by Welch's statistic.

    With u and z the values and labels less their means, A the square of the sum of u − δz over the bins of label 1 and
    S the sum of its squares there, both quadratic in δ, Welch's variance is (v₁ − v₀)S + v₀W − (v₁/n₁ + v₀/n₀)A with
    v = 1/(n(n − 1)) and W the sum of squares of all bins. A layout counts where A is at least t² times that, which is
    one product of six numbers a layout with six that hold for all.
    """
    n0, n1 = layouts.sizes
    one = layouts.order[n0:]
    u, z = y - y.mean(), carries - carries.mean()
    parts = (u, z, u * u, u * z, z * z)
    whole = [float(np.sum(part)) for part in parts]
    v0, v1 = 1.0 / (n0 * (n0 - 1)), 1.0 / (n1 * (n1 - 1))
    kappa = v1 / n1 + v0 / n0

    def six(sums: Sequence[Array]) -> Array:
        a, b, uu, uz, zz = sums
        return np.stack([a * a, a * b, b * b, uu, uz, zz], axis=-1)

    every_layout = six([label_sums(part, one) for part in parts])
    used = six([np.array(part[carries].sum()) for part in parts])

    def count(shift: float) -> int:
        powers = np.array([1.0, -2.0 * shift, shift**2])
        all_bins = float(powers @ np.array(whole[2:]))
        square, spread = float(powers @ used[:3]), float(powers @ used[3:])
        variance = max((v1 - v0) * spread + v0 * all_bins - kappa * square, 1e-13 * all_bins)
        limit = least_counted(float(np.sqrt(square / variance)), 0.0) ** 2
        weights = np.concatenate([(1.0 + limit * kappa) * powers, -limit * (v1 - v0) * powers])
        return int(np.sum(every_layout @ weights >= limit * v0 * all_bins))

    return count


def _farthest(count: Callable[[float], int], middle: float, width: float, rejected: int) -> float:
    """The farthest distance from ``middle`` on the side of ``width`` at which more than ``rejected`` layouts count."""
    angles = [pi / 2 * k / (_STEPS + 1) for k in range(_STEPS, 0, -1)]
    outer = width * tan(angles[0])
    while count(middle + outer) > rejected:
        outer *= 4.0
    inner = 0.0
    for angle in angles[1:]:
        here = width * tan(angle)
        if count(middle + here) > rejected:
            inner = here
            break
        outer = here
    for _ in range(_HALVINGS):
        half = 0.5 * (inner + outer)
        inner, outer = (half, outer) if count(middle + half) > rejected else (inner, half)
    return inner
