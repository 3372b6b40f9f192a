"""The five rules of ``censored_times`` for many trials of one layout at once: planning and calibration.

The same intervals from the same code; only the bookkeeping is by array, and the number of draws may be smaller.
``tests/numerics/test_censored_many.py`` holds rules and intervals against ``censored_times``, trial by trial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.numerics.censored_counts import one_sided_bound
from trialkit.numerics.censored_draws import BURN_IN, KEPT
from trialkit.numerics.censored_intervals import (
    intervals_from_draws,
    intervals_from_midpoints,
    log_windows,
)
from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_CHAINS_AT_ONCE = 2000


@dataclass(frozen=True, eq=False)
class ManyCensoredTimes:
    """``ratio, low, high, rule, level_attained, p`` (K, D) of treatments 1 … K against 0 in D trials, as in
    CensoredTimes.
    """

    ratio: Array
    low: Array
    high: Array
    rule: Codes
    level_attained: Array
    p: Array


def censored_times_of_many(
    low: Array,
    high: Array,
    treatment: Codes,
    block: Codes | None,
    *,
    level: float = 0.95,
    rng: np.random.Generator,
    chains: int = 50,
    burn_in: int = BURN_IN,
    kept: int = KEPT,
) -> ManyCensoredTimes:
    """Rules 1 to 5 for D trials, ``low, high`` (n, D); codes (n,) without gaps, every block holding every treatment.

    Trials under rule 2 take chains · kept draws each.
    """
    arms, sets = int(treatment.max()) + 1, low.shape[1]
    events = np.isfinite(high)
    finished = np.stack([events[treatment == code].sum(axis=0) for code in range(arms)])
    rule = np.full((arms - 1, sets), 2, dtype=np.intp)
    known = np.stack([(events & (low > 0))[treatment == code].sum(axis=0) for code in range(arms)])
    rule[np.minimum(known[1:], known[0]) < 2] = 3
    rule[np.minimum(finished[1:], finished[0]) == 0] = 4
    rule[np.maximum(finished[1:], finished[0]) == 0] = 5
    if block is not None:
        rule[:, _blocks_with_event(events, block) < 2] = 5
    ratio, low_end, high_end, attained, p = np.full((5, arms - 1, sets), np.nan)

    member = np.vstack([(rule == 2).any(axis=0), rule == 2])
    for pattern in np.unique(member[:, member[0]], axis=1).T:
        used = np.flatnonzero(pattern)
        here = np.isin(treatment, used)
        arm = np.searchsorted(used, treatment[here])
        block_here = None if block is None else block[here]
        which = np.flatnonzero((member == pattern[:, None]).all(axis=0))
        refused = _in_one_window(low[here][:, which], high[here][:, which])
        if block_here is not None:
            refused |= _blocks_with_event(events[here][:, which], block_here) < 2
        rule[np.ix_(used[1:] - 1, which[refused])] = 5
        which = which[~refused]
        log_low, log_high, floor = log_windows(low[here][:, which], high[here][:, which])
        complete = (log_low == log_high).all(axis=0)
        rule[np.ix_(used[1:] - 1, which[complete])] = 1
        batches = [(which[complete], np.flatnonzero(complete))] if complete.any() else []
        size = max(1, _CHAINS_AT_ONCE // chains)
        rest = np.flatnonzero(~complete)
        # the prior of rule 2 may depend on the number of finished bins, so a batch holds one number only
        number = (log_low == log_high).sum(axis=0)
        for events_in_trial in np.unique(number[rest]):
            same = rest[number[rest] == events_in_trial]
            batches += [(which[same[i : i + size]], same[i : i + size]) for i in range(0, same.size, size)]
        for trials, at in batches:
            if complete[at[0]]:
                found = intervals_from_midpoints(log_low[:, at], floor[at], arm, block_here, level)
            else:
                found = intervals_from_draws(
                    log_low[:, at],
                    log_high[:, at],
                    floor[at],
                    arm,
                    block_here,
                    level,
                    rng,
                    chains=chains,
                    burn_in=burn_in,
                    kept=kept,
                )
            cell = np.ix_(used[1:] - 1, trials)
            ratio[cell], low_end[cell], high_end[cell] = np.exp([found.centre, found.low, found.high])
            attained[cell], p[cell] = level, found.p

    for k, trial in zip(*np.nonzero(rule == 4), strict=True):
        pair = (treatment == 0) | (treatment == k + 1)
        pair_block = None if block is None else block[pair]
        bound = one_sided_bound(low[pair, trial], high[pair, trial], treatment[pair] == k + 1, pair_block)
        if bound is None:
            rule[k, trial] = 5
            continue
        attained[k, trial] = bound.confidence
        low_end[k, trial], high_end[k, trial] = (bound.ratio, np.inf) if bound.is_at_least else (0.0, bound.ratio)
    return ManyCensoredTimes(
        ratio=read_only(ratio),
        low=read_only(low_end),
        high=read_only(high_end),
        rule=read_only(rule),
        level_attained=read_only(attained),
        p=read_only(p),
    )


def _blocks_with_event(events: NDArray[np.bool_], block: Codes) -> Codes:
    """Number of blocks with a finished bin (D,); events (n, D)."""
    per_block = np.stack([events[block == code].any(axis=0) for code in np.unique(block)])
    return np.asarray(per_block.sum(axis=0), dtype=np.intp)


def _in_one_window(low: Array, high: Array) -> NDArray[np.bool_]:
    """Whether all finished bins of a trial finished between the same two visits (D,)."""
    events = np.isfinite(high)
    start = np.where(events, low, np.nan)
    end = np.where(events, high, np.nan)
    return np.asarray(
        (np.nanmin(start, axis=0) == np.nanmax(start, axis=0)) & (np.nanmin(end, axis=0) == np.nanmax(end, axis=0))
    )
