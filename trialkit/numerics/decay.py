"""One-pool decay and release curves by least squares, global in the rate and so free of start values.

y(t) = end + (start − end)·exp(−k t). ``start`` and ``end`` are each free or a given number: a settling bin has both
free, a cumulative release through the origin has start 0. For a fixed rate the free levels are a linear least-squares
problem (variable projection: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413), so the residual sum of squares is a
curve in k alone. It is scanned over a wide grid of log k, every dip is closed in on where the slope of that curve
changes sign, and the lowest dip wins.

Letters: t (n,) days; y (n,) levels; k rate, 1/day; G number of rates tried at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import f as f_distribution

from trialkit.numerics.serial_pattern import serial_pattern_p
from trialkit.records import read_only

Floats = NDArray[np.float64]

POINTS_PER_E_FOLD = 12  # exp(−kt) bends over about one e-fold of k, so no dip is narrower than several points
SLOWEST, FASTEST = 1e-3, 40.0  # the scan: k·T from 0.001, k·(first gap) up to 40, where exp(−k·gap) is nothing
FARTHEST_BACK = 300.0  # k·(first day) beyond which a start level at t = 0 is no number
FLAT_BELOW, FLAT_ABOVE = 0.1, 10.0  # a limit under 0.1/T or over 10/first gap does not identify k


@dataclass(frozen=True, eq=False)
class DecayFit:
    """A fitted curve. Levels in the unit of y, ``rate`` in 1/day; standard errors are NaN for what was given.

    ``low`` and ``high`` are profile limits of the rate at ``level`` (0 and inf where the profile stays below the cut
    over the whole scan). ``slowest`` = 0.1/T and ``fastest`` = 10/first gap bound what these days can identify.
    ``has_dip`` is False where no rate inside the scan is best: a straight line or one step fits as well or better.
    ``serial_p`` is the p-value of residuals that keep one sign over neighbouring visits (NaN with fewer than 3 df).
    ``residuals`` (n,), ``days`` (n,).
    """

    rate: float
    start: float
    end: float
    rss: float
    df: int
    parameters: int
    rate_std_error: float
    start_std_error: float
    end_std_error: float
    low: float
    high: float
    level: float
    slowest: float
    fastest: float
    has_dip: bool
    serial_p: float
    days: Floats
    residuals: Floats

    @property
    def identified(self) -> bool:
        """Whether the profile closes on both sides within what the visiting days can tell."""
        return self.has_dip and self.low >= self.slowest and self.high <= self.fastest


def fit_decay(
    days: Floats, levels: Floats, *, start: float | None = None, end: float | None = None, level: float = 0.95
) -> DecayFit:
    """Least squares of y = end + (start − end)·exp(−k t); ``start`` and ``end`` free where None.

    ``days`` (n,) and ``levels`` (n,) finite, days not below 0; repeated days are allowed. Limits: all k with
    RSS(k) ≤ RSS_min·(1 + F/df), F the ``level`` quantile on 1 and df degrees of freedom (Bates & Watts 1988,
    Nonlinear Regression Analysis, ch. 6). Raises ValueError for fewer readings than parameters + 1, fewer distinct
    days than parameters, or levels that are all equal.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(levels, dtype=float)
    parameters = 1 + (start is None) + (end is None)
    check_series(t, y, parameters)
    order = np.argsort(t, kind="stable")
    t, y = t[order], y[order]
    curve = Curve(t, y, start, end)
    grid, span, gap = scanned_rates(t, start)
    rss = curve.rss(np.exp(grid))
    noise = level_noise(y)
    log_k, has_dip = lowest_dip(curve, grid, rss, noise)
    k = float(np.exp(log_k))
    least = float(curve.rss(np.array([k]))[0])
    df = t.size - parameters
    cut = least * (1.0 + float(f_distribution.ppf(level, 1, df)) / df) + noise
    low, high = _limits(curve, grid, rss, log_k, cut)
    first_level, end_level = curve.levels_at_first(k)
    jacobian = curve.jacobian(k, first_level, end_level)
    spread = covariance(jacobian, least / df)
    residuals = y - curve.at(k, first_level, end_level)
    return DecayFit(
        rate=k,
        start=float(curve.carry_back(k, first_level, end_level)),
        end=end_level,
        rss=least,
        df=df,
        parameters=parameters,
        rate_std_error=float(np.sqrt(spread[0, 0])),
        start_std_error=curve.start_error(k, first_level, end_level, spread),
        end_std_error=float(np.sqrt(spread[-1, -1])) if end is None else np.nan,
        low=low,
        high=high,
        level=level,
        slowest=FLAT_BELOW / span,
        fastest=FLAT_ABOVE / gap,
        has_dip=has_dip,
        serial_p=serial_pattern_p(residuals, jacobian) if least > noise else np.nan,
        days=read_only(t),
        residuals=read_only(residuals),
    )


