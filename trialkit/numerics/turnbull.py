"""The distribution of times known only between visits, without a model (Turnbull 1976, JRSS B 38:290).

The likelihood moves mass only between the ends of *innermost intervals* (q, p]: q the start and p the end of some
window, with no other end or start between. Their masses are found by self-consistency steps, with squared extrapolation
(Varadhan & Roland 2008, Scand. J. Statist. 35:335), until no direction raises the likelihood any more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError
from trialkit.records import read_only

Array = NDArray[np.float64]

_STEPS = 100_000
_SLACK = 1e-9


@dataclass(frozen=True, eq=False)
class TurnbullCurve:
    """Masses on innermost intervals; m of them carry mass.

    ``start, end, mass`` (m,): mass in (start, end], end = inf for times beyond the last visit. ``log_likelihood`` at
    the maximum; ``steps`` taken; ``gain_bound`` no distribution has a log-likelihood higher by more than this.
    """

    start: Array
    end: Array
    mass: Array
    log_likelihood: float
    steps: int
    gain_bound: float

    def unfinished_at(self, day: ArrayLike) -> tuple[Array, Array]:
        """Least and greatest share still unfinished on ``day``: equal except inside an interval that carries mass."""
        days = np.atleast_1d(np.asarray(day, float))[:, None]
        least = 1.0 - (self.mass * (self.start < days)).sum(axis=1)
        greatest = 1.0 - (self.mass * (self.end <= days)).sum(axis=1)
        return np.clip(least, 0.0, 1.0), np.clip(greatest, 0.0, 1.0)


def fit_turnbull(low: ArrayLike, high: ArrayLike) -> TurnbullCurve:
    """Nonparametric maximum likelihood from windows (low, high], (n,); ``high`` = inf where never finished.

    Raises DesignError for windows that end before they start, or end where they start (widen them by the visit).
    """
    low_, high_ = np.asarray(low, float), np.asarray(high, float)
    if low_.ndim != 1 or low_.shape != high_.shape or low_.size == 0:
        raise DesignError(
            f"Found windows of shape {low_.shape} and {high_.shape}; expected one low and one high a bin."
        )
    wrong = np.flatnonzero(~(low_ < high_) | (low_ < 0))
    if wrong.size:
        i = int(wrong[0])
        raise DesignError(
            f"Row {i}: found a window from day {low_[i]:g} to day {high_[i]:g}; expected a start of 0 or more and "
            "a later end."
        )
    start, end = _innermost(low_, high_)
    holds = ((low_[:, None] <= start) & (end <= high_[:, None])).astype(float)
    mass = np.full(start.size, 1.0 / start.size)
    n, step = low_.size, 0
    gain = np.inf
    while step < _STEPS:
        first = _self_consistent(holds, mass)
        second = _self_consistent(holds, first)
        change, curve = first - mass, second - 2 * first + mass
        length = np.linalg.norm(change) / max(float(np.linalg.norm(curve)), 1e-300)
        leap = mass + 2 * length * change + length**2 * curve if length > 1 else second
        leap = np.maximum(leap, np.where(second > 0, 1e-3 * second, 0.0))  # a mass that is wanted may come back
        leap /= leap.sum()
        mass = leap if _log_likelihood(holds, leap) >= _log_likelihood(holds, second) else second
        step += 3
        # Concave in the masses: the gain is at most n · max(derivative / n − 1).
        gain = float((holds.T @ (1.0 / (holds @ mass))).max() - n)
        if gain < _SLACK:
            break
    kept = mass > 1e-8
    return TurnbullCurve(
        start=read_only(start[kept]),
        end=read_only(end[kept]),
        mass=read_only(mass[kept] / mass[kept].sum()),
        log_likelihood=_log_likelihood(holds, mass),
        steps=step,
        gain_bound=max(gain, 0.0),
    )


def _innermost(low: Array, high: Array) -> tuple[Array, Array]:
    """Innermost intervals (q, p] in ascending order; at one value ends come before starts, since (·, 5] holds 5."""
    value = np.concatenate([high, low])
    is_start = np.concatenate([np.zeros(high.size), np.ones(low.size)]).astype(bool)
    order = np.lexsort((is_start, value))
    value, is_start = value[order], is_start[order]
    at = np.flatnonzero(is_start[:-1] & ~is_start[1:])
    return value[at], value[at + 1]


def _self_consistent(holds: Array, mass: Array) -> Array:
    """One step: every window shares out its bin over the masses it holds."""
    return np.asarray(mass * (holds.T @ (1.0 / (holds @ mass))) / holds.shape[0])


def _log_likelihood(holds: Array, mass: Array) -> float:
    with np.errstate(divide="ignore"):
        return float(np.log(holds @ mass).sum())
