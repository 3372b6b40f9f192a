"""Least squares with rows and columns fixed, for Latin squares with or without lost bins.

Model, n bins, T treatments:

    y = X τ + Z ρ + e,   Z zeros and ones of rows and of columns, e independent, variance σ²

With M = I − P_Z and C = X'MX, a contrast c'τ can be told from rows and columns exactly where C C⁻ c = c; its estimate
is c'C⁻X'My and its variance c'C⁻c σ². Error df = n − rank [X Z]. The variances of rows and of columns are those of
Henderson's third method: a mean square adjusted for everything else has expectation σ² + n₀ σ²_line,
n₀ = tr(Z_line' P Z_line)/df with P the projection on that adjusted space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.numerics.strata import StrataDesign, inverse_of_counts
from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
_SMALL = 1e-9


@dataclass(frozen=True, eq=False)
class LineDesign:
    """Rows, or columns, adjusted for all else: ``projection`` (n, n), its ``df``, and ``n0`` (NaN without df)."""

    projection: Array
    df: int
    n0: float


@dataclass(frozen=True, eq=False)
class SquareDesign:
    """``strata`` as for blocks, rows and columns in their place (its block parts are empty); ``rows``, ``columns``."""

    strata: StrataDesign
    rows: LineDesign
    columns: LineDesign


def square_design(treatment: ArrayLike, row: ArrayLike, column: ArrayLike, *, treatments: int) -> SquareDesign:
    """Ranks, projections and adjusted means. treatment, row, column: (n,) codes; treatments: T.

    Adjusted means stand at the average of the bins that can be compared with each other. ValueError where lengths
    differ or a code is T or more.
    """
    arm, rows, columns = (np.asarray(codes, dtype=np.intp) for codes in (treatment, row, column))
    if arm.ndim != 1 or arm.size == 0 or arm.shape != rows.shape or arm.shape != columns.shape:
        raise ValueError(
            f"row, column: found {rows.size} and {columns.size} codes; expected one for each of {arm.size} bins."
        )
    if arm.max() >= treatments:
        raise ValueError(f"treatment: found the code {arm.max()}; expected codes below {treatments}.")
    n = arm.size
    x, z_row, z_column = np.eye(treatments)[arm], _indicators(rows), _indicators(columns)
    present = np.bincount(arm, minlength=treatments) > 0
    identity = np.eye(n)
    lines, lines_rank = _projection(np.hstack([z_row, z_column]))
    everything, rank = _projection(np.hstack([x, z_row, z_column]))
    error = identity - everything
    adjusted = (identity - lines) @ x
    information = x.T @ adjusted
    inverse = inverse_of_counts(information)
    reach = information @ inverse
    eye = np.eye(treatments)
    contrast = eye[:, None, :] - eye[None, :, :]
    told = np.abs(contrast @ reach - contrast).max(axis=2) < _SMALL
    connected = told & present[:, None] & present[None, :]

    component = np.full(treatments, -1, dtype=np.intp)
    mean_map = np.full((treatments, n), np.nan)
    effects = inverse @ adjusted.T
    for part, first in enumerate(_firsts(connected, present)):
        members = np.flatnonzero(connected[first])
        component[members] = part
        here = np.isin(arm, members)
        average = here / here.sum()
        mean_map[members] = effects[members] - average @ x @ effects + average
    return SquareDesign(
        strata=StrataDesign(
            counts=read_only(np.bincount(arm, minlength=treatments).astype(np.intp)[:, None]),
            component=read_only(component),
            connected=read_only(connected),
            informative=read_only(np.ones(1, dtype=bool)),
            error_df=n - rank,
            treatment_df=rank - lines_rank,
            block_df=0,
            mean_map=read_only(mean_map),
            unit_covariance=read_only(mean_map @ mean_map.T),
            error_projection=read_only(error),
            treatment_projection=read_only(everything - lines),
            block_projection=read_only(np.zeros((n, n))),
            n0=float("nan"),
        ),
        rows=_line(everything, rank, np.hstack([x, z_column]), z_row),
        columns=_line(everything, rank, np.hstack([x, z_row]), z_column),
    )


def line_variance(line: LineDesign, y: ArrayLike, error_mean_square: float) -> float:
    """(MS_line − MS_error)/n₀, negative or not; NaN where the line has no df. y: (n,)."""
    if line.df < 1:
        return float("nan")
    response = np.asarray(y, dtype=float)
    deviation = response - response.mean()
    return float((np.sum((line.projection @ deviation) ** 2) / line.df - error_mean_square) / line.n0)


def _indicators(codes: Codes) -> Array:
    return np.eye(int(codes.max()) + 1)[codes]


def _projection(columns: Array) -> tuple[Array, int]:
    """On the space of columns of zeros and ones, and its rank: far from any doubt in double precision."""
    vectors, values, _ = np.linalg.svd(columns, full_matrices=False)
    rank = int(np.sum(values > _SMALL * values[0]))
    return np.asarray(vectors[:, :rank] @ vectors[:, :rank].T), rank


def _firsts(connected: NDArray[np.bool_], present: NDArray[np.bool_]) -> list[int]:
    return [int(i) for i in np.flatnonzero(present) if not connected[i, :i].any()]


def _line(everything: Array, rank: int, others: Array, own: Array) -> LineDesign:
    rest, rest_rank = _projection(others)
    projection, df = everything - rest, rank - rest_rank
    n0 = float(np.trace(own.T @ projection @ own)) / df if df > 0 else float("nan")
    return LineDesign(read_only(projection), df, n0)
