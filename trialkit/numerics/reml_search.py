"""The search for the θ that maximises the residual likelihood.

Strata with as many mean squares as variances are solved outright (the analysis-of-variance estimates); one
ratio of variances by a grid over the whole axis and a root of the derivative; everything else by relative
parameters: design variances σ²γ², slope covariances σ²LL' with L lower triangular, σ² profiled out. Zero is a
stationary point of γ², so it is tried explicitly and left only where the likelihood rises away from it.
Newton steps in θ finish the search.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from trialkit.errors import DesignError
from trialkit.numerics.residual_likelihood import ResidualLikelihood, Strata

Array = NDArray[np.float64]

DOMAIN_EDGE = 1e-4  # smallest eigenvalue of V allowed, in residual variances
_RATIOS = np.concatenate([[0.0], np.logspace(-7, 7, 85)])  # where a single ratio of variances is first looked for
_NO_WORSE = 1e-8  # in −2ℓ: far below anything that can be seen in an estimate


@dataclass(frozen=True, eq=False)
class Maximum:
    """theta (R,), whether a variance sits at its bound, whether the score vanishes there."""

    theta: Array
    at_bound: bool
    converged: bool


def maximise(likelihood: ResidualLikelihood, *, bounded: bool) -> Maximum:
    """The REML estimate; `bounded` keeps design variances at or above zero. DesignError where none is found."""
    if isinstance(likelihood, Strata):
        solved = _solve_mean_squares(likelihood, bounded)
        if solved is not None:
            return Maximum(solved, False, True)
        if len(likelihood.structure.names) == 2 and likelihood.structure.design and likelihood.known is None:
            return _one_ratio(likelihood, bounded)
    found = _RelativeSearch(likelihood).run()
    if bounded or not likelihood.structure.design:
        return found
    return _beyond_zero(likelihood, found.theta)


# ------------------------------------------------------------------ closed form and one ratio
def _inside_domain(likelihood: ResidualLikelihood, theta: Array) -> bool:
    structure = likelihood.structure
    smallest_residual = float(np.min(theta[list(structure.residual)]))
    if smallest_residual <= 0.0:
        return False
    return float(np.linalg.eigvalsh(structure.covariance(theta))[0]) >= DOMAIN_EDGE * smallest_residual


def _solve_mean_squares(strata: Strata, bounded: bool) -> Array | None:
    """θ that makes every expected mean square equal the observed one, where that is allowed.

    The information at V = identity is a diag(m) a' / 2 and was found regular, so a is.
    """
    a = strata.eigenvalues
    if a.shape[0] != a.shape[1] or strata.known is not None:
        return None
    theta = np.asarray(np.linalg.solve(a.T, strata.mean_squares), dtype=np.float64)
    if not min(theta[r] for r in strata.structure.residual) > 1e-14:
        return None
    if theta.min() >= 0.0:
        return theta
    return None if bounded or not _inside_domain(strata, theta) else theta


def _one_ratio(strata: Strata, bounded: bool) -> Maximum:
    d = strata.eigenvalues[strata.structure.design[0]]
    m, counts = strata.contrasts, strata.counts
    sums = counts * strata.mean_squares
    least = 0.0
    if not bounded:
        largest = float(np.linalg.eigvalsh(strata.structure.matrices[strata.structure.design[0]])[-1])
        least = -(1.0 - DOMAIN_EDGE) / largest

    def slope(ratio: float) -> float:
        v = 1.0 + ratio * d
        pull, share = d / v, sums / v
        return float(counts @ pull - m * (share @ pull) / share.sum())

    grid = least + _RATIOS / float(d.max())
    v = 1.0 + np.multiply.outer(grid, d)
    value = np.log(v) @ counts + m * np.log((1.0 / v) @ sums)
    best = int(np.argmin(value))
    if best == 0 and slope(least) >= 0.0:
        return Maximum(_from_ratio(strata, least), True, True)
    if best == grid.size - 1:
        raise DesignError(
            "The residual variance cannot be told from zero beside the random term: within its groups nothing is "
            "replicated, or rows repeat one measurement. Keep one row a unit, and more units in a group."
        )
    low, high = float(grid[max(best - 1, 0)]), float(grid[best + 1])
    if slope(low) < 0.0 < slope(high):
        ratio = float(optimize.brentq(slope, low, high, xtol=1e-16, rtol=1e-14))
        return Maximum(_from_ratio(strata, ratio), False, True)
    ratio = float(grid[best])
    return Maximum(_from_ratio(strata, ratio), best == 0, False)


def _from_ratio(strata: Strata, ratio: float) -> Array:
    structure = strata.structure
    v = 1.0 + ratio * strata.eigenvalues[structure.design[0]]
    sigma = float((strata.counts / v) @ strata.mean_squares) / strata.contrasts
    theta = np.empty(2)
    theta[structure.design[0]] = ratio * sigma
    theta[structure.residual[0]] = sigma
    return theta


def _beyond_zero(likelihood: ResidualLikelihood, start: Array) -> Maximum:
    """Several design variances, allowed below zero while every eigenvalue of V is at least 1e-4 σ²."""
    structure = likelihood.structure
    residual = list(structure.residual)

    def value(theta: Array) -> float:
        total = likelihood.minus_two_log(theta)
        return total if np.isfinite(total) else 1e10

    def score(theta: Array) -> Array:
        at = likelihood.evaluate(theta)
        return np.zeros_like(theta) if at is None else at.traces - at.quadratics

    def margin(theta: Array) -> float:
        v = structure.covariance(theta)
        return float(np.linalg.eigvalsh(v)[0]) - DOMAIN_EDGE * float(np.min(theta[residual]))

    found = optimize.minimize(
        value,
        start,
        jac=score,
        method="SLSQP",
        bounds=[(1e-10, None) if r in residual else (None, None) for r in range(start.size)],
        constraints=[{"type": "ineq", "fun": margin}],
        options={"ftol": 1e-14, "maxiter": 500},
    )
    theta, converged = _newton(likelihood, np.asarray(found.x), np.arange(start.size))
    if converged and margin(theta) > 0.0:
        return Maximum(theta, False, True)
    theta = np.asarray(found.x)
    if not found.success or margin(theta) < -1e-8:
        raise DesignError(
            "bounded=False: the search for the variances found no maximum within their domain. Use bounded=True."
        )
    return Maximum(theta, margin(theta) < 1e-6, True)


# ------------------------------------------------------------------ Newton
def _newton(likelihood: ResidualLikelihood, theta: Array, free: NDArray[np.intp]) -> tuple[Array, bool]:
    """Newton steps for the free entries of θ; the second value says whether the score vanishes at the end."""
    if free.size == 0:
        return theta, True
    theta = theta.copy()
    residual = list(likelihood.structure.residual)
    current = likelihood.minus_two_log(theta)
    for _ in range(20):
        at = likelihood.evaluate(theta)
        if at is None:
            return theta, False
        score = (at.traces - at.quadratics)[free]
        curvature = likelihood.curvature(theta)[np.ix_(free, free)]
        if not _positive_definite(curvature):
            curvature = 2.0 * likelihood.information(theta)[np.ix_(free, free)]
        step = np.linalg.lstsq(curvature, -score, rcond=1e-14)[0]
        decrement = float(-score @ step)
        if abs(decrement) < 1e-16:
            break
        for halving in range(12):
            trial = theta.copy()
            trial[free] += step * 0.5**halving
            value = likelihood.minus_two_log(trial) if np.all(trial[residual] >= 0.0) else np.inf
            if value <= current + 1e-12 * abs(current) + 1e-12:
                theta, current = trial, min(value, current)
                break
        else:
            break
    at = likelihood.evaluate(theta)
    if at is None:
        return theta, False
    score = (at.traces - at.quadratics)[free]
    expected = 2.0 * likelihood.information(theta)[np.ix_(free, free)]
    return theta, float(score @ np.linalg.lstsq(expected, score, rcond=1e-14)[0]) < 1e-9


def _positive_definite(matrix: Array) -> bool:
    return bool(np.linalg.eigvalsh(0.5 * (matrix + matrix.T))[0] > 0.0)


# ------------------------------------------------------------------ relative parameters
class _RelativeSearch:
    """ψ -> φ = θ/σ² and dφ/dψ; ψ holds γ, the lower triangles of L, and further residual variances.

    Without known variances the first residual variance is σ² and further ones are σ² exp(ψ). With known
    variances σ² = 1 (their unit is the response's residual variance) and residual variances are ψ².
    """

    def __init__(self, likelihood: ResidualLikelihood) -> None:
        self.likelihood = likelihood
        structure = likelihood.structure
        self.profiled = likelihood.known is None
        self.squares = list(structure.design) + ([] if self.profiled else list(structure.residual))
        self.logs = list(structure.residual[1:]) if self.profiled else []
        self.triangles = [np.tril_indices(group.shape[0]) for group in structure.slopes]
        kinds = [True] * len(self.squares) + [False] * len(self.logs)
        for rows, columns in self.triangles:
            kinds += [bool(i == j) for i, j in zip(rows, columns, strict=True)]
        self.at_least_zero = np.array(kinds, dtype=bool)

    def expand(self, psi: Array) -> tuple[Array, Array]:
        """φ (R,) and its Jacobian (R, parameters)."""
        structure = self.likelihood.structure
        phi = np.zeros(len(structure.names))
        jacobian = np.zeros((phi.size, psi.size))
        if self.profiled:
            phi[structure.residual[0]] = 1.0
        for k, r in enumerate(self.squares):
            phi[r], jacobian[r, k] = psi[k] ** 2, 2.0 * psi[k]
        place = len(self.squares)
        for r in self.logs:
            phi[r] = jacobian[r, place] = np.exp(psi[place])
            place += 1
        for positions, (rows, columns) in zip(structure.slopes, self.triangles, strict=True):
            lower = np.zeros(positions.shape)
            lower[rows, columns] = psi[place : place + rows.size]
            covariance = lower @ lower.T
            below = np.tril_indices(positions.shape[0])
            phi[positions[below]] = covariance[below]
            for k, (i, j) in enumerate(zip(rows, columns, strict=True)):
                jacobian[positions[i], place + k] += lower[:, j]
                jacobian[positions[i, i], place + k] += lower[i, j]
            place += rows.size
        return phi / structure.scales, jacobian / structure.scales[:, None]

    def value(self, psi: Array) -> tuple[float, Array]:
        """Profile −2ℓ_R up to a constant, and its gradient in ψ."""
        phi, jacobian = self.expand(psi)
        at = self.likelihood.evaluate(phi)
        if at is None:
            return 1e10, np.zeros_like(psi)
        if not self.profiled:
            return at.log_determinant + at.quadratic, (at.traces - at.quadratics) @ jacobian
        m = self.likelihood.contrasts
        gradient = (at.traces - m * at.quadratics / at.quadratic) @ jacobian
        return at.log_determinant + m * np.log(at.quadratic / m) + m, gradient

    def theta(self, psi: Array) -> Array:
        phi, _ = self.expand(psi)
        at = self.likelihood.evaluate(phi)
        if at is None:
            raise DesignError("The variances could not be estimated: the search left the domain of the likelihood.")
        return phi * (at.quadratic / self.likelihood.contrasts) if self.profiled else phi

    def descend(self, start: Array) -> tuple[Array, float]:
        if start.size == 0:
            return start, self.value(start)[0]
        found = optimize.minimize(
            self.value,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, None) if least else (-30.0, 30.0) for least in self._bounds()],
            options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 2000, "maxls": 60},
        )
        return np.asarray(found.x), float(found.fun)

    def _bounds(self) -> list[bool]:
        return [bool(least) for least in self.at_least_zero]

    def run(self) -> Maximum:
        best, lowest = self.descend(np.where(self.at_least_zero, 1.0, 0.0))
        if np.any(best[self.at_least_zero] < 0.1):  # near a bound there may be a second summit
            psi, value = self.descend(np.where(self.at_least_zero, 0.2, 0.0))
            if value < lowest - _NO_WORSE:
                best, lowest = psi, value
        best, lowest = self._leave_false_zeros(best, lowest)
        best, lowest = self._try_zeros(best, lowest)
        theta = self.theta(best)
        zero = self.at_least_zero & (best == 0.0)
        free = self._free(best)
        theta, converged = _newton(self.likelihood, theta, free)
        if free.size < theta.size and not converged:
            # At a singular slope covariance the score in θ need not vanish; the score in ψ must.
            converged = bool(np.max(np.abs(self.value(best)[1]), initial=0.0) < 1e-3)
        return Maximum(theta, bool(np.any(zero)), converged)

    def _try_zeros(self, psi: Array, lowest: float) -> tuple[Array, float]:
        """Set small parameters to exactly zero, smallest first, where that costs nothing."""
        for k in np.argsort(np.abs(psi)):
            if not self.at_least_zero[k] or not 0.0 < psi[k] < 0.1:
                continue
            trial = psi.copy()
            trial[k] = 0.0
            trial, value = self.descend(trial)
            if value <= lowest + _NO_WORSE:
                psi, lowest = trial, min(value, lowest)
        return psi, lowest

    def _leave_false_zeros(self, psi: Array, lowest: float) -> tuple[Array, float]:
        """The gradient in γ vanishes at zero; start again from a positive value there."""
        for k in np.flatnonzero(self.at_least_zero & (psi == 0.0)):
            trial = psi.copy()
            trial[k] = 0.3
            trial, value = self.descend(trial)
            if value < lowest - _NO_WORSE:
                psi, lowest = trial, value
        return psi, lowest

    def _free(self, psi: Array) -> NDArray[np.intp]:
        """Entries of θ that Newton steps may move: none that sit at zero or in a singular covariance."""
        structure = self.likelihood.structure
        free = set(structure.residual) if self.profiled else set()
        free |= {r for k, r in enumerate(self.squares) if psi[k] > 0.0}
        place = len(self.squares) + len(self.logs)
        for positions, (rows, columns) in zip(structure.slopes, self.triangles, strict=True):
            entries = psi[place : place + rows.size]
            if np.all(entries[rows == columns] > 1e-3):
                free |= {int(r) for r in positions.ravel()}
            elif np.any(entries != 0.0):
                return np.array([], dtype=np.intp)
            place += rows.size
        return np.array(sorted(free), dtype=np.intp)
