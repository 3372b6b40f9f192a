"""One small trial analysed for thousands of responses at once.

``many_responses``          one random factor (blocks, sites): REML and Kenward-Roger for every column.
``least_squares_responses`` everything fixed, as in the default analysis of blocks: one projection.

The model is y = Xβ + Zu + e with V = σ²(I + ρZZ'), ρ the group variance ÷ the residual variance. Everything that
depends on the design is done once; a column then costs a few dozen operations. In an orthonormal basis N of error
contrasts (N'X = 0, m = n − rank X columns) turned to the eigenvectors of N'ZZ'N, with distinct eigenvalues λ of
multiplicity m_λ and sums of squares s_λ, the restricted likelihood is

    −2ℓ(ρ) = Σ m_λ log(1 + ρλ) + m log Σ s_λ/(1 + ρλ) + constant,   σ² = Σ s_λ/(1 + ρλ) / m.

For a contrast c the variance c'Φc = σ²v(ρ) is linear fractional in ρ, and with V linear in (σ_g², σ²) the two
corrections of Kenward & Roger (1997, Biometrics 53:983) are derivatives of that one function. With
S_j = Σ m_λ λ^j/(1 + ρλ)² and D = S_0 S_2 − S_1²:

    SE² = σ² (v − 2 m v''/D),      df = D v² / Σ m_λ (v' − λ(v − ρv'))²/(1 + ρλ)².
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError
from trialkit.numerics.response_design import (
    NO_ERROR,
    SMALLEST_EIGENVALUE,
    ResponseDesign,
    checked_arrays,
    error_contrasts,
    estimable,
    response_design,
)
from trialkit.records import read_only

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SETTLED = 1e-7  # relative step of Newton after which the next would be below 1e-12
_NOTHING_LEFT = 1e-24  # residual ÷ total sum of squares below which a column has no variation inside groups
_LARGEST_RATIO = 1e7  # of group to residual variance, times λ: beyond, the residual variance passes for zero
_FEWEST_DF = 1.0 - 1e-9  # one, and rounding
_LOOKED_AT = 1024  # columns whose slopes on the grid stay in the processor's cache
_COLUMNS = 10240  # worked on together, so that memory stays flat
# Where the slope of the likelihood is looked at before Newton starts. Up to ρ = 0 in u = 1/(1 + ρλ̄), 0 standing for
# ρ = ∞; below zero in the smallest eigenvalue of V ÷ σ², because narrow valleys lie close to the end of the domain.
_POSITIVE = np.array([0.0, 1e-6, 1e-3, 0.01, 0.04, 0.1, 0.2, 0.35, 0.55, 0.8, 1.0])
_NEGATIVE = np.array([0.85, 0.65, 0.45, 0.25, 0.12, 0.05, 0.02, 0.006, 0.002, 6e-4, 2e-4, SMALLEST_EIGENVALUE])


@dataclass(frozen=True, eq=False)
class ManyResponses:
    """What every response says about the contrasts.

    ``estimate, std_error, df``: (S,) for one contrast, (q, S) for q. ``ratio`` (S,): group ÷ residual variance,
    negative where that fits best and is allowed. ``residual_variance`` (S,). ``at_bound`` (S,): the ratio sits at the
    end of its domain. ``refused``, shaped as the estimates: no interval can be had (df below 1, or no variation inside
    groups); standard error and df are NaN there.
    """

    estimate: Array
    std_error: Array
    df: Array
    ratio: Array
    residual_variance: Array
    at_bound: Mask
    refused: Mask


@dataclass(frozen=True, eq=False)
class LeastSquaresResponses:
    """``estimate`` and ``std_error`` (S,) or (q, S); ``df`` one number; ``residual_variance`` (S,)."""

    estimate: Array
    std_error: Array
    df: int
    residual_variance: Array


def many_responses(
    y: ArrayLike, fixed: ArrayLike, groups: ArrayLike, weights: ArrayLike, bounded: bool = False
) -> ManyResponses:
    """REML and Kenward-Roger for every column of ``y``, with one random factor.

    y: (n, S) responses of n bins. fixed: (n, p) design of the fixed effects, columns may be dependent. groups: (n,)
    integer codes of the random factor. weights: (p,) or (q, p), each row the weights of a contrast of the p
    coefficients. ``bounded=False`` lets the group variance be negative, as far as every eigenvalue of V stays at
    1e-4 σ² or above; ``bounded=True`` keeps it at zero or above.

    Raises ValueError for arrays that do not fit together, DesignError where these bins cannot answer: a contrast that
    is not estimable, no degrees of freedom inside groups, the two variances not distinguishable.
    """
    responses, design_matrix, contrasts = checked_arrays(y, fixed, weights)
    codes = np.asarray(groups)
    if codes.shape != (design_matrix.shape[0],):
        raise ValueError(f"groups: found shape {codes.shape}; expected one code for each of the {len(responses)} rows.")
    if not np.issubdtype(codes.dtype, np.integer):
        raise ValueError(f"groups: found {codes.dtype}; expected integer codes.")
    rows = np.atleast_2d(contrasts)
    design = response_design(design_matrix, codes, rows, bounded)
    total = responses.shape[1]
    estimate, std_error, df = (np.empty((rows.shape[0], total)) for _ in range(3))
    ratio, variance, at_bound = np.empty(total), np.empty(total), np.empty(total, dtype=bool)
    for start in range(0, total, _COLUMNS):
        part = slice(start, min(start + _COLUMNS, total))
        block = responses[:, part]
        squares, empty = _sums_of_squares(design, block)
        u = _maximise(design, squares)
        at_bound[part] = u == _largest_u(design)
        ratio[part], variance[part] = _answer(
            design, block, u, squares, empty, estimate[:, part], std_error[:, part], df[:, part]
        )
    refused = ~(df >= _FEWEST_DF)
    std_error[refused] = np.nan
    df[refused] = np.nan
    if contrasts.ndim == 1:
        estimate, std_error, df, refused = estimate[0], std_error[0], df[0], refused[0]
    found = (estimate, std_error, df, ratio, variance, at_bound, refused)
    return ManyResponses(*(read_only(array) for array in found))


def least_squares_responses(y: ArrayLike, fixed: ArrayLike, weights: ArrayLike) -> LeastSquaresResponses:
    """Ordinary least squares of every column of ``y``: the default analysis, blocks among the fixed effects.

    y: (n, S). fixed: (n, p), columns may be dependent. weights: (p,) or (q, p). Raises ValueError for arrays that do
    not fit together, DesignError for a contrast that is not estimable and where no error degrees of freedom are left.
    """
    responses, design_matrix, contrasts = checked_arrays(y, fixed, weights)
    basis, plain = estimable(design_matrix, np.atleast_2d(contrasts))
    df = design_matrix.shape[0] - basis.shape[1]
    if df < 1:
        raise DesignError(NO_ERROR.format(bins=design_matrix.shape[0], effects=basis.shape[1]))
    error = error_contrasts(basis)
    residual = error.T @ responses
    variance = np.einsum("ij,ij->j", residual, residual) / df
    estimate = plain @ responses
    std_error = np.sqrt(np.einsum("ij,ij->i", plain, plain))[:, None] * np.sqrt(variance)
    if contrasts.ndim == 1:
        estimate, std_error = estimate[0], std_error[0]
    return LeastSquaresResponses(read_only(estimate), read_only(std_error), df, read_only(variance))


def _middle(design: ResponseDesign) -> float:
    """λ̄, the typical eigenvalue that scales u = 1/(1 + ρλ̄)."""
    return float(design.count @ design.value / design.count.sum())


def _largest_u(design: ResponseDesign) -> float:
    return 1.0 / (1.0 + design.lowest * _middle(design))


def _shrink(relative: Array, u: Array) -> Array:
    """a = 1/(r + u(1 − r)) for r = λ/λ̄ (k,) and u (S,): u·a = 1/(1 + ρλ). Shape (k, S)."""
    shrink = np.multiply.outer(1.0 - relative, u)
    shrink += relative[:, None]
    return np.asarray(np.reciprocal(shrink, out=shrink))


def _sums_of_squares(design: ResponseDesign, block: Array) -> tuple[Array, Mask]:
    """s_λ (1 + k, S), λ = 0 first, and which columns have no variation inside groups (their sums are set to 1)."""
    coordinates = design.rows @ block
    squares = np.zeros((design.cuts.size - 1, block.shape[1]))
    for row, (start, end) in enumerate(pairwise(design.cuts)):
        np.einsum("ij,ij->j", coordinates[start:end], coordinates[start:end], out=squares[row])
    left = squares[0] if design.zeros else squares.sum(axis=0)
    empty = left <= _NOTHING_LEFT * np.einsum("ij,ij->j", block, block)
    if empty.any():
        squares[:, empty] = 1.0
    return squares, empty


def _maximise(design: ResponseDesign, squares: Array) -> Array:
    """u (S,) at the maximum of the restricted likelihood over the domain.

    φ(u) = T·R − mU has the sign of the derivative of −2ℓ in ρ; with two distinct eigenvalues it is a straight line in
    u, and close to one otherwise, so Newton from a secant needs three or four steps. Without λ = 0 (no difference lies
    wholly inside groups) φ/u takes its place, and the maximum may lie at ρ = ∞, u = 0: no answer there.
    """
    relative = design.value / _middle(design)
    top = _largest_u(design)
    grid = _POSITIVE
    if design.lowest < 0.0:
        negative = design.lowest * (1.0 - _NEGATIVE) / (1.0 - SMALLEST_EIGENVALUE)
        grid = np.concatenate([grid, 1.0 / (1.0 + negative[:-1] * _middle(design)), [top]])
    shrink = _shrink(relative, grid)  # (k, G)
    pull = (design.count * relative) @ shrink
    along = grid if design.zeros else np.ones(grid.size)
    slope = np.column_stack([pull, (along * shrink * (pull - design.errors * relative[:, None] * shrink)).T])
    valleys_found = [
        _valleys(slope, squares[:, start : start + _LOOKED_AT]) for start in range(0, squares.shape[1], _LOOKED_AT)
    ]
    end, column, at_low, at_high = (
        np.concatenate(parts) for parts in zip(*(v[:4] for v in valleys_found), strict=True)
    )
    column += np.repeat(np.arange(len(valleys_found)) * _LOOKED_AT, [v[1].size for v in valleys_found])
    first, last = (np.concatenate(parts) for parts in zip(*(v[4:] for v in valleys_found), strict=True))
    found = _roots(design, squares[:, column], grid[end], grid[end + 1], at_low, at_high)
    u = np.where(last, top, 0.0)
    u[column] = found
    # A column with several valleys (one may lie at an end of the domain) takes the deepest.
    valleys = np.bincount(column, minlength=u.size) + last + ~first
    repeated = valleys[column] > 1
    if repeated.any():
        lowest, infinite = (np.flatnonzero((valleys > 1) & there) for there in (last, ~first))
        candidate = np.concatenate([found[repeated], np.full(lowest.size, top), np.zeros(infinite.size)])
        _take_deepest(design, squares, np.concatenate([column[repeated], lowest, infinite]), candidate, u)
    return u


def _roots(design: ResponseDesign, squares: Array, low: Array, high: Array, at_low: Array, at_high: Array) -> Array:
    """Newton for φ(u) = 0 in each bracket low … high (S,), φ being above zero at ``low`` and not at ``high``."""
    u = low + (high - low) * (at_low / (at_low - at_high))
    relative = design.value / _middle(design)
    m, open_ = design.errors, np.arange(u.size)
    inside, rest, pulled = squares[0], squares[1:], relative[:, None] * squares[1:]
    ones, bent = np.ones(relative.size), 1.0 - relative
    counted = design.count * relative
    now = u.copy()
    for _ in range(80):
        a = _shrink(relative, now)
        a2 = a * a
        pull, pull_slope = counted @ a, (counted * bent) @ a2  # T and −dT/du
        mass = inside + now * (ones @ (rest * a))  # R
        a2 *= pulled
        steep = ones @ a2  # dR/du, and U/u
        a2 *= a
        curve = bent @ a2
        phi = pull * mass - m * (now * steep)
        slope = (pull - m) * steep - pull_slope * mass + (2.0 * m) * (now * curve)
        if not design.zeros:
            phi = phi / now
            slope = (slope - phi) / now
        with np.errstate(divide="ignore", invalid="ignore"):
            step = now - phi / slope
        left = phi > 0.0  # of the root
        np.copyto(low, now, where=left)
        np.copyto(high, now, where=~left)
        inside_bracket = (step >= low) & (step <= high)
        if not inside_bracket.all():
            step = np.where(inside_bracket, step, 0.5 * (low + high))
        u[open_] = step
        kept = np.flatnonzero(np.abs(step - now) > _SETTLED * now)
        if kept.size == 0:
            break
        if kept.size < 0.7 * open_.size:
            open_, low, high, inside = open_[kept], low[kept], high[kept], inside[kept]
            rest, pulled, step = rest[:, kept], pulled[:, kept], step[kept]
        now = step
    return u


def _valleys(slope: Array, squares: Array) -> tuple[NDArray[np.intp], NDArray[np.intp], Array, Array, Mask, Mask]:
    """Where φ (rows of the grid) turns from above zero: grid positions, columns, φ on both sides; and whether it is
    above zero at both ends of the grid. A valley of −2ℓ lies between grid[end] and grid[end + 1].
    """
    height = slope @ squares
    rising = height > 0.0
    end, column = np.nonzero(rising[:-1] > rising[1:])
    return end, column, height[end, column], height[end + 1, column], rising[0], rising[-1]


def _take_deepest(design: ResponseDesign, squares: Array, column: NDArray[np.intp], candidate: Array, u: Array) -> None:
    """Put into ``u`` the candidate with the lowest −2ℓ of each column that has candidates."""
    depth = _deviance(design, squares[:, column], candidate)
    order = np.argsort(-depth, kind="stable")  # written last, the deepest stays
    u[column[order]] = candidate[order]


def _deviance(design: ResponseDesign, squares: Array, u: Array) -> Array:
    """−2ℓ (S,) up to a constant, in u = 1/(1 + ρλ̄)."""
    weight = _shrink(design.value / _middle(design), u)
    if design.zeros:
        weight *= u
    mass = squares[0] + (weight * squares[1:]).sum(axis=0)
    return np.asarray(design.errors * np.log(mass) - design.count @ np.log(weight))


def _answer(
    design: ResponseDesign,
    block: Array,
    u: Array,
    squares: Array,
    empty: Mask,
    estimate: Array,
    std_error: Array,
    df: Array,
) -> tuple[Array, Array]:
    """Fill estimate, std_error and df (q, S) at the maximum; returns ratio and residual variance (S,)."""
    middle, value, count = _middle(design), design.value[:, None], design.count
    a = _shrink(design.value / middle, u)
    with np.errstate(divide="ignore"):
        ratio = (1.0 / u - 1.0) / middle
    nothing = empty | (ratio * design.value[-1] > _LARGEST_RATIO)
    if nothing.any():
        u = np.where(nothing, 1.0, u)
        ratio = np.where(nothing, 0.0, ratio)
    weight = u * a  # 1/(1 + ρλ)
    pull = ((1.0 - u) / middle) * a  # ρ/(1 + ρλ)
    variance = (squares[0] + np.einsum("ij,ij->j", weight, squares[1:])) / design.errors
    square = weight * weight
    s1, s2 = (count * design.value) @ square, (count * design.value**2) @ square
    determinant = design.zeros * s2 + (count @ square * s2 - s1 * s1 if count.size > 1 else 0.0)
    for j in range(estimate.shape[0]):
        estimate[j] = design.plain[j] @ block - np.einsum("ij,ij->j", pull, design.shift[j] @ block)
        bend = design.bend[j]
        flow = design.slope[j] - bend @ pull
        plain = design.base[j] + ratio * flow  # v
        first = flow - bend @ (pull * weight)  # v'
        intercept = design.base[j] + bend @ (pull * pull)  # v − ρv'
        second = -2.0 * (bend @ (square * weight))  # v''
        std_error[j] = np.sqrt(variance * (plain - 2.0 * design.errors * second / determinant))
        spread = design.zeros * first * first + count @ (square * (first - value * intercept) ** 2)
        df[j] = determinant * plain * plain / spread
    if nothing.any():
        df[:, nothing] = np.nan
        ratio[nothing] = np.inf
        variance[nothing] = 0.0
    return ratio, variance
