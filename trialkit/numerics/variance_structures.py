"""What V, the covariance of the response, is made of: V(θ) = V₀ + Σ_r θ_r G_r, linear in θ.

θ (R,) holds variances and covariances in the squared unit of the response (per squared unit of a slope's
column), G_r (n, n) says which pairs of rows share them, V₀ (n,) is a known variance per row. A design
variance belongs to Σ_j Z_j u_j with Z_j Z_j' = G_j; a slope group is one random intercept and slopes per
group with a free covariance Σ (k, k), whose lower triangle stands in θ; residual variances come last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class DesignVariance:
    """One variance shared by the rows of a group. codes (n,): group of each row, from 0."""

    name: str
    codes: Codes


@dataclass(frozen=True, eq=False)
class SlopeGroup:
    """Random intercept and slopes per group, with a free covariance.

    names: k labels, the intercept's first. codes (n,): group of each row. columns (n, k): ones, then the
    slopes' values.
    """

    names: tuple[str, ...]
    codes: Codes
    columns: Array


@dataclass(frozen=True, eq=False)
class VarianceStructure:
    """V(θ) = V₀ + Σ_r θ_r G_r.

    names: R labels. matrices (R, n, n). design, residual: positions in θ of design and residual variances.
    slopes: per slope group the (k, k) positions in θ of Σ's entries. scales (R,): typical size of G_r's
    entries where it is not 0 or 1, so that θ_r · scales_r is in the squared unit of the response.
    known (n,) or None.
    """

    names: tuple[str, ...]
    matrices: Array
    design: tuple[int, ...]
    slopes: tuple[NDArray[np.intp], ...]
    residual: tuple[int, ...]
    scales: Array
    known: Array | None

    @property
    def rows(self) -> int:
        return int(self.matrices.shape[1])

    def covariance(self, theta: Array) -> Array:
        """V(θ), (n, n)."""
        v = (theta @ self.matrices.reshape(theta.size, -1)).reshape(self.rows, self.rows)
        if self.known is not None:
            np.einsum("ii->i", v)[:] += self.known
        return np.asarray(v)


def positive_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix, symmetric to the last digit."""
    factor, failed = linalg.lapack.dpotrf(matrix, lower=1)
    if failed:  # not quite positive: a known variance of zero, or rounding
        inverse = np.linalg.inv(matrix)
        return 0.5 * (inverse + inverse.T)
    lower = linalg.lapack.dpotri(factor, lower=1)[0]  # zero above the diagonal, as dpotrf left it
    full = lower + lower.T
    np.einsum("ii->i", full)[:] *= 0.5
    return np.asarray(full)


def variance_structure(
    rows: int,
    *,
    design: Sequence[DesignVariance] = (),
    slopes: Sequence[SlopeGroup] = (),
    residual_codes: Codes | None = None,
    residual_names: Sequence[str] = ("residual",),
    known: Array | None = None,
) -> VarianceStructure:
    """Collect the pieces of V for n = `rows` rows.

    residual_codes (n,): one residual variance a code, None for one common residual variance.
    ValueError where a length differs from `rows`, or a known variance is negative or not finite.
    """
    names: list[str] = []
    matrices: list[Array] = []
    scales: list[float] = []
    slope_positions: list[NDArray[np.intp]] = []
    for part in design:
        _check_length(part.name, part.codes.size, rows)
        names.append(part.name)
        matrices.append(_same(part.codes))
        scales.append(1.0)
    for group in slopes:
        _check_length(group.names[0], group.columns.shape[0], rows)
        slope_positions.append(_add_slopes(group, names, matrices, scales))
    if residual_codes is not None:
        _check_length("residual", residual_codes.size, rows)
    first = len(names)
    for code, name in enumerate(residual_names):
        names.append(name)
        own = np.eye(rows) if residual_codes is None else np.diag((residual_codes == code).astype(float))
        matrices.append(own)
        scales.append(1.0)
    if known is not None:
        _check_length("known variance", known.size, rows)
        if not np.all(np.isfinite(known)) or np.any(known < 0.0):
            raise ValueError("known variance: expected finite numbers of at least 0.")
    stacked = np.array(matrices)
    stacked.setflags(write=False)
    return VarianceStructure(
        names=tuple(names),
        matrices=stacked,
        design=tuple(range(len(design))),
        slopes=tuple(slope_positions),
        residual=tuple(range(first, len(names))),
        scales=np.array(scales),
        known=known,
    )


def _same(codes: Codes) -> Array:
    return np.equal.outer(codes, codes).astype(float)


def _add_slopes(group: SlopeGroup, names: list[str], matrices: list[Array], scales: list[float]) -> NDArray[np.intp]:
    """Append the lower triangle of Σ and return where each of its entries stands in θ."""
    same = _same(group.codes)
    size = np.sqrt(np.mean(group.columns**2, axis=0))
    k = group.columns.shape[1]
    positions = np.empty((k, k), dtype=np.intp)
    for i in range(k):
        for j in range(i + 1):
            outer = np.outer(group.columns[:, i], group.columns[:, j])
            positions[i, j] = positions[j, i] = len(names)
            if i == j:
                names.append(group.names[i])
                matrices.append(same * outer)
            else:
                names.append(f"covariance of {group.names[j]} and {group.names[i]}")
                matrices.append(same * (outer + outer.T))
            scales.append(float(size[i] * size[j]))
    return positions


def _check_length(name: str, found: int, rows: int) -> None:
    if found != rows:
        raise ValueError(f"{name}: found {found} rows; expected {rows}.")
