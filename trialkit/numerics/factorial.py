"""Factors crossed completely: what each does averaged over the others, and how they act together.

T treatments are all combinations of F factors; ``levels`` (T, F) codes. Every effect is a row of T weights on the
treatment means, which sum to zero:

    main effect of a factor     mean over treatments at a level − mean over treatments at its reference level
    interaction of two factors  (effect of the one at the other's second level) − (the same at its first)
    of three                    (interaction of two at the third's second level) − (the same at its first)

each averaged equally over the factors that are not named, lost bins or not. A row can be estimated inside strata where
its weights sum to zero over every connected part of the layout: an effect that coincides with blocks does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import prod

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
_SMALL = 1e-9


@dataclass(frozen=True, eq=False)
class TermRows:
    """``factors`` positions of the factors of a term; ``rows`` (K, T) the effects to be told (K = 0 for interactions of
    factors with more than two levels); ``level`` (K,) the level compared with the reference, in a main effect;
    ``test_rows`` (q, T) contrasts that are all zero where the term does nothing.
    """

    factors: tuple[int, ...]
    rows: Array
    level: Codes
    test_rows: Array


@dataclass(frozen=True)
class TermF:
    """F test of a term: ``f`` on ``df_num`` and ``df_den`` degrees of freedom, ``p``."""

    f: float
    df_num: int
    df_den: float
    p: float


def is_crossed(levels: ArrayLike) -> bool:
    """Whether every combination of the levels stands in exactly one treatment, with two factors or more of two levels
    or more. levels: (T, F) codes."""
    codes = np.asarray(levels, dtype=np.intp)
    if codes.ndim != 2 or codes.shape[1] < 2:
        return False
    sizes = [np.unique(column).size for column in codes.T]
    different = np.unique(codes, axis=0).shape[0]
    return min(sizes) >= 2 and different == codes.shape[0] == prod(sizes)


def terms_of(levels: ArrayLike, reference: Sequence[int]) -> tuple[TermRows, ...]:
    """Main effects, then interactions of two and of three factors. levels: (T, F) codes 0 … of factors crossed
    completely; reference: F levels that main effects are compared with, and from which two-level factors are turned.
    ValueError where the factors are not crossed completely.
    """
    codes = np.asarray(levels, dtype=np.intp)
    if not is_crossed(codes):
        raise ValueError("levels: expected every combination of the factors' levels exactly once.")
    sizes = [int(column.max()) + 1 for column in codes.T]
    found = []
    for size in (1, 2, 3):
        for factors in combinations(range(codes.shape[1]), size):
            found.append(_term(codes, sizes, reference, factors))
    return tuple(found)


def can_be_estimated(rows: ArrayLike, component: ArrayLike) -> NDArray[np.bool_]:
    """(K,) whether each row (K, T) can be told inside strata. component: (T,) parts as in ``StrataDesign``."""
    weights, part = np.atleast_2d(np.asarray(rows, dtype=float)), np.asarray(component)
    fine = np.all(np.abs(weights[:, part < 0]) < _SMALL, axis=1)
    for label in np.unique(part[part >= 0]):
        fine &= np.abs(weights[:, part == label].sum(axis=1)) < _SMALL
    return np.asarray(fine)


def weighted(rows: ArrayLike, means: ArrayLike) -> Array:
    """Σ weights · means, (K,); a mean that has no weight may be NaN."""
    weights, values = np.atleast_2d(np.asarray(rows, dtype=float)), np.asarray(means, dtype=float)
    used = np.any(np.abs(weights) > _SMALL, axis=0)
    return np.asarray(weights[:, used] @ values[used])


def covariance_of(rows: ArrayLike, covariance: ArrayLike) -> Array:
    """(K, K) of the effects, from that of the means; rows and columns without a weight may be NaN."""
    weights, matrix = np.atleast_2d(np.asarray(rows, dtype=float)), np.asarray(covariance, dtype=float)
    used = np.any(np.abs(weights) > _SMALL, axis=0)
    return np.asarray(weights[:, used] @ matrix[np.ix_(used, used)] @ weights[:, used].T)


def term_f(rows: ArrayLike, means: ArrayLike, covariance: ArrayLike, df: float) -> TermF:
    """Marginal F test that all rows (q, T) are zero. covariance: (T, T) of the means, its variance estimated on df."""
    estimate, spread = weighted(rows, means), covariance_of(rows, covariance)
    count = estimate.size
    f = float(estimate @ np.linalg.solve(spread, estimate)) / count
    return TermF(f, count, df, float(special.fdtrc(count, df, f)))


def _term(codes: Codes, sizes: Sequence[int], reference: Sequence[int], factors: tuple[int, ...]) -> TermRows:
    treatments = codes.shape[0]
    bases = [_against(sizes[f], reference[f]) for f in factors]
    # Kronecker product over the factors named, each treatment's weight divided by how many share its combination.
    test_rows = np.ones((1, treatments))
    for factor, basis in zip(factors, bases, strict=True):
        here = basis[:, codes[:, factor]]  # (levels − 1, T)
        test_rows = (test_rows[:, None, :] * here[None, :, :]).reshape(-1, treatments)
    test_rows /= treatments / prod(sizes[f] for f in factors)
    told = len(factors) == 1 or all(sizes[f] == 2 for f in factors)
    level = np.array([k for k in range(sizes[factors[0]]) if k != reference[factors[0]]], dtype=np.intp)
    return TermRows(
        factors=factors,
        rows=read_only(test_rows.copy() if told else np.zeros((0, treatments))),
        level=read_only(level if len(factors) == 1 else level[:0]),
        test_rows=read_only(test_rows),
    )


def _against(levels: int, reference: int) -> Array:
    """(levels − 1, levels): every other level minus the reference."""
    eye = np.eye(levels)
    return np.delete(eye - eye[reference], reference, axis=0)
