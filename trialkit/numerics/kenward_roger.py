"""Standard errors, degrees of freedom and F after Kenward & Roger 1997 (Biometrics 53:983).

θ (R,) covariance parameters, in which V is linear, so that the paper's R_rs = X'V⁻¹(∂²V/∂θ_r∂θ_s)V⁻¹X are zero.
G_r = ∂V/∂θ_r, Φ = (X'V⁻¹X)⁻¹ (p, p), P_r = −X'V⁻¹G_rV⁻¹X, Q_rs = X'V⁻¹G_rV⁻¹G_sV⁻¹X, W = I⁻¹ the inverse expected
information, Λ = Σ_rs W_rs (Q_rs − P_r Φ P_s), Φ_A = Φ + 2ΦΛΦ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from trialkit.errors import DesignError
from trialkit.numerics.reml import RemlFit
from trialkit.numerics.variance_structures import positive_inverse

Array = NDArray[np.float64]

LEAST_DF = 1.0
LEAST_DF_OF_F = 2.5
_SAME = 1e-6
_KEPT_WITH_ONE = 0.9


@dataclass(frozen=True, eq=False)
class SmallSample:
    """What inference on β needs: beta (p,), phi = Φ and adjusted = Φ_A (p, p), spread (R, p, p) = Φ P_r Φ,
    weights = W (R, R)."""

    beta: Array
    phi: Array
    adjusted: Array
    spread: Array
    weights: Array

    @cached_property
    def forms(self) -> Array:
        """Φ, Φ_A and every Φ P_r Φ in one (R + 2, p, p): what a contrast is measured with."""
        return np.concatenate([[self.phi, self.adjusted], self.spread])


@dataclass(frozen=True)
class ContrastEstimate:
    """c'β with its standard error and degrees of freedom."""

    estimate: float
    std_error: float
    df: float


@dataclass(frozen=True)
class TermTest:
    """Marginal test that several contrasts are zero: F (scaled as in the paper), its two df, and p."""

    f: float
    df_num: int
    df_den: float
    p: float


def small_sample(fit: RemlFit) -> SmallSample:
    """Everything of Kenward & Roger that does not depend on the contrast."""
    a = fit.v_inverse @ fit.x @ fit.phi
    shared = fit.structure.matrices @ a  # G_r V⁻¹XΦ, (R, n, p)
    spread = -(a.T @ shared)  # Φ P_r Φ
    weights = _inverse(fit.information)
    # Q_rs − P_r Φ P_s = C_r' W⁻¹ C_s with C_r = N'G_rV⁻¹X: the same, without subtracting near-equal numbers.
    c = fit.basis.T @ shared  # C_r Φ
    w_inverse = positive_inverse(fit.basis.T @ fit.structure.covariance(fit.theta) @ fit.basis)
    p = fit.x.shape[1]
    mixed = weights @ (w_inverse @ c).reshape(weights.shape[0], -1)  # Σ_s W_rs W⁻¹C_s Φ
    bias = c.reshape(-1, p).T @ mixed.reshape(-1, p)
    adjusted = fit.phi + (bias + bias.T)
    for array in (adjusted, spread, weights):
        array.setflags(write=False)
    return SmallSample(fit.beta, fit.phi, adjusted, spread, weights)


def contrast_estimate(small: SmallSample, row: ArrayLike) -> ContrastEstimate:
    """Estimate, SE = √(c'Φ_A c) and df = 2/A of one contrast c (p,). DesignError where df is below 1."""
    c = np.asarray(row, dtype=float)
    measured = small.forms @ c @ c  # (R + 2,)
    variance, adjusted = measured[:2].tolist()
    if not variance > 0.0:
        raise DesignError("The comparison compares something with itself: every coefficient in it cancels.")
    u = measured[2:] / variance
    total = float(u @ small.weights @ u)
    df = 2.0 / total if total > 1e-12 else math.inf
    _refuse_few(df, LEAST_DF)
    if not adjusted > 0.0:
        raise DesignError("The adjusted variance of the comparison is not positive: these rows are too few for it.")
    return ContrastEstimate(float(c @ small.beta), math.sqrt(adjusted), df)


