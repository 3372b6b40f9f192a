"""What a layout alone determines for ``many_responses``: eigenvalues, rotated rows, the weights of contrasts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError

Array = NDArray[np.float64]

SMALLEST_EIGENVALUE = 1e-4  # of V ÷ σ², where the group variance may be negative
LARGEST_CONDITION = 1e8  # of the information on the two variances, scaled to a unit diagonal
_EQUAL = 1e-9  # eigenvalues closer than this, relative to the largest, are one


@dataclass(frozen=True, eq=False)
class ResponseDesign:
    """All that does not depend on the responses. k distinct eigenvalues above zero, q contrasts.

    ``count`` (k,) and ``value`` (k,) the eigenvalues λ > 0, ``zeros`` the number at zero, ``errors`` m. ``rows`` (m, n)
    turns a response into error contrasts, λ = 0 first; ``cuts`` (2 + k,) where each λ starts, and m. ``plain`` (q, n)
    the least-squares weights, ``shift`` (q, k, n) what ρ/(1+ρλ) multiplies.
    v(ρ) = base + ρ·slope − ρ²Σ bend/(1+ρλ).
    """

    value: Array
    count: Array
    zeros: int
    errors: int
    rows: Array
    cuts: NDArray[np.intp]
    plain: Array
    shift: Array
    base: Array
    slope: Array
    bend: Array
    lowest: float


NO_ERROR = (
    "{bins} bins and {effects} effects to estimate leave no degrees of freedom for error; "
    "an interval needs at least one bin more than effects. Add bins."
)


def checked_arrays(y: ArrayLike, fixed: ArrayLike, weights: ArrayLike) -> tuple[Array, Array, Array]:
    responses, design, contrasts = (np.asarray(item, dtype=float) for item in (y, fixed, weights))
    if responses.ndim != 2 or responses.size == 0:
        raise ValueError(f"y: found shape {responses.shape}; expected (bins, responses).")
    if design.ndim != 2 or design.shape[0] != responses.shape[0]:
        raise ValueError(f"fixed: found shape {design.shape}; expected ({responses.shape[0]}, coefficients).")
    if contrasts.ndim not in (1, 2) or contrasts.shape[-1] != design.shape[1] or contrasts.size == 0:
        raise ValueError(
            f"weights: found shape {contrasts.shape}; expected one weight a coefficient ({design.shape[1]})."
        )
    for name, array in (("y", responses), ("fixed", design), ("weights", contrasts)):
        if not np.isfinite(array).all():
            raise ValueError(f"{name}: found a number that is missing or not finite; leave out that bin or response.")
    if not np.abs(np.atleast_2d(contrasts)).max(axis=1).all():
        raise ValueError("weights: found a contrast whose weights are all zero; it compares nothing.")
    return responses, design, contrasts


def estimable(fixed: Array, rows: Array) -> tuple[Array, Array]:
    """An orthonormal basis (n, rank) of the fixed effects, and the least-squares weights (q, n) of the contrasts."""
    left, size, right = np.linalg.svd(fixed, full_matrices=False)
    kept = size > size[0] * max(fixed.shape) * np.finfo(float).eps * 10.0
    basis = left[:, kept]
    beyond = rows - rows @ right[kept].T @ right[kept]
    for number, (rest, row) in enumerate(zip(beyond, rows, strict=True), start=1):
        if np.abs(rest).max() > 1e-8 * np.abs(row).max():
            raise DesignError(
                f"Contrast {number} cannot be estimated from these bins: the effects it compares are not separated by "
                "the other effects in the model. It needs bins in which they occur side by side."
            )
    return basis, (rows @ right[kept].T / size[kept]) @ basis.T


def error_contrasts(basis: Array) -> Array:
    """An orthonormal basis (n, n − rank) of what the fixed effects leave over."""
    return np.asarray(np.linalg.qr(basis, mode="complete")[0][:, basis.shape[1] :])


def response_design(fixed: Array, codes: NDArray[np.integer], rows: Array, bounded: bool) -> ResponseDesign:
    names, code = np.unique(codes, return_inverse=True)
    basis, plain = estimable(fixed, rows)
    errors = fixed.shape[0] - basis.shape[1]
    if errors < 1:
        raise DesignError(NO_ERROR.format(bins=fixed.shape[0], effects=basis.shape[1]))
    member = np.zeros((fixed.shape[0], names.size))
    member[np.arange(fixed.shape[0]), code] = 1.0
    largest_group = float(member.sum(axis=0).max())
    error = error_contrasts(basis)
    inside = error.T @ member
    eigenvalue, vector = np.linalg.eigh(inside @ inside.T)
    eigenvalue[eigenvalue < _EQUAL * largest_group] = 0.0
    zeros = int(np.count_nonzero(eigenvalue == 0.0))
    jump = np.flatnonzero(np.diff(eigenvalue[zeros:]) > _EQUAL * largest_group) + 1
    cuts = np.concatenate([[0, zeros], zeros + jump, [errors]]).astype(np.intp)
    count = np.diff(cuts[1:]).astype(float)
    value = np.add.reduceat(eigenvalue, cuts[1:-1]) / count if zeros < errors else np.zeros(1)
    _refuse_inseparable(value, count, zeros, names.size)
    turned = vector.T @ error.T
    across = member.T @ plain.T  # (groups, q): how each contrast weighs each group
    tilt = turned @ member @ across  # (m, q)
    bend = np.add.reduceat(tilt**2, cuts[1:-1], axis=0).T
    shift = np.stack([np.add.reduceat(t[:, None] * turned, cuts[1:-1], axis=0) for t in tilt.T])
    lowest = 0.0 if bounded else (SMALLEST_EIGENVALUE - 1.0) / largest_group
    return ResponseDesign(
        value=value,
        count=count,
        zeros=zeros,
        errors=errors,
        rows=turned,
        cuts=cuts,
        plain=plain,
        shift=shift,
        base=np.einsum("ij,ij->i", plain, plain),
        slope=np.einsum("ij,ij->j", across, across),
        bend=bend,
        lowest=lowest,
    )


def _refuse_inseparable(value: Array, count: Array, zeros: int, groups: int) -> None:
    """The expected information at ρ = 0 must tell the two variances apart (Cauchy-Schwarz: not if all λ are equal)."""
    squares = float(count @ value**2)
    overlap = float(count @ value) / np.sqrt((zeros + float(count.sum())) * squares) if squares > 0.0 else 1.0
    if overlap >= 1.0 or (1.0 + overlap) / (1.0 - overlap) > LARGEST_CONDITION:
        raise DesignError(
            "The variance between groups cannot be told from the variance inside them: "
            f"{groups} {'group leaves' if groups == 1 else 'groups leave'} one kind of difference only once the fixed "
            "effects are taken out. It needs more groups that share treatments, or more bins inside groups."
        )
