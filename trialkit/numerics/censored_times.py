"""Ratios of times that are known only between two visits, or only to be longer than the last visit.

Which computation applies depends on how many bins of the two treatments compared have finished:

1. *all of them*: least squares on the logs of interval midpoints, blocks fixed, t interval on the error degrees of
   freedom, s² never below the mean of (ln high − ln low)²/12, the variance that rounding to visits alone brings;
2. *not all, but two or more in every treatment*: draws from the model of ``censored_draws``, blocks random, with the
   same floor. Prior 1/σ² on σ² up to five blocks and in completely random layouts, flat on σ from six blocks on (as
   long as the finished bins exceed treatments by three). Equal-tailed intervals; several comparisons share the tail
   level at which all hold at once in the chosen share of draws;
3. *one in some treatment*: no interval; counts by a day and the re-randomisation p of the counts;
4. *none in one treatment*: an exact one-sided bound (``censored_counts``);
5. *too few for any of these*: refused, with the reasons.

Bins finished before their first look (``low`` = 0) count as finished; their log time is drawn like that of unfinished
bins, from the other side, and rules 1 and 2 need two bins per treatment whose interval has both ends.
Treatments under rule 3 or 4 stay out of the draws of the others. Nothing else is left out. The time of one treatment
by itself is in ``censored_level``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.numerics.censored_bins import WatchedBins, checked_bins
from trialkit.numerics.censored_counts import compare_counts, one_sided_bound
from trialkit.numerics.censored_draws import CHAINS, KEPT
from trialkit.numerics.censored_intervals import (
    intervals_from_midpoints,
    intervals_from_seed,
    log_windows,
)
from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class CensoredTimes:
    """Times of treatments 1 … K against treatment 0; K + 1 treatments, days on the scale of the input.

    ``ratio, low, high, df, rule, std_error, p, p_together, level_attained, counts_p``: plain numbers for two
    treatments, arrays (K,) for more. ``ratio`` is the ratio of median times (posterior median in rule 2), NaN in rules
    3 to 5; ``df`` is NaN outside rule 1. In rule 4 one end is the bound, the other 0 or inf. ``std_error`` is on the
    log scale; in rule 2 half the width of the central 68.3 % of draws. ``p`` is two-sided, of equal times, each
    comparison by itself: by t in rule 1, twice the share of draws beyond 1 in rule 2, else NaN; ``p_together`` is
    adjusted for all comparisons under rules 1 and 2, as their intervals are. ``level_attained`` is ``level`` in rules 1
    and 2, the confidence of the bound in rule 4, else NaN. ``counts_p`` is the exact re-randomisation p of the numbers
    finished by ``by_day`` (rules 3 and 4, else NaN).
    ``bins, finished`` (K + 1,): counts; ``finished_by_day`` those finished by ``by_day``, the last day at which it is
    known of every bin. ``blocks_without_event``: codes of blocks in which no bin finished. ``draws``: how many.
    ``reasons``: sentences for what was refused or is one-sided.
    """

    ratio: float | Array
    low: float | Array
    high: float | Array
    df: float | Array
    rule: int | Codes
    level: float
    std_error: float | Array
    p: float | Array
    p_together: float | Array
    level_attained: float | Array
    counts_p: float | Array
    bins: Codes
    finished: Codes
    finished_by_day: Codes
    by_day: float
    blocks_without_event: tuple[int, ...]
    draws: int
    reasons: tuple[str, ...]


def censored_times(
    low: ArrayLike,
    high: ArrayLike,
    treatment: ArrayLike,
    block: ArrayLike | None,
    *,
    level: float = 0.95,
    seed: int = 0,
    treatment_names: Sequence[str] | None = None,
    block_names: Sequence[str] | None = None,
) -> CensoredTimes:
    """Compare the times of treatments with treatment 0 by the five rules above.

    ``low, high`` (n,): last day seen unfinished, first day seen finished; ``high`` = inf where a bin never finished,
    ``low`` = 0 where it was finished at its first look, equal where the day itself is known. ``treatment`` (n,)
    integer codes 0 … K, ``block`` (n,) integer codes, or None for a completely random layout. The answer does not
    depend on the order of rows, on the numbers used for blocks, or on the unit of time.
    ``treatment_names, block_names`` (by code) are used in sentences only.

    Raises DesignError where the input contradicts itself: an interval that ends before it starts, a time below 0,
    a treatment without bins, arrays that do not fit, a level outside 0 … 1.
    """
    bins = checked_bins(low, high, treatment, block, level, treatment_names, block_names)
    answer = _Answer(bins)
    without_event = _name_empty_blocks(bins, answer)
    joint = _link_to_control(bins, answer)
    draws = _compare_jointly(bins, answer, joint, level, seed) if joint.size else 0
    by_day, finished_by_day = _finished_by_day(bins)
    for k in np.flatnonzero((answer.rule == 3) | (answer.rule == 4)):
        _compare_counts(bins, answer, int(k), by_day, finished_by_day)

    def shaped(values: Array) -> float | Array:
        return float(values[0]) if bins.arms == 2 else read_only(values.copy())

    return CensoredTimes(
        ratio=shaped(answer.ratio),
        low=shaped(answer.low),
        high=shaped(answer.high),
        df=shaped(answer.df),
        rule=int(answer.rule[0]) if bins.arms == 2 else read_only(answer.rule),
        level=level,
        std_error=shaped(answer.error),
        p=shaped(answer.p),
        p_together=shaped(answer.p_together),
        level_attained=shaped(answer.attained),
        counts_p=shaped(answer.counts_p),
        bins=read_only(np.bincount(bins.arm, minlength=bins.arms)),
        finished=read_only(bins.finished),
        finished_by_day=read_only(finished_by_day),
        by_day=by_day,
        blocks_without_event=without_event,
        draws=draws,
        reasons=tuple(answer.reasons),
    )


class _Answer:
    """What is found, comparison by comparison (K,); filled as the rules apply."""

    def __init__(self, bins: WatchedBins) -> None:
        self.rule = _rules(bins.finished, bins.known)
        self.ratio, self.low, self.high, self.df, self.error, self.attained = np.full((6, bins.arms - 1), np.nan)
        self.p, self.p_together, self.counts_p = np.full((3, bins.arms - 1), np.nan)
        self.reasons: list[str] = []
        for k in np.flatnonzero(self.rule == 5):
            self.reasons.append(
                f"No bin of {bins.names[k + 1]} or {bins.names[0]} finished; nothing can be said of their times."
            )


def _rules(finished: Codes, known: Codes) -> Codes:
    """Rule of each treatment 1 … K against treatment 0 by counts alone; 2 stands for 1 or 2."""
    rule = np.full(finished.size - 1, 2, dtype=np.intp)
    rule[(known[1:] < 2) | (known[0] < 2)] = 3
    rule[(finished[1:] == 0) | (finished[0] == 0)] = 4
    rule[(finished[1:] == 0) & (finished[0] == 0)] = 5
    return rule


def _name_empty_blocks(bins: WatchedBins, answer: _Answer) -> tuple[int, ...]:
    """Codes of blocks without a finished bin; everything is refused where fewer than two blocks have one."""
    if bins.block is None:
        return ()
    codes = np.unique(bins.block)
    empty = tuple(int(code) for code in codes if not np.isfinite(bins.high[bins.block == code]).any())
    if empty:
        shown = ", ".join(bins.block_names[code] if bins.block_names else str(code) for code in empty)
        answer.reasons.append(f"No bin finished in {'block' if len(empty) == 1 else 'blocks'} {shown}.")
    if codes.size - len(empty) < 2:
        answer.rule[:] = 5
        answer.reasons.append(
            f"Bins finished in {codes.size - len(empty)} of {codes.size} blocks; a comparison needs finished bins in "
            "two blocks or more. Watch the bins longer."
        )
    return empty


def _link_to_control(bins: WatchedBins, answer: _Answer) -> Codes:
    """Comparisons (positions) for rules 1 and 2; those that no block links with treatment 0 are refused."""
    joint = np.flatnonzero(answer.rule == 2)
    if bins.place is None or not joint.size:
        return joint
    used = np.concatenate([[0], joint + 1])
    linked, before = np.array([0]), 0
    while linked.size > before:
        before = linked.size
        in_reach = np.isin(bins.place, bins.place[np.isin(bins.arm, linked)])
        linked = np.unique(bins.arm[in_reach & np.isin(bins.arm, used)])
    for k in joint[~np.isin(joint + 1, linked)]:
        answer.rule[k] = 5
        answer.reasons.append(
            f"No block links {bins.names[k + 1]} with {bins.names[0]}: their comparison would be one of blocks, not of "
            "treatments."
        )
    return np.flatnonzero(answer.rule == 2)


def _compare_jointly(bins: WatchedBins, answer: _Answer, joint: Codes, level: float, seed: int) -> int:
    """Rules 1 and 2 for the treatments concerned, all in one model; returns the number of draws."""
    used = bins.order[np.isin(bins.order, np.concatenate([[0], joint + 1]))]
    here = np.isin(bins.arm, used)
    arm = np.argsort(used)[np.searchsorted(np.sort(used), bins.arm[here])]
    block = None if bins.place is None else np.unique(bins.place[here], return_inverse=True)[1]
    refusal = _why_not(bins.low[here], bins.high[here], arm, block, [bins.names[code] for code in np.sort(used)])
    if refusal:
        answer.rule[joint] = 5
        answer.reasons.append(refusal)
        return 0
    reference = int(np.flatnonzero(used == 0)[0])
    low, high, floor = log_windows(bins.low[here][:, None], bins.high[here][:, None])
    drawn = not np.array_equal(low, high)
    if drawn:
        found = intervals_from_seed(low, high, floor, arm, block, level, seed, reference=reference)
    else:
        answer.rule[joint] = 1
        found = intervals_from_midpoints(low, floor, arm, block, level, reference=reference)
    k = np.delete(used, reference) - 1
    answer.ratio[k], answer.low[k], answer.high[k] = np.exp([found.centre[:, 0], found.low[:, 0], found.high[:, 0]])
    answer.error[k], answer.df[k], answer.attained[k] = found.std_error[:, 0], found.df, level
    answer.p[k], answer.p_together[k] = found.p[:, 0], found.p_together[:, 0]
    return CHAINS * KEPT if drawn else 0


def _why_not(low: Array, high: Array, arm: Codes, block: Codes | None, names: Sequence[str]) -> str:
    """Why these bins carry no interval by rules 1 and 2, as a sentence; empty where they do."""
    among = " and ".join(names)
    events = np.isfinite(high)
    windows = np.unique(np.column_stack([low[events], high[events]]), axis=0)
    if windows.shape[0] == 1:
        first, last = windows[0]
        when = f"on day {last:g}" if first == last else f"between day {first:g} and day {last:g}"
        return (
            f"Every bin of {among} that finished did so {when}: at these visits the treatments cannot be told apart, "
            "and no interval for their ratio comes from the data. Visit more often."
        )
    if block is None:
        return ""
    if np.unique(block[events]).size < 2:
        return (
            f"Bins of {among} finished in one block only; a comparison needs finished bins in two blocks or more. "
            "Watch the bins longer."
        )
    if arm.size - (len(names) + int(block.max())) < 1:  # rank of treatments and blocks, all being linked
        return f"The bins of {among} leave no degree of freedom for error; more bins or blocks would be needed."
    return ""


def _finished_by_day(bins: WatchedBins) -> tuple[float, Codes]:
    """The last visit day at which it is known of every bin whether it had finished, and how many had (K + 1,)."""
    days = np.unique(np.concatenate([bins.low, bins.high[np.isfinite(bins.high)]]))
    known = [day for day in days if not ((bins.low < day) & (day < bins.high)).any()]
    day = float(known[-1]) if known else 0.0
    return day, np.bincount(bins.arm[bins.high <= day], minlength=bins.arms)


def _compare_counts(bins: WatchedBins, answer: _Answer, k: int, by_day: float, finished_by_day: Codes) -> None:
    """Rules 3 and 4 for treatment k + 1 against treatment 0."""
    pair = (bins.arm == 0) | (bins.arm == k + 1)
    treated = bins.arm[pair] == k + 1
    block = None if bins.place is None else bins.place[pair]
    treatment, control = bins.names[k + 1], bins.names[0]
    answer.counts_p[k] = compare_counts(bins.high[pair] <= by_day, treated, block)
    counts = " and ".join(
        f"{finished_by_day[code]} of {int((bins.arm == code).sum())} bins of {bins.names[code]}" for code in (k + 1, 0)
    )
    by = f"By day {by_day:g}, {counts} had finished (re-randomisation p of the counts {answer.counts_p[k]:.3g})."
    if answer.rule[k] == 3:
        short = [bins.names[code] for code in (k + 1, 0) if bins.known[code] < 2]
        answer.reasons.append(
            f"Fewer than two bins of {' and of '.join(short)} finished between two visits: no interval for {treatment} "
            f"against {control}. {by}"
        )
        return
    bound = one_sided_bound(bins.low[pair], bins.high[pair], treated, block)
    if bound is None:
        answer.rule[k] = 5
        answer.reasons.append(
            f"No block holds both a finished and an unfinished bin to compare {treatment} with {control}. {by}"
        )
        return
    answer.attained[k] = bound.confidence
    answer.low[k], answer.high[k] = (bound.ratio, np.inf) if bound.is_at_least else (0.0, bound.ratio)
    never, words = (treatment, "at least") if bound.is_at_least else (control, "at most")
    answer.reasons.append(
        f"No bin of {never} finished: {treatment} takes {words} {bound.ratio:.3g} times as long as {control} "
        f"(one-sided, confidence {100 * bound.confidence:.3g} %). {by}"
    )