def contrast_estimates(small: SmallSample, rows: ArrayLike) -> tuple[ContrastEstimate, ...]:
    """The same for each of several contrasts (L, p), to the last digit."""
    return tuple(contrast_estimate(small, row) for row in np.asarray(rows, dtype=float))


def df_with_one_inside(df: ArrayLike) -> Array:
    """Degrees of freedom where blocks are random because one is left inside them: a tenth fewer than those of Kenward
    and Roger, but never below one. df: any shape.

    As they are, 95 % intervals held in 93.5 to 95.2 % of normal trials over 63 cells of small blocks with lost bins
    (30,000 trials each, seed 200), least often where blocks do not differ; a tenth fewer, in 94.1 to 95.4 %.
    """
    given = np.asarray(df, dtype=float)
    return np.asarray(np.where(given >= 1.0, np.maximum(1.0, _KEPT_WITH_ONE * given), given))


def joint_test(small: SmallSample, rows: ArrayLike) -> TermTest:
    """F test that L contrasts (L, p) are all zero. DesignError where the denominator df are too few.

    The paper's formulas are 0/0 at 2 df for every L. Where the contrasts share one variance (A₁ = L A₂) the
    exact answer df = 2L/A₂ with scale 1 is used, which also covers one row; elsewhere an F needs 2L/A₂ ≥ 2.5.
    """
    contrasts = np.atleast_2d(np.asarray(rows, dtype=float))
    count = contrasts.shape[0]
    forms = contrasts @ small.forms @ contrasts.T  # (R + 2, L, L)
    inverse, inverse_adjusted = np.linalg.inv(forms[:2])
    turned = inverse @ forms[2:]  # (R, L, L)
    traces = turned.diagonal(axis1=1, axis2=2).sum(axis=1)
    a1 = float(traces @ small.weights @ traces)
    flat, crossed = turned.reshape(len(turned), -1), turned.transpose(0, 2, 1).reshape(len(turned), -1)
    a2 = float((small.weights * (flat @ crossed.T)).sum())
    estimate = contrasts @ small.beta
    plain_f = float(estimate @ inverse_adjusted @ estimate) / count
    if a2 <= 1e-12:
        return TermTest(plain_f, count, float("inf"), float(special.chdtrc(count, count * plain_f)))
    rough = 2.0 * count / a2
    if abs(a1 - count * a2) < _SAME * a1:
        _refuse_few(rough, LEAST_DF)
        return TermTest(plain_f, count, rough, float(special.fdtrc(count, rough, plain_f)))
    _refuse_few(rough, LEAST_DF_OF_F)
    b = (a1 + 6.0 * a2) / (2.0 * count)
    g = ((count + 1.0) * a1 - (count + 4.0) * a2) / ((count + 2.0) * a2)
    below = 3.0 * count + 2.0 * (1.0 - g)
    c1, c2, c3 = g / below, (count - g) / below, (count + 2.0 - g) / below
    mean = 1.0 / (1.0 - a2 / count)
    spread = (2.0 / count) * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
    rho = spread / (2.0 * mean**2)
    df = 4.0 + (count + 2.0) / (count * rho - 1.0)
    _refuse_few(df, LEAST_DF)
    scale = df / (mean * (df - 2.0))
    if not (np.isfinite(df) and scale > 0.0):
        raise DesignError(f"No F test: its {df:.3g} degrees of freedom have no meaning in so small a table.")
    f = scale * plain_f
    return TermTest(f, count, df, float(special.fdtrc(count, df, f)))


def _inverse(information: Array) -> Array:
    """Inverse of the information; a direction it cannot see (a variance at its bound) is left out."""
    size = np.sqrt(information.diagonal())
    unit = size[:, None] * size
    values, vectors = np.linalg.eigh(information / unit)
    kept = values > 1e-12 * values[-1]
    return np.asarray((vectors[:, kept] / values[kept]) @ vectors[:, kept].T / unit)


def _refuse_few(df: float, least: float) -> None:
    if not df >= least * (1.0 - 1e-9):
        raise DesignError(
            f"Too few degrees of freedom: found {df:.3g}, at least {least:g} are needed for an interval or a test. "
            "More units of the level that is compared are needed, not more readings on them."
        )
