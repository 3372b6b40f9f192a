"""Draws of the mean log times of treatments when some bins have not finished.

Model of bin i, treatment t(i), block j(i), on the log of time:

    y_i = β_t(i) + b_j(i) + e_i,   b_j ~ N(0, δ²σ²),   e_i ~ N(0, σ²),   σ² ≥ floor

with flat priors on β and on the block standard deviation δσ, and a prior 1/σ² on σ² or a flat one on σ
(``flat_sigma``). Completely random layouts have no block term. Bins known to an interval stand at the log of its
midpoint; the y of the others is known from one side only and is drawn with everything else (data augmentation:
Tanner & Wong 1987, JASA 82:528; flat prior on a standard deviation: Gelman 2006, Bayesian Analysis 1:515).

One sweep draws, in turn, from the exact conditional distributions of
    δ given (σ², y)          on a fixed grid, flat apart from its spacing; β and b integrated out,
    σ² given (δ, y)          a gamma for 1/σ², cut at 1/floor; β and b integrated out,
    a common stretch of σ and of the unfinished y about their bounds (``_stretch``),
    β given (δ, σ², y)       normal; kept, nothing else depends on it,
    each y known from one side, given (δ, σ², the other y)   normal, cut at what is known; β and b integrated out.
What ties one sweep to the next is the unfinished bins and σ² alone. That is why many short chains side by side may
stand for a long one: every chain starts apart from the others, its first sweeps are thrown away, and numpy does one
sweep of all chains in one go. ``tests/numerics/test_censored_draws.py`` holds the short chains against long ones, and
against exact answers.

Several sets of times from one layout (simulated trials) go through in one call.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

CHAINS, BURN_IN, KEPT = 500, 10, 40  # 20,000 draws a data set, after 5,000 that are thrown away
_GRID = 16  # values of δ; as many as 300 move a tail probability by less than 0.5 of 100
_MIDDLE = 1.5  # half of the values of δ lie below


@dataclass(frozen=True, eq=False)
class Layout:
    """A layout made ready for drawing; n bins, p treatments, G values of δ, r = n − p.

    ``arm`` (n,) codes 0 … p−1; ``has_blocks`` False: completely random, one value δ = 0;
    ``delta`` (G,), ``log_weight`` (G,): the grid, its spacing and the determinants −½ log|V| |X'V⁻¹X|;
    ``rotation`` (r, n): contrasts free of treatments in which V is diagonal, ``groups`` (q, r) which of them share a
    diagonal element, ``shrink`` (G, q): 1 over that element;
    ``to_means`` (G, p, n): y to the estimate of β; ``root`` (G, p, p): Cholesky factor of its covariance over σ²;
    ``residual`` (n, G, n), bins first: P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, y'Py the residual sum of squares.
    """

    arm: NDArray[np.intp]
    has_blocks: bool
    delta: Array
    log_weight: Array
    rotation: Array
    groups: Array
    shrink: Array
    to_means: Array
    root: Array
    residual: Array


def prepare_layout(arm: NDArray[np.intp], block: NDArray[np.intp] | None, *, grid: int = _GRID) -> Layout:
    """Everything about a layout that the draws need and that no time enters.

    ``arm``, ``block`` (n,) integer codes without gaps; every treatment has a bin and n exceeds their number.
    """
    n, p = arm.size, int(arm.max()) + 1
    x = (arm[:, None] == np.arange(p)).astype(float)
    if block is None:
        members = np.zeros((0, n))
        delta, spacing = np.zeros(1), np.ones(1)
    else:
        members = (block[None, :] == np.arange(int(block.max()) + 1)[:, None]).astype(float)
        t = (np.arange(grid) + 0.5) / grid
        delta, spacing = _MIDDLE * t / (1.0 - t), 1.0 / (1.0 - t) ** 2
    free_of_arms = np.linalg.svd(x, full_matrices=True)[0][:, p:]
    between = free_of_arms.T @ members.T
    eigenvalue, vector = np.linalg.eigh(between @ between.T)
    eigenvalue = np.where(eigenvalue > 1e-9 * n, eigenvalue, 0.0)
    diagonal = 1.0 + delta[:, None] ** 2 * eigenvalue
    group = np.unique(eigenvalue.round(9), return_inverse=True)[1].ravel()
    first = np.unique(group, return_index=True)[1]
    pull = delta[:, None] ** 2 / (1.0 + delta[:, None] ** 2 * members.sum(axis=1))
    weight = np.eye(n) - np.einsum("jn,gj,jm->gnm", members, pull, members)
    covariance = np.linalg.inv(x.T @ weight @ x)
    return Layout(
        arm=arm,
        has_blocks=block is not None,
        delta=delta,
        log_weight=np.log(spacing) - 0.5 * np.log(diagonal).sum(axis=1),
        rotation=vector.T @ free_of_arms.T,
        groups=(group == np.arange(first.size)[:, None]).astype(float),
        shrink=1.0 / diagonal[:, first],
        to_means=covariance @ x.T @ weight,
        root=np.linalg.cholesky(covariance),
        residual=np.ascontiguousarray((weight - weight @ x @ covariance @ x.T @ weight).transpose(1, 0, 2)),
    )


def draw_means(
    layout: Layout,
    low: Array,
    high: Array,
    floor: Array,
    *,
    flat_sigma: bool,
    rng: np.random.Generator,
    chains: int,
    burn_in: int,
    kept: int,
) -> Array:
    """Draws of β, shape (p, D, chains · kept), for D sets of log times from one layout.

    ``low``, ``high`` (n, D): what is known of the log time of a bin. Equal: it stands there. ``high`` = inf: not
    finished by ``low``. ``low`` = −inf: finished before ``high``. ``floor`` (D,): least σ². Each treatment needs a bin
    that stands, and the bins that stand must outnumber the treatments by ``flat_sigma`` + 1, plus one with blocks,
    else there is no distribution to draw from (not checked here).
    """
    n, p = layout.arm.size, int(layout.root.shape[1])
    sets, width = low.shape[1], low.shape[1] * chains
    cap = np.repeat(1.0 / np.maximum(floor, 1e-300), chains)
    shape = 0.5 * (n - p - layout.has_blocks - flat_sigma)

    y, spread = _start(layout, low, high)
    anchor = np.repeat(y.T, chains, axis=0)  # (D · chains, n)
    y = anchor.copy()
    freedom = np.repeat((low == high).sum(axis=0) - p - layout.has_blocks - flat_sigma, chains)
    half_freedom = 0.5 * freedom[0] if (freedom == freedom[0]).all() else 0.5 * freedom  # one number is drawn faster
    spread = np.repeat(np.maximum(spread, np.sqrt(floor)), chains)
    precision = np.minimum(spread**-2.0 * rng.gamma(2.0, 0.5, width), cap)
    unfinished = []
    for i in np.flatnonzero((low != high).any(axis=1)):
        open_sets = np.flatnonzero(low[i] != high[i])
        columns = (open_sets[:, None] * chains + np.arange(chains)).ravel()
        above = np.repeat(np.isfinite(low[i, open_sets]), chains)
        sign = np.where(above, 1.0, -1.0)
        bound = np.where(above, np.repeat(low[i, open_sets], chains), np.repeat(high[i, open_sets], chains))
        y[columns, i] += sign * spread[columns] * np.abs(rng.standard_normal(columns.size))
        unfinished.append((i, columns, sign, bound, open_sets.size == sets))

    # Single precision serves to pick one of a few δ; running sums by a product are faster than along columns.
    running = np.tri(layout.delta.size, dtype=np.float32)
    from_anchor = layout.rotation @ anchor.T
    anchor_squares = layout.groups @ from_anchor**2
    out = np.empty((p, sets, chains, kept))
    for sweep in range(burn_in + kept):
        rotated = layout.rotation @ y.T
        squares = layout.groups @ rotated**2
        if layout.has_blocks:
            log_p = (layout.log_weight[:, None] - layout.shrink @ (squares * (0.5 * precision))).astype(np.float32)
            total = running @ np.exp(log_p - log_p.max(axis=0))
            at = np.minimum(
                (total < total[-1] * rng.random(width, dtype=np.float32)).sum(axis=0), layout.delta.size - 1
            )
        else:
            at = np.zeros(width, dtype=np.intp)
        weight = layout.shrink.T.take(at, axis=1)
        precision = _cut_gamma(rng, shape, 0.5 * (weight * squares).sum(axis=0), cap, precision)
        if unfinished:
            crossed = layout.groups @ (from_anchor * rotated)
            reach = (weight * anchor_squares).sum(axis=0)
            h = _stretch(rng, reach, (weight * crossed).sum(axis=0) - reach, precision, cap, half_freedom)
            y = anchor + (y - anchor) / h[:, None]
            precision = precision * h**2
        sigma = precision**-0.5
        if sweep >= burn_in:
            noise = rng.standard_normal((width, p)) * sigma[:, None]
            mean = np.einsum("mpn,mn->mp", layout.to_means.take(at, axis=0), y) + np.einsum(
                "mpq,mq->mp", layout.root.take(at, axis=0), noise
            )
            out[:, :, :, sweep - burn_in] = mean.T.reshape(p, sets, chains)
        for i, columns, sign, bound, whole in unfinished:
            row = layout.residual[i].take(at if whole else at[columns], axis=0)
            own = row[:, i]
            now = y if whole else y.take(columns, axis=0)
            centre = now[:, i] - np.einsum("mn,mn->m", row, now) / own
            s = sigma[columns] / np.sqrt(own)
            beyond = special.log_ndtr(sign * (centre - bound) / s)
            y[columns, i] = centre - sign * s * special.ndtri_exp(beyond - rng.standard_exponential(columns.size))
    return out.reshape(p, sets, chains * kept)


def draws_from_seed(
    arm: NDArray[np.intp],
    block: NDArray[np.intp] | None,
    low: Array,
    high: Array,
    floor: float,
    *,
    flat_sigma: bool,
    seed: int,
) -> Array:
    """Draws of β (p, CHAINS · KEPT) for one set of log times ``low, high`` (n,), as ``draw_means`` gives them.

    One trial asks for the same draws again and again: at several levels, and with the bins of another treatment left
    out. They are kept for a while, read-only.
    """
    codes = [None if part is None else np.asarray(part, dtype=np.intp).tobytes() for part in (arm, block)]
    return _kept_draws(codes[0] or b"", codes[1], low.tobytes(), high.tobytes(), floor, flat_sigma, seed)


@lru_cache(maxsize=32)
def _kept_draws(
    arm: bytes, block: bytes | None, low: bytes, high: bytes, floor: float, flat_sigma: bool, seed: int
) -> Array:
    draws = draw_means(
        prepare_layout(np.frombuffer(arm, np.intp), None if block is None else np.frombuffer(block, np.intp)),
        np.frombuffer(low)[:, None],
        np.frombuffer(high)[:, None],
        np.array([floor]),
        flat_sigma=flat_sigma,
        rng=np.random.default_rng(seed),
        chains=CHAINS,
        burn_in=BURN_IN,
        kept=KEPT,
    )[:, 0]
    draws.setflags(write=False)
    return draws


def _start(layout: Layout, low: Array, high: Array) -> tuple[Array, Array]:
    """Where bins stand, or the bound of those that do not (n, D), and the spread within treatments (D,)."""
    stands = low == high
    y = np.where(stands, low, np.where(np.isfinite(low), low, high))
    middle = np.where(stands, low, 0.0).sum(axis=0) / stands.sum(axis=0)
    y = np.where(np.isfinite(y), y, middle)
    squares = np.zeros(low.shape[1])
    freedom = np.zeros(low.shape[1])
    for code in range(int(layout.arm.max()) + 1):
        here = stands & (layout.arm == code)[:, None]
        count = here.sum(axis=0)
        mean = (y * here).sum(axis=0) / np.maximum(count, 1)
        squares += ((y - mean) ** 2 * here).sum(axis=0)
        freedom += np.maximum(count - 1, 0)
    return y, np.sqrt(np.maximum(squares / np.maximum(freedom, 1), 1e-12))


def _stretch(
    rng: np.random.Generator, a: Array, b: Array, precision: Array, cap: Array, half_freedom: float | Array
) -> Array:
    """How far to shrink σ and the unfinished y together: y = c + (y − c)/h about the bounds c, which they keep to.

    On this line the density of h is h^(κ−1) exp(−(A h² + 2 B h)/2σ²), A = c'Pc, B = c'P(y − c), κ the degrees of
    freedom of the finished bins alone, half of them in ``half_freedom`` (Liu & Sabatti 2000, Biometrika 87:353). h² is
    proposed from the gamma distribution without B, which enters the acceptance. Without this step the heavy tails that
    few finished bins leave are reached too slowly for short chains.
    """
    h = np.sqrt(2.0 * rng.standard_gamma(half_freedom, a.size) / (np.maximum(a, 1e-300) * precision))
    taken = (rng.standard_exponential(h.size) > b * precision * (h - 1.0)) & (precision * h**2 <= cap) & (h > 0)
    return np.where(taken, h, 1.0)


def _cut_gamma(rng: np.random.Generator, shape: float, rate: Array, cap: Array, current: Array) -> Array:
    """Gamma(shape, rate) cut at ``cap``: a plain draw where it falls below, else one slice step from ``current``.

    Whether the plain draw falls below does not depend on ``current``, and both leave the cut distribution as it is.
    """
    rate = np.maximum(rate, 1e-300)
    drawn = rng.standard_gamma(shape, rate.size) / rate
    over = drawn > cap
    if over.any():
        reach = np.minimum(cap[over], current[over] + rng.standard_exponential(int(over.sum())) / rate[over])
        drawn[over] = reach * rng.random(reach.size) ** (1.0 / shape)
    return drawn
