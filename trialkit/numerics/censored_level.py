"""The time one treatment takes, from bins known between visits: one sample, whatever the layout.

Bins of one treatment stand in different blocks, so they are independent draws from all the blocks there might be; their
spread holds that of blocks, and no block term is wanted. The rules mirror those of ``censored_times``:

1. all bins finished: t interval on the logs of interval midpoints, n − 1 df, s² ≥ mean (ln high − ln low)²/12;
2. not all, but two or more: draws of the same model with prior 1/σ² on σ², the same floor;
3. one finished: no interval;
4. none finished: the median is at least the earliest last visit with confidence 1 − 2^(−n), since it is not only where
   all n bins lie above it. All finished between the same two visits: it lies between them with confidence
   1 − 2^(1−n), likewise (a t interval would count rounding as if it were independent from bin to bin).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.errors import DesignError
from trialkit.numerics.censored_draws import draws_from_seed
from trialkit.numerics.censored_intervals import log_windows


@dataclass(frozen=True)
class CensoredLevel:
    """Median time of one treatment, in the unit of the input.

    ``time`` NaN in rules 3 and 4, ``df`` NaN outside rule 1; ``level_attained`` is ``level`` in rules 1 and 2, the
    confidence of the bound in rule 4, NaN in rule 3. ``reasons``: sentences on what is refused or only bounded.
    """

    time: float
    low: float
    high: float
    df: float
    rule: int
    level: float
    level_attained: float
    bins: int
    finished: int
    reasons: tuple[str, ...]


def censored_level(low: ArrayLike, high: ArrayLike, *, level: float = 0.95, seed: int = 0) -> CensoredLevel:
    """Median time of the treatment whose bins finished in (low, high], ``low, high`` (n,), inf where never finished.

    Raises DesignError for fewer than two bins, for windows that end before they start, and for a level outside 0 … 1.
    """
    low_, high_ = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    if low_.ndim != 1 or low_.shape != high_.shape or low_.size < 2:
        raise DesignError(
            f"Found windows of shape {low_.shape} and {high_.shape}; expected two bins or more, one of each."
        )
    if not 0.0 < level < 1.0:
        raise DesignError(f"Found level {level}; expected a number between 0 and 1, such as 0.95.")
    bad = np.flatnonzero(~np.isfinite(low_) | np.isnan(high_) | (low_ < 0) | (high_ < low_) | (high_ <= 0))
    if bad.size:
        i = int(bad[0])
        raise DesignError(
            f"Row {i}: found a time from day {low_[i]:g} to day {high_[i]:g}; expected 0 or more, then a later day."
        )
    order = np.lexsort((high_, low_))
    low_, high_ = low_[order], high_[order]
    n, events = low_.size, np.isfinite(high_)
    finished, known = int(events.sum()), int((events & (low_ > 0)).sum())

    def answer(
        rule: int, time: float, low_end: float, high_end: float, df: float, attained: float, *reasons: str
    ) -> CensoredLevel:
        return CensoredLevel(time, low_end, high_end, df, rule, level, attained, n, finished, reasons)

    nan = float("nan")
    if finished == 0:
        bound, confidence = float(low_.min()), 1.0 - 0.5**n
        return answer(
            4, nan, bound, np.inf, nan, confidence,
            f"None of {n} bins finished: the median time is at least {bound:g} days (one-sided, confidence "
            f"{100 * confidence:.3g} %).",
        )  # fmt: skip
    if finished == n and (low_ == low_[0]).all() and (high_ == high_[0]).all():
        confidence = 1.0 - 0.5 ** (n - 1)
        return answer(
            4, nan, float(low_[0]), float(high_[0]), nan, confidence,
            f"All {n} bins finished between day {low_[0]:g} and day {high_[0]:g}, and so does the median (confidence "
            f"{100 * confidence:.3g} %); visits were too far apart to say more.",
        )  # fmt: skip
    if known < 2:
        return answer(
            3, nan, nan, nan, nan, nan,
            f"{finished} of {n} bins finished, fewer than two of them between two visits: no interval for the time.",
        )  # fmt: skip
    log_low, log_high, floor = log_windows(low_[:, None], high_[:, None])
    if np.array_equal(log_low, log_high):
        y = log_low[:, 0]
        reach = special.stdtrit(n - 1, 0.5 + level / 2) * np.sqrt(max(float(y.var(ddof=1)), float(floor[0])) / n)
        ends = np.exp(y.mean() + np.array([0.0, -reach, reach]))
        return answer(1, float(ends[0]), float(ends[1]), float(ends[2]), float(n - 1), level)
    one = np.zeros(n, dtype=np.intp)
    draws = draws_from_seed(one, None, log_low[:, 0], log_high[:, 0], float(floor[0]), flat_sigma=False, seed=seed)[0]
    ends = np.exp(np.quantile(draws, [0.5, (1 - level) / 2, (1 + level) / 2]))
    return answer(2, float(ends[0]), float(ends[1]), float(ends[2]), nan, level)
