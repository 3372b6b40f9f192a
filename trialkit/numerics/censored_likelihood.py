"""Accelerated failure time fits to times known only between visits.

log T = x'β + σW, with W standard normal (log-normal T), logistic (log-logistic), smallest extreme value (Weibull), or
smallest extreme value with σ = 1 (exponential). A bin known to (low, high] adds log{F(u) − F(l)} to the likelihood,
u = (log high − x'β)/σ, l = (log low − x'β)/σ, F the distribution function of W; one that never finished 1 − F(l).
Maximised by Newton steps on analytic derivatives in (β, log σ); standard errors from the inverse of the analytic
Hessian at the maximum (Lindsey & Ryan 1998, Statistics in Medicine 17:219).

With a handful of bins the Wald intervals of such fits are too narrow (they hold in 71 to 82 % of trials with four to
six blocks): ``censored_times`` is for inference, these fits are a check of the estimate and serve large trials.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from trialkit.errors import DesignError
from trialkit.records import read_only

Array = NDArray[np.float64]
Distribution = Literal["weibull", "log-normal", "log-logistic", "exponential"]

_STEPS = 200
_TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False)
class LifetimeFit:
    """A fit of log time; p coefficients.

    ``coefficients, std_errors`` (p,) of β; ``sigma`` (1 for exponential), ``log_sigma_std_error`` (NaN for
    exponential); ``covariance`` (p + 1, p + 1) of β and log σ, (p, p) for exponential; ``log_likelihood`` at
    the maximum.
    """

    distribution: Distribution
    coefficients: Array
    std_errors: Array
    sigma: float
    log_sigma_std_error: float
    covariance: Array
    log_likelihood: float

    def ratio(self, coefficient: int, level: float = 0.95) -> tuple[float, float, float]:
        """exp(β) of one coefficient, a time ratio, with its Wald interval: estimate, low, high."""
        reach = float(special.ndtri(0.5 + level / 2)) * self.std_errors[coefficient]
        estimate, low, high = np.exp(self.coefficients[coefficient] + np.array([0.0, -reach, reach]))
        return float(estimate), float(low), float(high)


def fit_lifetimes(low: ArrayLike, high: ArrayLike, x: ArrayLike, *, distribution: Distribution) -> LifetimeFit:
    """Maximum likelihood for times in (low, high], ``low, high`` (n,) in days, ``x`` (n, p) with intercept.

    ``low`` = 0: finished before the first look. ``high`` = inf: never finished. Equal: the day itself is known.
    Raises DesignError where the input does not fit together or the likelihood has no maximum (no finished bin, a
    treatment without one, every window overlapping).
    """
    low_, high_, x_ = np.asarray(low, float), np.asarray(high, float), np.asarray(x, float)
    if x_.ndim != 2 or low_.shape != high_.shape or low_.shape != (x_.shape[0],):
        raise DesignError(
            f"Found times of shape {low_.shape} and {high_.shape} with a design of shape {x_.shape}; expected n, n and "
            "(n, p)."
        )
    if (
        not np.isfinite(low_).all()
        or np.isnan(high_).any()
        or (low_ < 0).any()
        or (high_ < low_).any()
        or (high_ <= 0).any()
    ):
        raise DesignError("Found an interval that ends before it starts, or a time below 0; expected 0 ≤ low ≤ high.")
    if np.linalg.matrix_rank(x_) < x_.shape[1]:
        raise DesignError("Found a design in which columns repeat one another; leave one of them out.")
    with np.errstate(divide="ignore"):
        log_low, log_high = np.log(low_), np.log(high_)
    free_sigma = distribution != "exponential"
    theta = _start(log_low, log_high, x_, free_sigma)
    value, gradient, hessian = _likelihood(theta, log_low, log_high, x_, distribution)
    for _ in range(_STEPS):
        step = _ascent(gradient, hessian)
        scale = 1.0
        while scale > 1e-12:
            there = _likelihood(theta + scale * step, log_low, log_high, x_, distribution)
            if there[0] >= value - 1e-13 * abs(value):
                break
            scale /= 2
        theta = theta + scale * step
        value, gradient, hessian = there
        if np.max(np.abs(scale * step)) < _TOLERANCE:
            break
    at_maximum = np.all(np.linalg.eigvalsh(-hessian) > 1e-8) and np.max(np.abs(gradient)) < 1e-5
    if not at_maximum or (free_sigma and theta[-1] < -15):
        raise DesignError(
            f"The {distribution} likelihood of these windows has no maximum: they cannot tell a spread or a ratio. "
            "Every treatment needs finished bins, and the windows must not all overlap."
        )
    covariance = np.linalg.inv(-hessian)
    errors = np.sqrt(np.diag(covariance))
    p = x_.shape[1]
    return LifetimeFit(
        distribution=distribution,
        coefficients=read_only(theta[:p].copy()),
        std_errors=read_only(errors[:p].copy()),
        sigma=float(np.exp(theta[p])) if free_sigma else 1.0,
        log_sigma_std_error=float(errors[p]) if free_sigma else float("nan"),
        covariance=read_only(covariance),
        log_likelihood=float(value),
    )


def _start(log_low: Array, log_high: Array, x: Array, free_sigma: bool) -> Array:
    """Least squares on midpoints of the logs (known ends of open windows), and the log of the residual spread."""
    low = np.where(np.isfinite(log_low), log_low, log_high - 1.0)
    high = np.where(np.isfinite(log_high), log_high, log_low)
    middle = np.where(np.isfinite(low), (low + high) / 2, high)
    middle = np.where(np.isfinite(middle), middle, np.nanmean(np.where(np.isfinite(middle), middle, np.nan)))
    beta = np.linalg.lstsq(x, middle, rcond=None)[0]
    spread = max(float(np.std(middle - x @ beta)), 0.02)
    return np.asarray(np.append(beta, np.log(spread)) if free_sigma else beta, dtype=np.float64)


def _ascent(gradient: Array, hessian: Array) -> Array:
    """Newton step, its curvatures turned upright where the likelihood is not concave, none longer than 2."""
    curvature, axes = np.linalg.eigh(-hessian)
    step = axes @ ((axes.T @ gradient) / np.maximum(np.abs(curvature), 1e-8))
    return np.asarray(step / max(1.0, float(np.max(np.abs(step))) / 2.0))


def _likelihood(
    theta: Array, log_low: Array, log_high: Array, x: Array, distribution: Distribution
) -> tuple[float, Array, Array]:
    """Log-likelihood with gradient and Hessian in θ = (β, log σ), (p + 1,), or θ = β for exponential."""
    p = x.shape[1]
    free_sigma = theta.size > p
    sigma = float(np.exp(theta[p])) if free_sigma else 1.0
    centre = x @ theta[:p]
    exact = log_low == log_high
    upper, lower = (log_high - centre) / sigma, (log_low - centre) / sigma
    with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
        if exact.any():
            log_p, d1, d2 = _exact_terms(upper, distribution)
        f_u, f1_u = _density(upper, distribution)
        f_l, f1_l = _density(lower, distribution)
        u, v = np.where(np.isfinite(upper), upper, 0.0), np.where(np.isfinite(lower), lower, 0.0)
        mass = np.where(exact, 1.0, _mass(lower, upper, distribution))
        # derivatives of the mass with respect to the centre c = x'β and s = log σ
        m_c = -(f_u - f_l) / sigma
        m_s = -(u * f_u - v * f_l)
        m_cc = (f1_u - f1_l) / sigma**2
        m_cs = ((f_u + u * f1_u) - (f_l + v * f1_l)) / sigma
        m_ss = (u * f_u + u**2 * f1_u) - (v * f_l + v**2 * f1_l)
        value = np.log(mass)
        g_c, g_s = m_c / mass, m_s / mass
        h_cc, h_cs, h_ss = m_cc / mass - g_c**2, m_cs / mass - g_c * g_s, m_ss / mass - g_s**2
        if exact.any():
            # log density of log T: log f(z) − log σ, z = (log t − c)/σ; d1, d2 derivatives of log f
            value = np.where(exact, log_p - np.log(sigma), value)
            g_c, g_s = np.where(exact, -d1 / sigma, g_c), np.where(exact, -u * d1 - 1.0, g_s)
            h_cc = np.where(exact, d2 / sigma**2, h_cc)
            h_cs = np.where(exact, (d1 + u * d2) / sigma, h_cs)
            h_ss = np.where(exact, u * d1 + u**2 * d2, h_ss)
    if not np.isfinite(value).all():
        return -np.inf, np.zeros(theta.size), -np.eye(theta.size)
    gradient = np.append(x.T @ g_c, g_s.sum()) if free_sigma else x.T @ g_c
    hessian = np.empty((theta.size, theta.size))
    hessian[:p, :p] = (x * h_cc[:, None]).T @ x
    if free_sigma:
        hessian[:p, p] = hessian[p, :p] = x.T @ h_cs
        hessian[p, p] = h_ss.sum()
    return float(value.sum()), gradient, hessian


def _mass(lower: Array, upper: Array, distribution: Distribution) -> Array:
    """F(upper) − F(lower), taken in the tail where it loses no digits."""
    if distribution == "log-normal":
        return np.where(
            lower > 0, special.ndtr(-lower) - special.ndtr(-upper), special.ndtr(upper) - special.ndtr(lower)
        )
    if distribution == "log-logistic":
        low_side = special.expit(upper) - special.expit(lower)
        return np.where(lower > 0, special.expit(-lower) - special.expit(-upper), low_side)
    hazard_low, hazard_high = np.exp(lower), np.exp(upper)
    return np.asarray(np.exp(-hazard_low) * -np.expm1(-(hazard_high - hazard_low)))


def _density(z: Array, distribution: Distribution) -> tuple[Array, Array]:
    """Density of W and its derivative; 0 at either infinity."""
    z_ = np.where(np.isfinite(z), z, 0.0)
    if distribution == "log-normal":
        f = np.exp(-0.5 * z_**2) / np.sqrt(2 * np.pi)
        f1 = -z_ * f
    elif distribution == "log-logistic":
        f = special.expit(z_) * special.expit(-z_)
        f1 = f * (special.expit(-z_) - special.expit(z_))
    else:
        f = np.exp(z_ - np.exp(z_))
        f1 = np.where(f > 0, f * (1 - np.exp(z_)), 0.0)
    inside = np.isfinite(z)
    return np.where(inside, f, 0.0), np.where(inside, f1, 0.0)


def _exact_terms(z: Array, distribution: Distribution) -> tuple[Array, Array, Array]:
    """log f(z) and its first two derivatives."""
    if distribution == "log-normal":
        return -0.5 * z**2 - 0.5 * np.log(2 * np.pi), -z, -np.ones_like(z)
    if distribution == "log-logistic":
        f = special.expit(z) * special.expit(-z)
        return np.log(f), special.expit(-z) - special.expit(z), -2 * f
    return z - np.exp(z), 1 - np.exp(z), -np.exp(z)
