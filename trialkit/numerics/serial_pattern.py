"""Do residuals keep one sign over neighbouring visits? The exact p-value for a least-squares fit.

The ratio of squared steps to squared residuals, d = Σ(rᵢ₊₁ − rᵢ)²/Σrᵢ² (Durbin & Watson 1950, Biometrika 37:409), is
small where a curve of the wrong shape leaves long runs of one sign. Its null distribution given the design is that of
a ratio of quadratic forms in normal errors, found by numerical inversion (Imhof 1961, Biometrika 48:419). For a curve
that is not linear in its parameters, the design is the Jacobian at the fit. Above ``EXACT_UP_TO`` visits, where the
inversion is slow and the ratio all but normal, the normal law with the exact mean and variance of the ratio stands in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import ndtr

Floats = NDArray[np.float64]

EXACT_UP_TO = 120


def serial_pattern_p(residuals: Floats, jacobian: Floats) -> float:
    """P(d ≤ the observed d) under independent equal-variance normal errors; NaN with fewer than 3 residual df.

    ``residuals`` (n,) in the order of time, ``jacobian`` (n, p). Small values mean runs of one sign.
    """
    n = residuals.size
    length = np.linalg.norm(jacobian, axis=0)
    exact = n <= EXACT_UP_TO
    left, size, _ = np.linalg.svd(jacobian / np.where(length > 0.0, length, 1.0), full_matrices=exact)
    rank = int(np.sum(size > 1e-12 * size[0]))
    if n - rank < 3 or not np.any(residuals):
        return float("nan")
    ratio = float(np.sum(np.diff(residuals) ** 2) / np.sum(residuals**2))
    if not exact:
        return _normal_chance(ratio, left[:, :rank])
    free = left[:, rank:]
    steps = np.diff(free, axis=0)
    weights: Floats = np.linalg.eigvalsh(steps.T @ steps - ratio * np.eye(n - rank)).astype(float)
    return float(min(max(_chance_below_zero(weights), 0.0), 1.0))


def _normal_chance(ratio: float, basis: Floats) -> float:
    """P(d ≤ ratio) by the normal law; with M = I − QQ' and A the matrix of squared steps, the moments of the ratio
    are those of the traces of MA and (MA)² (Durbin & Watson 1950). ``basis`` (n, p) is Q.
    """
    n, p = basis.shape
    df = n - p
    stepped = _steps_matrix(basis)
    inner = basis.T @ stepped
    once = 2.0 * (n - 1) - float(np.trace(inner))
    squares = float(6 * n - 8)  # tr A², A tridiagonal with 1, 2 … 2, 1 and −1 beside
    twice = squares - 2.0 * float(np.sum(stepped**2)) + float(np.sum(inner**2))
    mean = once / df
    variance = 2.0 * (df * twice - once**2) / (df**2 * (df + 2.0))
    return float(ndtr((ratio - mean) / np.sqrt(variance)))


def _steps_matrix(basis: Floats) -> Floats:
    """A·Q, where x'Ax is the sum of squared steps of x."""
    step = np.diff(basis, axis=0)
    edge = np.zeros((1, basis.shape[1]))
    return np.vstack([edge, step]) - np.vstack([step, edge])


def _chance_below_zero(weights: Floats) -> float:
    """P(Σ wᵢ zᵢ² ≤ 0) for standard normal zᵢ. The integral over 0…∞ is taken on u = x/(1 − x)."""
    weights = weights / np.abs(weights).max()

    def integrand(x: float) -> float:
        u = x / (1.0 - x)
        angle = 0.5 * np.sum(np.arctan(weights * u))
        size = np.exp(0.25 * np.sum(np.log1p((weights * u) ** 2)))
        return float(np.sin(angle) / (u * size) / (1.0 - x) ** 2)

    area = quad(integrand, 1e-12, 1.0 - 1e-9, limit=400, epsabs=1e-9, epsrel=1e-9)[0]
    return 0.5 - float(area) / np.pi