def check_series(t: Floats, y: Floats, parameters: int) -> None:
    """Raise ValueError where ``t`` and ``y`` cannot carry a curve of so many free numbers."""
    if t.ndim != 1 or t.shape != y.shape:
        raise ValueError(f"days and levels must be two vectors of one length, found shapes {t.shape} and {y.shape}")
    if not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise ValueError("days and levels must be finite")
    if t.size and t.min() < 0.0:
        raise ValueError("days are counted from the start and cannot be negative")
    if t.size < parameters + 1 or np.unique(t).size < parameters:
        raise ValueError(
            f"{t.size} readings on {np.unique(t).size} days cannot fit {parameters} parameters; "
            f"{parameters + 1} readings on {parameters} days are the least"
        )
    if np.ptp(y) == 0.0:
        raise ValueError("all levels are equal")


def scanned_rates(t: Floats, start: float | None, per_e_fold: int = POINTS_PER_E_FOLD) -> tuple[Floats, float, float]:
    """(G,) logs of the rates to scan for readings on the days t, the time they span and the first gap between them."""
    distinct = np.unique(t if start is None else np.append(t, 0.0))
    span, gap = float(distinct[-1] - distinct[0]), float(distinct[1] - distinct[0])
    low, high = np.log(SLOWEST / span), np.log(FASTEST / gap)
    return np.linspace(low, high, int(per_e_fold * (high - low)) + 1), span, gap


def level_noise(y: Floats) -> float:
    """The residual sum of squares that rounding alone leaves of an exact curve."""
    return y.size * (4.0 * np.finfo(float).eps * float(np.abs(y).max())) ** 2


class Curve:
    """The projected problem: at a given k the free levels are linear, y ≈ offset + columns·coefficients.

    y is (n,), or (G, n) with a row for each of the rates that the methods over several rates are given.
    Columns are written so that neither a slow nor a fast rate loses digits: with the start free, τ = t − first day
    and the columns are 1 and 1 − exp(−kτ) (end free) or exp(−kτ) (end given); with it given, 1 − exp(−kt).
    """

    def __init__(self, t: Floats, y: Floats, start: float | None, end: float | None) -> None:
        self.t, self.y, self.start, self.end = t, y, start, end
        self.first = float(t[0]) if start is None else 0.0
        self.tau = t - self.first

    def parts(self, k: Floats) -> tuple[Floats, list[Floats]]:
        """The target y − offset (G, n) and the columns, each (G, n), at rates k (G,)."""
        done = -np.expm1(-np.outer(k, self.tau))
        if self.start is None and self.end is None:
            return np.broadcast_to(self.y, done.shape), [np.ones_like(done), done]
        if self.start is None:
            assert self.end is not None
            return np.broadcast_to(self.y - self.end, done.shape), [1.0 - done]
        if self.end is None:
            return np.broadcast_to(self.y - self.start, done.shape), [done]
        return self.y - self.start - (self.end - self.start) * done, []

    def rss(self, k: Floats) -> Floats:
        """(G,) residual sums of squares at rates k (G,)."""
        residual = self.residual(k)
        return np.asarray(np.einsum("gn,gn->g", residual, residual))

    def residual(self, k: Floats) -> Floats:
        """(G, n) what the best levels leave at rates k (G,)."""
        target, columns = self.parts(k)
        residual = np.array(target)
        basis = orthonormal(columns)
        for _ in range(2):  # twice is enough to be orthogonal to working precision
            for q in basis:
                residual -= np.einsum("gn,gn->g", q, residual)[:, None] * q
        return residual

    def slopes(self, log_k: Floats) -> Floats:
        """dRSS/dlog k (G,), up to a positive factor: residuals are orthogonal to the levels, so only the rate moves."""
        k = np.exp(log_k)
        first, end = self.levels(k)
        steps = np.outer(k, self.tau)
        bend = (end - first)[:, None] * steps * np.exp(-steps)
        return np.asarray(-np.einsum("gn,gn->g", self.residual(k), bend))

    def slope(self, log_k: float) -> float:
        """The same at one rate."""
        return float(self.slopes(np.array([log_k]))[0])

    def levels(self, k: Floats) -> tuple[Floats, Floats]:
        """The level at the first day (or the given start) and the end level (G,), best at rates k (G,)."""
        target, columns = self.parts(k)
        given = np.ones(k.size)
        if self.start is not None and self.end is not None:
            return self.start * given, self.end * given
        column, mean, middle = columns[-1], 0.0 * given, 0.0 * given
        if len(columns) == 2:  # the other column is 1: a regression line
            mean, middle = target.mean(axis=1), column.mean(axis=1)
            column, target = column - middle[:, None], target - mean[:, None]
        size = np.einsum("gn,gn->g", column, target) / np.einsum("gn,gn->g", column, column)
        if self.start is not None:
            return self.start * given, self.start + size
        if self.end is not None:
            return self.end + size, self.end * given
        first = mean - size * middle
        return first, first + size

    def levels_at_first(self, k: float) -> tuple[float, float]:
        """The same at one rate."""
        first, end = self.levels(np.array([k]))
        return float(first[0]), float(end[0])

    def at(self, k: float, first: float, end: float) -> Floats:
        """(n,) the curve on the visiting days, through the level on the first of them."""
        return np.asarray(end + (first - end) * np.exp(-k * self.tau))

    def jacobian(self, k: float, first: float, end: float) -> Floats:
        """(n, parameters) derivatives by the rate, by the level on the first day if free, by the end level if free."""
        left = np.exp(-k * self.tau)
        columns = [(end - first) * self.tau * left]
        if self.start is None:
            columns.append(left)
        if self.end is None:
            columns.append(-np.expm1(-k * self.tau))
        return np.column_stack(columns)

    def carry_back(self, k: Floats | float, first: Floats | float, end: Floats | float) -> Floats:
        """The level at t = 0 along the curve, in the shape of k; without bound where that is too far back."""
        if self.start is not None:
            return np.asarray(first)
        back = k * self.first
        begun = end + (first - end) * np.exp(np.minimum(back, FARTHEST_BACK))
        return np.where(back > FARTHEST_BACK, np.copysign(np.inf, first - end), begun)

    def start_error(self, k: float, first: float, end: float, spread: Floats) -> float:
        """Standard error of the level at t = 0 from the covariance (p, p) of rate, first level and end level."""
        if self.start is not None:
            return float("nan")
        if k * self.first > FARTHEST_BACK or not np.all(np.isfinite(spread)):
            return float("inf")
        growth = float(np.exp(k * self.first))
        gradient = np.array([(first - end) * self.first * growth, growth, 1.0 - growth])[: spread.shape[0]]
        return float(np.sqrt(max(gradient @ spread @ gradient, 0.0)))


