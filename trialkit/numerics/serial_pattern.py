"""Do residuals keep one sign over neighbouring visits? The exact p-value for a least-squares fit.

The ratio of squared steps to squared residuals, d = Σ(rᵢ₊₁ − rᵢ)²/Σrᵢ² (Durbin & Watson 1950, Biometrika 37:409), is
small where a curve of the wrong shape leaves long runs of one sign. Its null distribution given the design is that of
a ratio of quadratic forms in normal errors, found by numerical inversion (Imhof 1961, Biometrika 48:419). For a curve
that is not linear in its parameters, the design is the Jacobian at the fit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad

Floats = NDArray[np.float64]


def serial_pattern_p(residuals: Floats, jacobian: Floats) -> float:
    """P(d ≤ the observed d) under independent equal-variance normal errors; NaN with fewer than 3 residual df.

    ``residuals`` (n,) in the order of time, ``jacobian`` (n, p). Small values mean runs of one sign.
    """
    n = residuals.size
    length = np.linalg.norm(jacobian, axis=0)
    left, size, _ = np.linalg.svd(jacobian / np.where(length > 0.0, length, 1.0), full_matrices=True)
    rank = int(np.sum(size > 1e-12 * size[0]))
    if n - rank < 3 or not np.any(residuals):
        return float("nan")
    free = left[:, rank:]
    ratio = float(np.sum(np.diff(residuals) ** 2) / np.sum(residuals**2))
    steps = np.diff(free, axis=0)
    weights: Floats = np.linalg.eigvalsh(steps.T @ steps - ratio * np.eye(n - rank)).astype(float)
    return float(min(max(_chance_below_zero(weights), 0.0), 1.0))


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
