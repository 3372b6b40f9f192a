"""Restricted maximum likelihood for y = Xβ + Σ_j Z_j u_j + e, with covariance V(θ) = V₀ + Σ_r θ_r G_r.

−2ℓ_R = (n−p) log 2π + log|V| + log|X'V⁻¹X| + r'V⁻¹r, r the generalised least-squares residual. With N (n, m)
an orthonormal basis of what is orthogonal to X, m = n − p, z = N'y, H_r = N'G_rN and W = N'VN, this equals
m log 2π + log|X'X| + log|W| + z'W⁻¹z, so that β never enters the search. Its expected information is
I_rs = ½ tr(W⁻¹H_rW⁻¹H_s) = ½[tr(V⁻¹G_rV⁻¹G_s) − 2 tr(ΦQ_rs) + tr(ΦP_rΦP_s)] in the notation of Kenward &
Roger 1997 (Biometrics 53:983).
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from trialkit.errors import DesignError
from trialkit.numerics.reml_search import DOMAIN_EDGE, maximise
from trialkit.numerics.residual_likelihood import ResidualLikelihood, residual_likelihood
from trialkit.numerics.variance_structures import VarianceStructure, positive_inverse

Array = NDArray[np.float64]

WORST_CONDITION = 1e8
_RANK_TOLERANCE = 1e-10


@dataclass(frozen=True, eq=False)
class RemlFit:
    """One fitted model, and the record of how it was reached.

    theta (R,): variances and covariances, in the order of `structure.names`. beta (p,), phi (p, p) =
    (X'V⁻¹X)⁻¹: not yet adjusted for small samples. basis (n, m): the N above.
    v_inverse (n, n). information (R, R): expected, at theta.
    information_condition: of I at V = identity, scaled to a unit diagonal. min_eigenvalue: smallest
    eigenvalue of V/σ², σ² the mean residual variance (of V/mean(diag V) where that is 0). at_bound: a variance
    is zero, a slope covariance singular, or V at the edge of its domain. residual_df: n − p.
    """

    structure: VarianceStructure
    x: Array
    basis: Array
    theta: Array
    beta: Array
    phi: Array
    v_inverse: Array
    log_likelihood: float
    information: Array
    information_condition: float
    min_eigenvalue: float
    at_bound: bool
    bounded: bool
    converged: bool
    residual_df: int


def fit_reml(y: ArrayLike, x: ArrayLike, structure: VarianceStructure, *, bounded: bool = True) -> RemlFit:
    """Fit the model to y (n,), x (n, p) of full column rank.

    bounded: design variances stay at or above zero. Without the bound they may be negative as long as every
    eigenvalue of V is at least 1e-4 σ²; that is offered for one design variance, or several whose projected
    matrices H_r commute (complete nested layouts), because elsewhere the likelihood may have no maximum.
    Slope covariances are never negative, nor are residual variances.

    DesignError: no residual degrees of freedom, a rank-deficient x, a response that x (or x and the random
    terms) reproduce exactly, variances that these rows cannot tell apart, `bounded=False` where it is not
    offered. ValueError: shapes that do not fit, or numbers that are not finite.
    """
    response, design = _checked(y, x, structure)
    n, p = design.shape
    size = np.sqrt((design**2).sum(axis=0))
    size[size == 0.0] = 1.0
    scaled_x = design / size
    q, triangle = _full_qr(scaled_x)
    diagonal = np.abs(triangle.diagonal())
    if n < p or diagonal.min(initial=1.0) < _RANK_TOLERANCE:
        raise DesignError(
            f"The fixed terms have {p} coefficients of which these {n} rows cannot separate all. "
            "Leave out a term, or a combination of levels that has no rows."
        )
    if n == p:
        raise DesignError(
            f"Nothing is left to estimate error from: {n} rows for {p} coefficients of the fixed terms. "
            "Leave out a term, or add replicates."
        )
    start = linalg.lapack.dtrtrs(triangle, q[:, :p].T @ response)[0] / size
    residual = response - design @ start  # the search sees y without its fixed part: no digits lost to a large mean
    basis = q[:, p:]
    z = basis.T @ residual
    variance = float(z @ z) / z.size
    if variance <= 1e-24 * max(float(response @ response) / n, sys.float_info.min):
        raise DesignError(
            "The fixed terms reproduce the response exactly, so there is no error to measure it by. "
            "Check that the response is a measured column that varies between rows of the same kind."
        )
    likelihood = residual_likelihood(z / np.sqrt(variance), basis, structure, variance)
    condition = _condition(likelihood.information_at_identity())
    if not condition < WORST_CONDITION:
        raise DesignError(_inseparable(structure, likelihood))
    _refuse_exact_fit(likelihood)
    _refuse_unbounded(structure, likelihood, bounded)

    found = maximise(likelihood, bounded=bounded)
    theta = found.theta * variance
    v = structure.covariance(theta)
    v_inverse = positive_inverse(v)
    weighted = v_inverse @ scaled_x
    phi_scaled = positive_inverse(scaled_x.T @ weighted)
    beta = start + phi_scaled @ (weighted.T @ residual) / size
    phi = phi_scaled / (size[:, None] * size)
    for array in (theta, beta, phi, v_inverse):
        array.setflags(write=False)
    minus_two_log = (
        z.size * math.log(2.0 * math.pi * variance)
        + 2.0 * float(np.log(diagonal * size).sum())
        + likelihood.minus_two_log(found.theta)
    )
    sigma = sum(float(theta[r]) for r in structure.residual) / len(structure.residual)
    unit = sigma if sigma > 0.0 else float(v.diagonal().mean())
    smallest = float(np.linalg.eigvalsh(v)[0]) / unit
    return RemlFit(
        structure=structure,
        x=design,
        basis=basis,
        theta=theta,
        beta=beta,
        phi=phi,
        v_inverse=v_inverse,
        log_likelihood=-0.5 * minus_two_log,
        information=likelihood.information(found.theta) / variance**2,
        information_condition=condition,
        min_eigenvalue=smallest,
        at_bound=found.at_bound or smallest <= DOMAIN_EDGE * (1.0 + 1e-6),
        bounded=bounded,
        converged=found.converged,
        residual_df=n - p,
    )


def _checked(y: ArrayLike, x: ArrayLike, structure: VarianceStructure) -> tuple[Array, Array]:
    response = np.asarray(y, dtype=float)
    design = np.asarray(x, dtype=float)
    if response.ndim != 1 or design.ndim != 2 or design.shape[0] != response.size or structure.rows != response.size:
        raise ValueError(
            f"found y of shape {response.shape}, x of shape {design.shape} and a variance structure of "
            f"{structure.rows} rows; expected (n,), (n, p) and n rows."
        )
    if not (np.isfinite(response).all() and np.isfinite(design).all()):
        raise ValueError("y and x: expected finite numbers only.")
    return response, design


def _full_qr(x: Array) -> tuple[Array, Array]:
    """Q (n, n) whose first p columns span those of x (n, p), and R (p, p) in an upper triangle.

    LAPACK itself, because on small tables the checks around it take longer than the work.
    """
    n, p = x.shape
    packed, reflections, _, _ = linalg.lapack.dgeqrf(x)
    q = np.empty((n, n), order="F")
    q[:, :p] = packed[:, :n]
    return linalg.lapack.dorgqr(q, reflections, overwrite_a=1)[0], packed[:p]


def _condition(information: Array) -> float:
    size = np.sqrt(information.diagonal())
    if size.min() <= 0.0:
        return float("inf")
    values = np.linalg.eigvalsh(information / (size[:, None] * size))
    return float(values[-1] / values[0]) if values[0] > 0.0 else float("inf")


def _inseparable(structure: VarianceStructure, likelihood: ResidualLikelihood) -> str:
    """Name the variances that no row distinguishes: those with weight in the information's null direction."""
    information = likelihood.information_at_identity()
    size = np.sqrt(np.diag(information))
    empty = [name for name, s in zip(structure.names, size, strict=True) if s <= 1e-10 * float(np.max(size))]
    if empty:
        return (
            f"The variance of {_listed(empty)} cannot be estimated: the fixed terms already take out every "
            "difference it could show in. Leave the random term out, or the fixed one that contains it."
        )
    direction = np.linalg.eigh(information / np.outer(size, size))[1][:, 0]
    named = [name for name, w in zip(structure.names, direction, strict=True) if abs(w) > 1e-3]
    return (
        f"These rows cannot tell the variances of {_listed(named)} apart: in every comparison of rows they "
        "occur in the same proportion. Leave one of them out, or add replicates of the smaller unit."
    )


def _listed(names: list[str]) -> str:
    quoted = [f'"{name}"' for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"


def _refuse_exact_fit(likelihood: ResidualLikelihood) -> None:
    if likelihood.known is None and likelihood.residual_only_mean_square() <= 1e-20:
        raise DesignError(
            "The residual variance is zero: the fixed and random terms reproduce every row exactly. "
            "Rows that repeat one measurement are not replicates; keep one row a unit, or leave a random term out."
        )


def _refuse_unbounded(structure: VarianceStructure, likelihood: ResidualLikelihood, bounded: bool) -> None:
    if not bounded and structure.design and not likelihood.diagonal:
        raise DesignError(
            "bounded=False: found several variances in a layout that is not complete; allowed with one random "
            "term, or with several where every combination has its rows, because elsewhere the likelihood may "
            "have no maximum. Use bounded=True."
        )