def orthonormal(columns: list[Floats]) -> list[Floats]:
    """Gram–Schmidt over at most two stacks of columns (G, n); a column that vanishes is left out as zeros."""
    basis: list[Floats] = []
    for column in columns:
        rest = np.array(column)
        for _ in range(2):
            for q in basis:
                rest -= np.einsum("gn,gn->g", q, rest)[:, None] * q
        length = np.sqrt(np.einsum("gn,gn->g", rest, rest))
        basis.append(np.divide(rest, length[:, None], out=np.zeros_like(rest), where=length[:, None] > 0.0))
    return basis


def lowest_dip(curve: Curve, grid: Floats, seen: Floats, noise: float) -> tuple[float, bool]:
    """log k of the lowest dip of RSS(k), and whether it is a dip inside the grid rather than an end of it.

    ``seen`` (G,) shows where the dips are: RSS on the grid, or that of fewer readings. What is closed in on and
    compared is the curve's own.
    """
    best, has_dip = float(grid[np.argmin(seen)]), False
    best_rss = float(curve.rss(np.exp(np.array([best])))[0])
    for i in dips(seen):
        left, right = float(grid[i - 1]), float(grid[i + 1])
        if curve.slope(left) < 0.0 < curve.slope(right):
            log_k = float(brentq(curve.slope, left, right, xtol=1e-14, rtol=8.9e-16))
            value = float(curve.rss(np.exp(np.array([log_k])))[0])
            if value <= best_rss + noise:
                best, best_rss, has_dip = log_k, min(value, best_rss), True
    return best, has_dip


def dips(values: Floats) -> NDArray[np.intp]:
    """Positions inside ``values`` (G,) that are below one neighbour and not above the other; a plateau has none."""
    before, here, after = values[:-2], values[1:-1], values[2:]
    return np.flatnonzero((here <= before) & (here <= after) & ((here < before) | (here < after))) + 1


def _limits(curve: Curve, grid: Floats, rss: Floats, log_k: float, cut: float) -> tuple[float, float]:
    """The outermost rates with RSS(k) = cut on either side of log_k; 0 and inf where the scan ends first."""

    def above(x: float) -> float:
        return float(curve.rss(np.exp(np.array([x])))[0]) - cut

    inside = np.flatnonzero(rss <= cut)
    first = min(float(grid[inside[0]]), log_k) if inside.size else log_k
    last = max(float(grid[inside[-1]]), log_k) if inside.size else log_k
    lower, upper = grid[grid < first], grid[grid > last]
    low = float(np.exp(brentq(above, float(lower[-1]), first, xtol=1e-12))) if lower.size else 0.0
    high = float(np.exp(brentq(above, last, float(upper[0]), xtol=1e-12))) if upper.size else np.inf
    return low, high


def covariance(jacobian: Floats, variance: float) -> Floats:
    """(p, p) variance·(J'J)⁻¹, columns scaled to length 1 first; all inf where J is singular."""
    length = np.linalg.norm(jacobian, axis=0)
    unknown = np.full((length.size, length.size), np.inf)
    if not np.all(length > 0.0):
        return unknown
    triangle = np.linalg.qr(jacobian / length, mode="r")
    if np.abs(np.diag(triangle)).min() < 1e-14:
        return unknown
    inverse = np.linalg.inv(triangle)
    return np.asarray(variance * (inverse @ inverse.T) / np.outer(length, length))
