"""A curve with one shape more than the one-pool curve: y(t) = end + (start − end)·exp(−(k t)^c).

At c = 1 it is the one-pool curve; c < 1 starts fast and drags on, as fast and slow material together do; c > 1 starts
late. For a fixed c it is a one-pool curve in the time t^c with rate k^c, so the global search over the rate serves
again inside a search over log c. Where the dips lie is seen on means of neighbouring readings when a logger left
thousands; each dip is then closed in on with all of them. Letters: t (n,) days; y (n,) levels; k rate, 1/day; c shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from trialkit.numerics.decay import Curve, check_series, covariance, dips, level_noise, lowest_dip, scanned_rates
from trialkit.records import read_only

Floats = NDArray[np.float64]

SHAPES = np.exp(np.linspace(np.log(0.25), np.log(4.0), 33))
POINTS_PER_E_FOLD = 8
READINGS_SCANNED = 200  # at least so many means; from 400 readings on, two or more readings share one


@dataclass(frozen=True, eq=False)
class StretchedFit:
    """A fitted curve; levels in the unit of y, ``rate`` in 1/day, ``shape`` without unit.

    ``half_time`` is the day on which half of the fall or rise is done, which compares curves of different shape as a
    rate does those of one. Standard errors are inf where the readings do not tell. ``has_dip`` is False where no shape
    between 0.25 and 4 (or no rate inside its scan) is best.
    """

    rate: float
    shape: float
    start: float
    end: float
    rss: float
    df: int
    rate_std_error: float
    shape_std_error: float
    half_time: float
    has_dip: bool
    residuals: Floats


def fit_stretched_decay(
    days: Floats, levels: Floats, *, start: float | None = None, end: float | None = None
) -> StretchedFit:
    """Least squares of y = end + (start − end)·exp(−(k t)^c); ``start`` and ``end`` free where None.

    ``days`` (n,) and ``levels`` (n,) as for ``fit_decay``; one reading more is needed. Raises ValueError as it does.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(levels, dtype=float)
    parameters = 2 + (start is None) + (end is None)
    check_series(t, y, parameters)
    order = np.argsort(t, kind="stable")
    t, y = t[order], y[order]
    best = _Problem(t, y, start, end)
    sums = np.array([best.scan(float(np.log(shape))) for shape in SHAPES])
    log_shape, has_dip = _best_shape(best, sums)
    log_rate, rss, rate_has_dip = best.solve(log_shape)
    shape = float(np.exp(log_shape))
    rate = float(np.exp(log_rate / shape))
    curve = best.curve(log_shape)
    first_level, end_level = curve.levels_at_first(float(np.exp(log_rate)))
    jacobian = _jacobian(curve, rate, shape, first_level - end_level, float(t[0]) if start is None else 0.0, t)
    df = t.size - parameters
    spread = covariance(jacobian, rss / df)
    start_level = float(curve.carry_back(float(np.exp(log_rate)), first_level, end_level))
    return StretchedFit(
        rate=rate,
        shape=shape,
        start=start_level,
        end=end_level,
        rss=rss,
        df=df,
        rate_std_error=float(np.sqrt(spread[0, 0])),
        shape_std_error=float(np.sqrt(spread[1, 1])),
        half_time=float(np.log(2.0) ** (1.0 / shape) / rate),
        has_dip=has_dip and rate_has_dip,
        residuals=read_only(y - curve.at(float(np.exp(log_rate)), first_level, end_level)),
    )


