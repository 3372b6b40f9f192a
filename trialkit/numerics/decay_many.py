"""``fit_decay`` for many curves read on the same days at once: calibration and planning.

The same curve, the same scan, the same decision on what these days can tell; the rates of a step of the search share
one array, so a thousand curves cost little more than ten. No standard errors and no pattern of residuals come with it.
``tests/numerics/test_decay_many.py`` holds every number against ``fit_decay``, curve by curve.

Letters: B curves, n days, G rates of the scan.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from trialkit.numerics.decay import (
    FLAT_ABOVE,
    FLAT_BELOW,
    Curve,
    check_series,
    level_noise,
    orthonormal,
    scanned_rates,
)
from trialkit.records import read_only

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
Mask = NDArray[np.bool_]

_AT_ONCE = 500


@dataclass(frozen=True, eq=False)
class ManyDecayFits:
    """``rate, start, end, rss, low, high, has_dip`` (B,), ``slowest``, ``fastest``, as in DecayFit."""

    rate: Floats
    start: Floats
    end: Floats
    rss: Floats
    low: Floats
    high: Floats
    has_dip: Mask
    slowest: float
    fastest: float

    @property
    def identified(self) -> Mask:
        """Of each curve, whether its profile closes on both sides within what the visiting days can tell (B,)."""
        return np.asarray(self.has_dip & (self.low >= self.slowest) & (self.high <= self.fastest))


def fit_decay_of_many(
    days: Floats, levels: Floats, *, start: float | None = None, end: float | None = None, level: float = 0.95
) -> ManyDecayFits:
    """``fit_decay`` of every row of ``levels`` (B, n), all read on ``days`` (n,). Raises ValueError as it does."""
    t, y = np.asarray(days, dtype=float), np.asarray(levels, dtype=float)
    if y.ndim != 2 or not y.shape[0]:
        raise ValueError(f"levels must be curves × days, found shape {y.shape}")
    parameters = 1 + (start is None) + (end is None)
    for row in y:
        check_series(t, row, parameters)
    order = np.argsort(t, kind="stable")
    t, y = t[order], np.ascontiguousarray(y[:, order])
    grid, span, gap = scanned_rates(t, start)
    factor = float(f_distribution.ppf(level, 1, t.size - parameters)) / (t.size - parameters)
    parts = [_fit_together(t, y[i : i + _AT_ONCE], start, end, grid, factor) for i in range(0, y.shape[0], _AT_ONCE)]
    rate, begun, ended, rss, low, high, has_dip = (np.concatenate(column) for column in zip(*parts, strict=True))
    return ManyDecayFits(
        rate=read_only(rate),
        start=read_only(begun),
        end=read_only(ended),
        rss=read_only(rss),
        low=read_only(low),
        high=read_only(high),
        has_dip=read_only(has_dip > 0.0),
        slowest=FLAT_BELOW / span,
        fastest=FLAT_ABOVE / gap,
    )


def _fit_together(
    t: Floats, y: Floats, start: float | None, end: float | None, grid: Floats, factor: float
) -> tuple[Floats, ...]:
    """rate, start, end, rss, low, high, has_dip (B,) of the curves y (B, n); F/df = ``factor``."""
    curves = _Curves(t, y, start, end)
    rss = curves.scan(grid)
    noise = np.array([level_noise(row) for row in y])
    log_k, has_dip = _deepest(curves, grid, rss, noise)
    everyone = np.arange(y.shape[0])
    least = curves.rss_of(log_k, everyone)
    cut = least * (1.0 + factor) + noise
    low, high = _limits(curves, grid, rss, log_k, cut)
    first, ended = curves.levels_of(log_k, everyone)
    begun = Curve(t, y, start, end).carry_back(np.exp(log_k), first, ended)
    return np.exp(log_k), begun, ended, least, low, high, has_dip.astype(float)


class _Curves:
    """The projected problem of ``decay.Curve`` for the rows of y (B, n), each at a rate of its own."""

    def __init__(self, t: Floats, y: Floats, start: float | None, end: float | None) -> None:
        self.t, self.y, self.start, self.end = t, y, start, end

    def scan(self, grid: Floats) -> Floats:
        """(G, B) residual sums of squares of all curves at the same rates; the columns are made once for all."""
        shared = Curve(self.t, np.zeros(self.t.size), self.start, self.end)
        offset, columns = shared.parts(np.exp(grid))
        basis = orthonormal(columns)
        found = np.empty((grid.size, self.y.shape[0]))
        for g in range(grid.size):
            residual = self.y + offset[g]  # of a curve of zeros the target is minus what is given
            for _ in range(2):
                for q in basis:
                    residual = residual - np.outer(residual @ q[g], q[g])
            found[g] = np.einsum("bn,bn->b", residual, residual)
        return found

    def rss_of(self, log_k: Floats, which: Codes) -> Floats:
        return Curve(self.t, self.y[which], self.start, self.end).rss(np.exp(log_k))

    def levels_of(self, log_k: Floats, which: Codes) -> tuple[Floats, Floats]:
        """The level on the first day (or the given start) and the end level, of the curves ``which``."""
        return Curve(self.t, self.y[which], self.start, self.end).levels(np.exp(log_k))

    def slope_of(self, log_k: Floats, which: Codes) -> Floats:
        """dRSS/dlog k of the curves ``which``, up to a positive factor."""
        return Curve(self.t, self.y[which], self.start, self.end).slopes(log_k)


def _deepest(curves: _Curves, grid: Floats, rss: Floats, noise: Floats) -> tuple[Floats, Mask]:
    """log k of the lowest dip of every curve, and whether it is one inside the grid."""
    best, value = grid[rss.argmin(axis=0)].copy(), rss.min(axis=0)
    has_dip = np.zeros(best.size, dtype=bool)
    at, which = np.nonzero((rss[1:-1] <= rss[:-2]) & (rss[1:-1] <= rss[2:]))
    left, right = grid[at], grid[at + 2]
    turns = (curves.slope_of(left, which) < 0.0) & (curves.slope_of(right, which) > 0.0)
    left, right, which = left[turns], right[turns], which[turns]
    log_k = _roots(lambda x, here: curves.slope_of(x, which[here]), left, right)
    depth = curves.rss_of(log_k, which)
    for i in np.argsort(depth, kind="stable")[::-1]:  # the lowest of a curve comes last
        curve = which[i]
        if depth[i] <= value[curve] + noise[curve]:
            best[curve], has_dip[curve] = log_k[i], True
    return best, has_dip


def _limits(curves: _Curves, grid: Floats, rss: Floats, log_k: Floats, cut: Floats) -> tuple[Floats, Floats]:
    """The outermost rates with RSS = cut on either side of log_k (B,); 0 and inf where the scan ends first."""
    inside = rss <= cut
    some = inside.any(axis=0)
    first = np.where(some, np.minimum(grid[inside.argmax(axis=0)], log_k), log_k)
    last = np.where(some, np.maximum(grid[::-1][inside[::-1].argmax(axis=0)], log_k), log_k)
    before, after = np.searchsorted(grid, first) - 1, np.searchsorted(grid, last, side="right")
    low, high = np.zeros(log_k.size), np.full(log_k.size, np.inf)

    def above(x: Floats, which: Codes) -> Floats:
        return curves.rss_of(x, which) - cut[which]

    closes = np.flatnonzero(before >= 0)
    low[closes] = np.exp(_roots(lambda x, here: above(x, closes[here]), grid[before[closes]], first[closes]))
    ends = np.flatnonzero(after < grid.size)
    high[ends] = np.exp(_roots(lambda x, here: above(x, ends[here]), last[ends], grid[after[ends]]))
    return low, high


def _roots(f: Callable[[Floats, Codes], Floats], a: Floats, b: Floats) -> Floats:
    """Where f changes sign between a and b (m,), to rounding; ``f(x, which)`` takes positions of a and b.

    Inverse quadratic steps where they are safe and halving where not (Chandrupatla 1997, Adv. Eng. Softw. 28:145).
    """
    a, b = a.copy(), b.copy()
    everyone = np.arange(a.size)
    fa, fb = f(a, everyone), f(b, everyone)
    c, fc = a.copy(), fa.copy()
    step = np.full(a.size, 0.5)
    found = np.where(np.abs(fa) < np.abs(fb), a, b)
    live = everyone[(fa != 0.0) & (fb != 0.0)]
    for _ in range(120):
        if not live.size:
            break
        x = a[live] + step[live] * (b[live] - a[live])
        fx = f(x, live)
        same = np.sign(fx) == np.sign(fa[live])
        c[live], fc[live] = np.where(same, a[live], b[live]), np.where(same, fa[live], fb[live])
        b[live], fb[live] = np.where(same, b[live], a[live]), np.where(same, fb[live], fa[live])
        a[live], fa[live] = x, fx
        a_, b_, c_, fa_, fb_, fc_ = a[live], b[live], c[live], fa[live], fb[live], fc[live]
        found[live] = np.where(np.abs(fa_) < np.abs(fb_), a_, b_)
        width = np.abs(b_ - a_)
        near = 2e-15 + 4.0 * np.finfo(float).eps * np.abs(found[live])
        with np.errstate(divide="ignore", invalid="ignore"):
            xi, phi = (a_ - b_) / (c_ - b_), (fa_ - fb_) / (fc_ - fb_)
            safe = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
            curved = fa_ / (fb_ - fa_) * fc_ / (fb_ - fc_)
            curved += (c_ - a_) / (b_ - a_) * fa_ / (fc_ - fa_) * fb_ / (fc_ - fb_)
        least = np.minimum(0.5, near / np.where(width > 0.0, width, 1.0))
        step[live] = np.clip(np.where(safe, curved, 0.5), least, 1.0 - least)
        live = live[(width > near) & (fa_ != 0.0)]
    return found
