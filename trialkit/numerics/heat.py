"""Heat summaries of a temperature course read at visits: piecewise linear between readings, unknown over long gaps.

A stretch between two readings longer than ``max_gap`` days is unknown: it counts neither as above nor as below, and
its length is handed back. Letters: t (n,) days, ascending and distinct; x (n,) temperatures or excesses, °C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HeatSummary:
    """``amount`` over the known stretches (°C·days or days), and the ``unknown_days`` with their ``gaps``.

    ``gaps`` are (from day, to day). ``above_at_end`` says whether the last reading is still above.
    """

    amount: float
    unknown_days: float
    gaps: tuple[tuple[float, float], ...]
    above_at_end: bool


def excess_area(days: Floats, excess: Floats, max_gap: float) -> HeatSummary:
    """∫ max(x, 0) dt in °C·days; where x changes sign the zero crossing of the straight line is used.

    ``excess`` (n,) is core minus ambient. Raises ValueError for days that do not ascend or values not finite.
    """
    t, x = _checked(days, excess)
    step, left, right = np.diff(t), x[:-1], x[1:]
    high, low = np.maximum(left, right), np.minimum(left, right)
    rise = np.where(high > low, high - low, 1.0)
    crossing = (high > 0.0) & (low < 0.0)
    mean = np.where(crossing, 0.5 * high * (high / rise), 0.5 * (np.maximum(left, 0.0) + np.maximum(right, 0.0)))
    return _summary(t, step, mean, max_gap, bool(x[-1] > 0.0))


def time_at_or_above(days: Floats, temperature: Floats, threshold: float, max_gap: float) -> HeatSummary:
    """Days with interpolated temperature ≥ threshold. Raises ValueError as ``excess_area`` does."""
    t, x = _checked(days, temperature)
    x = x - threshold
    step, left, right = np.diff(t), x[:-1], x[1:]
    high, low = np.maximum(left, right), np.minimum(left, right)
    rise = np.where(high > low, high - low, 1.0)
    share = np.where(low >= 0.0, 1.0, np.where(high >= 0.0, high / rise, 0.0))
    return _summary(t, step, share, max_gap, bool(x[-1] >= 0.0))


def first_peak(days: Floats, temperature: Floats) -> tuple[float, float]:
    """(highest reading, the first day it was read). Raises ValueError as ``excess_area`` does."""
    t, x = _checked(days, temperature)
    top = int(np.argmax(x))
    return float(x[top]), float(t[top])


def clip_course(days: Floats, values: Floats, first: float, last: float) -> tuple[Floats, Floats]:
    """The straight-line course between ``first`` and ``last``, both inside the days read: (m,) days, (m,) values."""
    t, x = _checked(days, values)
    if not t[0] <= first <= last <= t[-1]:
        raise ValueError(f"the course runs from day {t[0]:g} to {t[-1]:g}, asked for {first:g} to {last:g}")
    inside = (t > first) & (t < last)
    ends = np.interp([first, last], t, x)
    return (
        np.concatenate([[first], t[inside], [last]]),
        np.concatenate([ends[:1], x[inside], ends[1:]]),
    )


def _checked(days: Floats, values: Floats) -> tuple[Floats, Floats]:
    t, x = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    if t.ndim != 1 or t.shape != x.shape or t.size == 0:
        raise ValueError(f"days and values must be two vectors of one length above 0, found {t.shape} and {x.shape}")
    if not (np.isfinite(t).all() and np.isfinite(x).all()):
        raise ValueError("days and values must be finite")
    if np.any(np.diff(t) <= 0.0):
        raise ValueError("days must ascend")
    return t, x


def _summary(t: Floats, step: Floats, mean: Floats, max_gap: float, above_at_end: bool) -> HeatSummary:
    known = step <= max_gap * (1.0 + 1e-12)
    gaps = tuple((float(t[i]), float(t[i + 1])) for i in np.flatnonzero(~known))
    return HeatSummary(float(np.sum((step * mean)[known])), float(np.sum(step[~known])), gaps, above_at_end)