class _Problem:
    """At a given shape: the one-pool problem in the time t^c. ``few``: the same on means of neighbouring readings."""

    def __init__(self, t: Floats, y: Floats, start: float | None, end: float | None) -> None:
        self.t, self.y, self.start, self.end = t, y, start, end
        self.few = _means(t, max(t.size // READINGS_SCANNED, 1)), _means(y, max(t.size // READINGS_SCANNED, 1))

    def curve(self, log_shape: float) -> Curve:
        return Curve(self.t ** np.exp(log_shape), self.y, self.start, self.end)

    def _seen(self, log_shape: float) -> tuple[Curve, Floats, Floats]:
        """The curve to scan, the grid of log rates and the residual sums of squares on it."""
        curve = Curve(self.few[0] ** np.exp(log_shape), self.few[1], self.start, self.end)
        grid = scanned_rates(self.t ** np.exp(log_shape), self.start, POINTS_PER_E_FOLD)[0]
        return curve, grid, curve.rss(np.exp(grid))

    def scan(self, log_shape: float) -> float:
        """The least residual sum of squares, near enough to see where the dips over shapes are: grid and parabola."""
        curve, grid, rss = self._seen(log_shape)
        i = int(np.argmin(rss))
        if not 0 < i < grid.size - 1:
            return float(rss[i])
        left, middle, right = rss[i - 1 : i + 2]
        bend = left - 2.0 * middle + right
        shift = 0.5 * (left - right) / bend if bend > 0.0 else 0.0
        vertex = np.exp(np.array([grid[i] + shift * (grid[1] - grid[0])]))
        return float(min(middle, curve.rss(vertex)[0]))

    def solve(self, log_shape: float) -> tuple[float, float, bool]:
        """Log rate in the time t^c, the residual sum of squares of all readings, and whether the rate has a dip."""
        curve = self.curve(log_shape)
        _, grid, seen = self._seen(log_shape)
        log_rate, has_dip = lowest_dip(curve, grid, seen, level_noise(self.y))
        if not has_dip and self.few[0].size < self.t.size:  # means hide it, or move it by a step of the grid
            log_rate, has_dip = lowest_dip(curve, grid, curve.rss(np.exp(grid)), level_noise(self.y))
        return log_rate, float(curve.rss(np.exp(np.array([log_rate])))[0]), has_dip

    def slope(self, log_shape: float) -> float:
        """dRSS/dlog c up to a positive factor, at the best rate and levels for that shape (they do not move it)."""
        log_rate = self.solve(log_shape)[0]
        rate, curve = float(np.exp(log_rate)), self.curve(log_shape)
        first, end = curve.levels_at_first(rate)
        shape = float(np.exp(log_shape))
        begin = float(self.t[0]) if self.start is None else 0.0
        moved = rate * shape * (curve.t * _log(self.t) - begin**shape * _log(np.array([begin]))[0])
        bend = -(first - end) * np.exp(-rate * curve.tau) * moved
        return float(-((self.y - curve.at(rate, first, end)) @ bend))


def _means(values: Floats, size: int) -> Floats:
    """Means of ``size`` neighbours; the last may hold fewer."""
    starts = np.arange(0, values.size, size)
    return np.asarray(np.add.reduceat(values, starts) / np.diff(np.append(starts, values.size)))


def _log(days: Floats) -> Floats:
    """log t, and 0 on day 0, where it only ever meets a factor 0."""
    return np.log(np.where(days > 0.0, days, 1.0))


def _best_shape(problem: _Problem, sums: Floats) -> tuple[float, bool]:
    """log c of the lowest dip between neighbouring shapes of the scan, and whether it is one."""
    logs = np.log(SHAPES)
    best, has_dip = float(logs[np.argmin(sums)]), False
    best_rss = problem.solve(best)[1]
    noise = level_noise(problem.y)
    for i in dips(sums):
        left, right = float(logs[i - 1]), float(logs[i + 1])
        if problem.slope(left) < 0.0 < problem.slope(right):
            log_shape = float(brentq(problem.slope, left, right, xtol=1e-12))
            rss = problem.solve(log_shape)[1]
            if rss <= best_rss + noise:
                best, best_rss, has_dip = log_shape, min(rss, best_rss), True
    return best, has_dip


def _jacobian(curve: Curve, rate: float, shape: float, fall: float, begin: float, t: Floats) -> Floats:
    """(n, parameters) derivatives by rate, shape, and the free levels (on the first day, ``begin``, and at the end)."""
    power, first = (rate * t) ** shape, (rate * begin) ** shape
    left = np.exp(-(power - first))
    by_shape = power * _log(rate * t) - first * _log(np.array([rate * begin]))[0]
    columns = [-fall * left * (power - first) * shape / rate, -fall * left * by_shape]
    if curve.start is None:
        columns.append(left)
    if curve.end is None:
        columns.append(-np.expm1(-(power - first)))
    return np.column_stack(columns)
