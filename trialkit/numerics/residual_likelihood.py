"""The residual likelihood as a function of θ, in two forms that answer the same questions.

Where all projected matrices H_r = N'G_rN commute, one rotation makes W diagonal and rows with the same
eigenvalues fall into strata: K numbers replace an (m, m) matrix. Otherwise W is factored at each step.
Single letters as in `reml`: z (m,) the residual contrasts, W = H₀ + Σ θ_r H_r, all in units of the
response's residual variance, so that z'z = m.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from trialkit.numerics.variance_structures import VarianceStructure

Array = NDArray[np.float64]

_COMMUTE = 1e-8
_SAME_EIGENVALUE = 1e-9


@dataclass(frozen=True, eq=False)
class Evaluation:
    """At one θ: log|W|, z'W⁻¹z, tr(W⁻¹H_r) (R,) and z'W⁻¹H_rW⁻¹z (R,)."""

    log_determinant: float
    quadratic: float
    traces: Array
    quadratics: Array


class ResidualLikelihood(Protocol):
    """What the search needs. contrasts: m. known: H₀ or its strata, None where there is none."""

    @property
    def structure(self) -> VarianceStructure: ...
    @property
    def contrasts(self) -> int: ...
    @property
    def known(self) -> Array | None: ...
    @property
    def diagonal(self) -> bool: ...
    def evaluate(self, theta: Array) -> Evaluation | None: ...
    def minus_two_log(self, theta: Array) -> float: ...
    def information(self, theta: Array) -> Array: ...
    def curvature(self, theta: Array) -> Array: ...
    def information_at_identity(self) -> Array: ...
    def residual_only_mean_square(self) -> float: ...


@dataclass(frozen=True, eq=False)
class Strata:
    """W diagonal: K strata with eigenvalues a (R, K) of the H_r, m_k contrasts and mean square s_k each."""

    structure: VarianceStructure
    eigenvalues: Array
    known: Array | None
    counts: Array
    mean_squares: Array
    diagonal: bool = True

    @property
    def contrasts(self) -> int:
        return int(self.counts.sum())

    def variances(self, theta: Array) -> Array:
        """v_k (K,), the expected mean squares."""
        v = theta @ self.eigenvalues
        return v if self.known is None else v + self.known

    def evaluate(self, theta: Array) -> Evaluation | None:
        v = self.variances(theta)
        if not v.min() > 0.0:
            return None
        share = self.counts / v
        return Evaluation(
            float(self.counts @ np.log(v)),
            float(share @ self.mean_squares),
            self.eigenvalues @ share,
            self.eigenvalues @ (share * self.mean_squares / v),
        )

    def minus_two_log(self, theta: Array) -> float:
        v = self.variances(theta)
        return float(self.counts @ (np.log(v) + self.mean_squares / v)) if v.min() > 0.0 else float("inf")

    def information(self, theta: Array) -> Array:
        weight = self.counts / self.variances(theta) ** 2
        return np.asarray(0.5 * (self.eigenvalues * weight) @ self.eigenvalues.T)

    def curvature(self, theta: Array) -> Array:
        """Second derivatives of −2ℓ_R, (R, R)."""
        v = self.variances(theta)
        weight = self.counts * (2.0 * self.mean_squares / v - 1.0) / v**2
        return np.asarray((self.eigenvalues * weight) @ self.eigenvalues.T)

    def information_at_identity(self) -> Array:
        return np.asarray(0.5 * (self.eigenvalues * self.counts) @ self.eigenvalues.T)

    def residual_only_mean_square(self) -> float:
        random = self.eigenvalues[: self.structure.residual[0]]  # residual variances stand last
        bare = np.abs(random).max(axis=0, initial=0.0) < 1e-9
        return float(self.mean_squares[bare].min(initial=np.inf))


@dataclass(frozen=True, eq=False)
class Dense:
    """W in full. projected (R, m, m) the H_r; known (m, m) or None; z (m,)."""

    structure: VarianceStructure
    projected: Array
    known: Array | None
    z: Array
    diagonal: bool = False

    @property
    def contrasts(self) -> int:
        return int(self.z.size)

    def _w(self, theta: Array) -> Array:
        w = np.tensordot(theta, self.projected, axes=1)
        return np.asarray(w if self.known is None else w + self.known)

    def evaluate(self, theta: Array) -> Evaluation | None:
        factor, failed = linalg.lapack.dpotrf(self._w(theta), lower=1)
        if failed:
            return None
        inverse, _ = linalg.lapack.dpotri(factor, lower=1)
        inverse = np.tril(inverse) + np.tril(inverse, -1).T
        solved = inverse @ self.z
        return Evaluation(
            2.0 * float(np.sum(np.log(np.diag(factor)))),
            float(self.z @ solved),
            np.tensordot(self.projected, inverse, axes=2),
            np.asarray((self.projected @ solved) @ solved),
        )

    def minus_two_log(self, theta: Array) -> float:
        at = self.evaluate(theta)
        return float("inf") if at is None else at.log_determinant + at.quadratic

    def _products(self, theta: Array) -> tuple[Array, Array, Array]:
        """W⁻¹H_r (R, m, m), their mutual traces (R, R), W⁻¹z (m,)."""
        inverse = np.linalg.inv(self._w(theta))
        products = inverse @ self.projected
        traces = np.tensordot(products, products, axes=([1, 2], [2, 1]))
        return products, 0.5 * (traces + traces.T), inverse @ self.z

    def information(self, theta: Array) -> Array:
        return 0.5 * self._products(theta)[1]

    def curvature(self, theta: Array) -> Array:
        """Second derivatives of −2ℓ_R, (R, R)."""
        products, traces, solved = self._products(theta)
        left = self.projected @ solved  # H_r W⁻¹z
        right = products @ solved
        return np.asarray(2.0 * left @ right.T - traces)

    def information_at_identity(self) -> Array:
        return np.asarray(0.5 * np.tensordot(self.projected, self.projected, axes=([1, 2], [2, 1])))

    def residual_only_mean_square(self) -> float:
        """Mean square of z where no random term reaches; inf where none such direction exists."""
        structure = self.structure
        variances = [*structure.design, *(int(r) for group in structure.slopes for r in np.diag(group))]
        if not variances:
            return float(np.mean(self.z**2))
        scaled = self.projected[variances] / structure.scales[variances][:, None, None]
        values, vectors = np.linalg.eigh(scaled.sum(axis=0))
        bare = values < 1e-9 * values[-1]
        return float(np.mean((vectors[:, bare].T @ self.z) ** 2)) if np.any(bare) else float("inf")


def residual_likelihood(z: Array, basis: Array, structure: VarianceStructure, unit: float) -> ResidualLikelihood:
    """Project the variance structure on the residual contrasts.

    z (m,) in units of √unit; basis N (n, m); unit: the residual variance that V₀ is divided by.
    """
    projected = basis.T @ structure.matrices @ basis
    taken_out = _squared_sizes(projected) < 1e-20 * _squared_sizes(structure.matrices)  # by the fixed terms
    projected[taken_out] = 0.0
    known = None if structure.known is None else (basis.T * (structure.known / unit)) @ basis
    parts = projected if known is None else np.concatenate([projected, known[None]])
    if structure.slopes:
        return Dense(structure, projected, known, z)
    common = len(structure.residual) == 1  # its H is the identity, which commutes with all
    others = [r for r in range(len(parts)) if not (common and r in structure.residual)]
    if len(others) == 1 and common:
        eigenvalues = np.ones((len(parts), z.size))
        eigenvalues[others[0]], rotation, _ = linalg.lapack.dsyevd(parts[others[0]])
        return _grouped(structure, eigenvalues, rotation.T @ z, known is not None)
    rotation = _common_rotation(parts[others])
    if rotation is None:
        return Dense(structure, projected, known, z)
    eigenvalues = (rotation * (parts @ rotation)).sum(axis=1)
    return _grouped(structure, eigenvalues, rotation.T @ z, known is not None)


def _squared_sizes(matrices: Array) -> Array:
    """Sum of squared entries of each of (R, k, k)."""
    return np.asarray(np.einsum("rij,rij->r", matrices, matrices))


def _common_rotation(parts: Array) -> Array | None:
    """Eigenvectors that all symmetric matrices share, or None where they do not commute."""
    if parts.shape[0] == 0:
        return np.eye(parts.shape[1])
    if parts.shape[0] == 1:
        return np.linalg.eigh(parts[0])[1]
    sizes = np.sqrt(_squared_sizes(parts))
    kept = parts[sizes > 0.0] / sizes[sizes > 0.0][:, None, None]
    for i in range(kept.shape[0]):
        for j in range(i):
            product = kept[i] @ kept[j]
            if np.linalg.norm(product - product.T) > _COMMUTE:
                return None
    # A generic combination has no eigenvalue in common that the single matrices do not share.
    weights = np.sqrt(np.arange(2.0, 2.0 + kept.shape[0]))
    rotation = np.linalg.eigh(np.tensordot(weights, kept, axes=1))[1]
    turned = rotation.T @ kept @ rotation
    turned[:, np.arange(turned.shape[1]), np.arange(turned.shape[1])] = 0.0
    return np.asarray(rotation) if float(np.max(np.abs(turned), initial=0.0)) < 1e-7 else None


def _grouped(structure: VarianceStructure, eigenvalues: Array, z: Array, has_known: bool) -> Strata:
    """Join contrasts with the same eigenvalues in every matrix; the rotation left them side by side."""
    size = np.abs(eigenvalues).max(axis=1, keepdims=True) + 1e-300
    moved = (np.abs(eigenvalues[:, 1:] - eigenvalues[:, :-1]) > _SAME_EIGENVALUE * size).any(axis=0)
    ends = [*(moved.nonzero()[0] + 1).tolist(), z.size]
    starts = [0, *ends[:-1]]
    counts = np.array(ends, dtype=float) - starts
    means = np.add.reduceat(eigenvalues, starts, axis=1) / counts
    means[np.abs(means) < 1e-12 * size] = 0.0
    squares = np.add.reduceat(z**2, starts) / counts
    return Strata(structure, means[: len(structure.names)], means[-1] if has_known else None, counts, squares)
