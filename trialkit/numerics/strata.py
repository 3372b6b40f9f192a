"""Least squares with blocks fixed: what treatments differ by inside blocks, for any pattern of lost bins.

Model, n bins, T treatments, B blocks, S responses analysed at once:

    y = X τ + Z β + e,   e independent, variance σ²

``y`` (n,) or (n, S); ``X`` (n, T) and ``Z`` (n, B) zeros and ones; without blocks Z is absent. The design is worked
out once (``strata_design``) and applied to any number of responses (``fit_strata``), so that an analysis and its
calibration run the same code.

Treatments and blocks form a graph, a bin being an edge. Two treatments can be compared inside blocks exactly where a
path joins them; everything else about ranks follows by counting: with c connected components,

    error df = n − T − B + c      treatment df = T − c      block df, adjusted for treatments = B − c

(T counting the treatments present). The block variance is Henderson's third method: with MS_block the mean square of
blocks adjusted for treatments, E(MS_block) = σ² + n₀ σ²_block and

    n₀ = [n − Σ_ij n_ij² / n_i.] / (B − c)

where n_ij bins of treatment i stand in block j (Searle, Casella & McCulloch 1992, Variance Components, ch. 5). In
complete blocks n₀ is the number of treatments. The estimate (MS_block − MS_error) / n₀ may be negative and is
returned as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
_NOTHING = 1e-9
_REMEMBERED_BINS = 64  # three matrices of so many squared: 100 kB


@dataclass(frozen=True, eq=False)
class StrataDesign:
    """What follows from the layout alone.

    ``counts`` (T, B) bins of a treatment in a block (B = 1 without blocks). ``component`` (T,) label of the connected
    part of the layout a treatment lies in, −1 where it has no bin. ``connected`` (T, T) whether a pair can be compared
    inside blocks. ``informative`` (B,) whether a block holds two treatments or more. ``mean_map`` (T, n) turns a
    response into treatment means adjusted to the average of the informative blocks of their component (NaN rows where
    there is no bin); ``unit_covariance`` (T, T) is their covariance in units of σ². ``error_projection``,
    ``treatment_projection``, ``block_projection`` (n, n) project on error, treatments adjusted for blocks and blocks
    adjusted for treatments. ``n0`` is NaN where blocks have no df of their own.
    """

    counts: NDArray[np.intp]
    component: Codes
    connected: NDArray[np.bool_]
    informative: NDArray[np.bool_]
    error_df: int
    treatment_df: int
    block_df: int
    mean_map: Array
    unit_covariance: Array
    error_projection: Array
    treatment_projection: Array
    block_projection: Array
    n0: float


@dataclass(frozen=True, eq=False)
class StrataFit:
    """Results for one response, or for S responses along a last axis.

    ``means`` (T,), ``differences`` and ``std_errors`` (T, T) row minus column, NaN where the pair is not connected;
    ``error_mean_square``, ``block_mean_square``, ``block_variance``, ``treatment_mean_square``, ``f`` and ``p`` one
    number each, NaN where they have no df. All gain a last axis S when y has one.
    """

    means: Array
    differences: Array
    std_errors: Array
    error_mean_square: Array
    treatment_mean_square: Array
    block_mean_square: Array
    block_variance: Array
    f: Array
    p: Array


def strata_design(
    treatment: ArrayLike, block: ArrayLike | None = None, *, treatments: int | None = None
) -> StrataDesign:
    """Ranks, projections and adjusted means of a layout.

    treatment: (n,) codes 0 … T−1. block: (n,) codes 0 … B−1, each with a bin, or None for no blocks. treatments: T
    where some treatment has no bin. ValueError for codes that do not fit.
    """
    arm = _codes("treatment", treatment)
    arms = int(arm.max()) + 1 if treatments is None else treatments
    if arm.max() >= arms:
        raise ValueError(f"treatment: found the code {arm.max()}; expected codes below {arms}.")
    present = np.bincount(arm, minlength=arms) > 0
    if block is None:
        place, places = np.zeros(arm.size, dtype=np.intp), 1
    else:
        place = _codes("block", block)
        if place.shape != arm.shape:
            raise ValueError(f"block: found {place.size} codes; expected one for each of {arm.size} bins.")
        places = int(place.max()) + 1
        if np.any(np.bincount(place, minlength=places) == 0):
            raise ValueError("block: expected every code up to the largest to have a bin.")
    counts = np.zeros((arms, places), dtype=np.intp)
    np.add.at(counts, (arm, place), 1)

    component, block_component = _components(counts)
    parts = int(component.max()) + 1
    connected = (component[:, None] == component[None, :]) & present[:, None] & present[None, :]
    informative = np.sum(counts > 0, axis=0) >= 2

    n, t, b = arm.size, int(present.sum()), places
    x = np.eye(arms)[:, present][arm]
    z = np.eye(places)[place]
    both = np.hstack([x, z])
    identity = np.eye(n)
    error = identity - _projection(both, t + b - parts)
    blocks_removed = identity - _projection(z, b)
    treatments_removed = identity - _projection(x, t)

    # τ_i + average β_j over the informative blocks of i's component is estimable, so any solution serves.
    inverse = np.linalg.pinv(both, rcond=1e-10)
    mean_map = np.full((arms, n), np.nan)
    for position, i in enumerate(np.flatnonzero(present)):
        reach = (block_component == component[i]) & informative
        if not reach.any():
            reach = counts[i] > 0
        mean_map[i] = inverse[position] + inverse[t:][reach].mean(axis=0)

    block_df = b - parts if block is not None else 0
    bins_of = counts.sum(axis=1)
    overlap = float(np.sum(counts[present] ** 2 / bins_of[present, None]))
    return StrataDesign(
        counts=read_only(counts),
        component=read_only(component),
        connected=read_only(connected),
        informative=read_only(informative),
        error_df=n - t - b + parts,
        treatment_df=t - parts,
        block_df=block_df,
        mean_map=read_only(mean_map),
        unit_covariance=read_only(mean_map @ mean_map.T),
        error_projection=read_only(error),
        treatment_projection=read_only(blocks_removed - error),
        block_projection=read_only(treatments_removed - error),
        n0=(n - overlap) / block_df if block_df > 0 else float("nan"),
    )


def remembered_design(treatment: Codes, block: Codes | None = None, *, treatments: int) -> StrataDesign:
    """``strata_design``, kept for the next outcome that is read on the same bins."""
    if treatment.size > _REMEMBERED_BINS:
        return strata_design(treatment, block, treatments=treatments)
    return _remembered(treatment.tobytes(), None if block is None else block.tobytes(), treatments)


@lru_cache(maxsize=256)
def _remembered(treatment: bytes, block: bytes | None, treatments: int) -> StrataDesign:
    place = None if block is None else np.frombuffer(block, dtype=np.intp)
    return strata_design(np.frombuffer(treatment, dtype=np.intp), place, treatments=treatments)


def fit_strata(design: StrataDesign, y: ArrayLike) -> StrataFit:
    """Means, differences, standard errors, mean squares and the F test of treatments.

    y: (n,) or (n, S), finite. With no error df every quantity that needs one is NaN.
    """
    response = np.asarray(y, dtype=float)
    n = design.error_projection.shape[0]
    if response.ndim not in (1, 2) or response.shape[0] != n:
        raise ValueError(f"y: found an array of shape {response.shape}; expected {n} rows, one a bin.")
    centre = response.mean(axis=0)  # a large common level would cost digits
    deviation = response - centre
    error_mean_square = _mean_square(design.error_projection, deviation, design.error_df)
    treatment_mean_square = _mean_square(design.treatment_projection, deviation, design.treatment_df)
    block_mean_square = _mean_square(design.block_projection, deviation, design.block_df)

    deviations = design.mean_map @ deviation
    columns = (slice(None), slice(None)) + (None,) * (response.ndim - 1)
    estimable = np.where(design.connected, 0.0, np.nan)[columns]
    diagonal = np.diag(design.unit_covariance)
    unit = diagonal[:, None] + diagonal[None, :] - 2.0 * design.unit_covariance
    np.fill_diagonal(unit, np.where(np.isnan(diagonal), np.nan, 0.0))
    std_errors = np.sqrt(np.maximum(unit, 0.0)[columns] * error_mean_square) + estimable

    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.asarray(treatment_mean_square / error_mean_square)
        p = np.asarray(special.fdtrc(max(design.treatment_df, 1), max(design.error_df, 1), f))
    return StrataFit(
        means=read_only(deviations + centre),
        differences=read_only(deviations[:, None] - deviations[None, :] + estimable),
        std_errors=read_only(std_errors),
        error_mean_square=read_only(error_mean_square),
        treatment_mean_square=read_only(treatment_mean_square),
        block_mean_square=read_only(block_mean_square),
        block_variance=read_only(np.asarray((block_mean_square - error_mean_square) / design.n0)),
        f=read_only(f),
        p=read_only(p),
    )


def inverse_of_counts(matrix: Array) -> Array:
    """Generalised inverse of a symmetric matrix made of numbers of bins, whose eigenvalues are zero or of order one.

    The bound is absolute: a matrix that is all rounding has no inverse but zero.
    """
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    kept = values > _NOTHING
    return np.asarray((vectors[:, kept] / values[kept]) @ vectors[:, kept].T)


def _codes(name: str, codes: ArrayLike) -> Codes:
    array = np.asarray(codes)
    if array.ndim != 1 or array.size == 0 or not np.issubdtype(array.dtype, np.integer) or array.min() < 0:
        raise ValueError(f"{name}: expected a filled vector of whole numbers from 0.")
    return array.astype(np.intp)


def _components(counts: NDArray[np.intp]) -> tuple[Codes, Codes]:
    """Connected parts of the graph of treatments and blocks, numbered by their first treatment; −1 without a bin."""
    arms, places = counts.shape
    of_arm = np.full(arms, -1, dtype=np.intp)
    of_place = np.full(places, -1, dtype=np.intp)
    part = 0
    for start in range(arms):
        if of_arm[start] >= 0 or not counts[start].any():
            continue
        waiting = [start]
        of_arm[start] = part
        while waiting:
            for j in np.flatnonzero(counts[waiting.pop()]):
                if of_place[j] >= 0:
                    continue
                of_place[j] = part
                for i in np.flatnonzero((counts[:, j] > 0) & (of_arm < 0)):
                    of_arm[i] = part
                    waiting.append(int(i))
        part += 1
    return of_arm, of_place


def _projection(columns: Array, rank: int) -> Array:
    """On the space of the columns, whose rank is known from the graph rather than judged from rounding."""
    vectors = np.linalg.svd(columns, full_matrices=False)[0][:, :rank]
    return np.asarray(vectors @ vectors.T)


def _mean_square(projection: Array, y: Array, df: int) -> Array:
    if df < 1:
        return np.full(y.shape[1:], np.nan)
    return np.asarray(np.sum((projection @ y) ** 2, axis=0) / df)
