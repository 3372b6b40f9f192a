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

from trialkit.errors import DesignError
from trialkit.numerics.censored_counts import compare_counts, one_sided_bound
from trialkit.numerics.censored_intervals import (
    CHAINS,
    KEPT,
    intervals_from_draws,
    intervals_from_midpoints,
    log_windows,
)
from trialkit.records import read_only

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class CensoredTimes:
    """Times of treatments 1 … K against treatment 0; K + 1 treatments, days on the scale of the input.

    ``ratio, low, high, df, rule, std_error, p, level_attained, counts_p``: plain numbers for two treatments, arrays
    (K,) for more. ``ratio`` is the ratio of median times (posterior median in rule 2), NaN in rules 3 to 5; ``df`` is
    NaN outside rule 1. In rule 4 one end is the bound, the other 0 or inf. ``std_error`` is on the log scale; in rule 2
    half the width of the central 68.3 % of draws. ``p`` is two-sided, of equal times, each comparison by itself: by t
    in rule 1, twice the share of draws beyond 1 in rule 2, else NaN. ``level_attained`` is ``level`` in rules 1 and 2,
    the confidence of the bound in rule 4, else NaN. ``counts_p`` is the exact re-randomisation p of the numbers
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
    bins = _checked(low, high, treatment, block, level, treatment_names, block_names)
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


@dataclass(frozen=True, eq=False)
class _Bins:
    """The input, checked and in an order of rows that depends on its content alone.

    ``low, high, arm`` (n,); ``block`` (n,) as given, ``place`` (n,) the blocks numbered by content (both None for
    completely random); ``order`` (K + 1,) treatments ordered by content; ``finished, known`` (K + 1,) finished bins,
    and those of them with a window that has both ends.
    """

    low: Array
    high: Array
    arm: Codes
    block: Codes | None
    place: Codes | None
    order: Codes
    finished: Codes
    known: Codes
    names: tuple[str, ...]
    block_names: Sequence[str] | None

    @property
    def arms(self) -> int:
        return self.finished.size


class _Answer:
    """What is found, comparison by comparison (K,); filled as the rules apply."""

    def __init__(self, bins: _Bins) -> None:
        self.rule = _rules(bins.finished, bins.known)
        self.ratio, self.low, self.high, self.df, self.error, self.attained, self.p, self.counts_p = np.full(
            (8, bins.arms - 1), np.nan
        )
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


def _name_empty_blocks(bins: _Bins, answer: _Answer) -> tuple[int, ...]:
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


def _link_to_control(bins: _Bins, answer: _Answer) -> Codes:
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


def _compare_jointly(bins: _Bins, answer: _Answer, joint: Codes, level: float, seed: int) -> int:
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
        rng = np.random.default_rng(seed)
        found = intervals_from_draws(low, high, floor, arm, block, level, rng, reference=reference)
    else:
        answer.rule[joint] = 1
        found = intervals_from_midpoints(low, floor, arm, block, level, reference=reference)
    k = np.delete(used, reference) - 1
    answer.ratio[k], answer.low[k], answer.high[k] = np.exp([found.centre[:, 0], found.low[:, 0], found.high[:, 0]])
    answer.error[k], answer.df[k], answer.attained[k] = found.std_error[:, 0], found.df, level
    answer.p[k] = found.p[:, 0]
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


def _finished_by_day(bins: _Bins) -> tuple[float, Codes]:
    """The last visit day at which it is known of every bin whether it had finished, and how many had (K + 1,)."""
    days = np.unique(np.concatenate([bins.low, bins.high[np.isfinite(bins.high)]]))
    known = [day for day in days if not ((bins.low < day) & (day < bins.high)).any()]
    day = float(known[-1]) if known else 0.0
    return day, np.bincount(bins.arm[bins.high <= day], minlength=bins.arms)


def _compare_counts(bins: _Bins, answer: _Answer, k: int, by_day: float, finished_by_day: Codes) -> None:
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


def _checked(
    low: ArrayLike,
    high: ArrayLike,
    treatment: ArrayLike,
    block: ArrayLike | None,
    level: float,
    treatment_names: Sequence[str] | None,
    block_names: Sequence[str] | None,
) -> _Bins:
    """The input as a record, or a DesignError that says what is wrong with it."""
    low_, high_ = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    columns = {"low": low_, "high": high_, "treatment": np.asarray(treatment)}
    if block is not None:
        columns["block"] = np.asarray(block)
    lengths = ", ".join(f"{name} {column.shape}" for name, column in columns.items())
    if any(column.ndim != 1 or column.size != low_.size for column in columns.values()) or low_.size == 0:
        raise DesignError(f"Found arrays of shape {lengths}; expected one number a bin in each.")
    for name in ("treatment", "block"):
        if name in columns and not np.issubdtype(columns[name].dtype, np.integer):
            raise DesignError(f"Found {name} codes of type {columns[name].dtype}; expected whole numbers.")
    if not 0.0 < level < 1.0:
        raise DesignError(f"Found level {level}; expected a number between 0 and 1, such as 0.95.")
    arm = columns["treatment"].astype(np.intp)
    seen = np.unique(arm)
    if seen.size < 2 or not np.array_equal(seen, np.arange(seen.size)):
        raise DesignError(f"Found treatment codes {seen.tolist()}; expected 0, 1 … without gaps, at least two.")
    wrong = np.flatnonzero(~np.isfinite(low_) | np.isnan(high_) | (low_ < 0))
    if wrong.size:
        i = int(wrong[0])
        raise DesignError(
            f"Row {i}: found a time from day {low_[i]:g} to day {high_[i]:g}; expected a start of 0 or more and an "
            "end, inf where the bin never finished."
        )
    wrong = np.flatnonzero((high_ < low_) | (high_ <= 0))
    if wrong.size:
        i = int(wrong[0])
        raise DesignError(
            f"Row {i}: found an interval that ends on day {high_[i]:g}, before it starts on day {low_[i]:g}; expected "
            "the last day seen unfinished, then the first day seen finished."
            if high_[i] < low_[i]
            else f"Row {i}: found a finish on day 0; expected a day after the start."
        )
    return _in_canonical_order(
        low_, high_, arm, columns["block"].astype(np.intp) if block is not None else None, treatment_names, block_names
    )


def _in_canonical_order(
    low: Array,
    high: Array,
    arm: Codes,
    block: Codes | None,
    treatment_names: Sequence[str] | None,
    block_names: Sequence[str] | None,
) -> _Bins:
    """Treatments, blocks and rows ordered by the times they hold.

    Neither the order of rows nor the codes of blocks then move a draw, and swapping two treatments turns the ratio and
    its interval into their reciprocals.
    """
    arms = int(arm.max()) + 1
    times = list(zip(low.tolist(), high.tolist(), strict=True))
    by_arm = {code: sorted(times[i] for i in np.flatnonzero(arm == code)) for code in range(arms)}
    order = np.array(sorted(range(arms), key=lambda code: by_arm[code]), dtype=np.intp)
    rank = np.argsort(order)[arm]
    place = None
    rows = np.lexsort((high, low, rank))
    if block is not None:
        by_block = {
            code: sorted((int(rank[i]), *times[i]) for i in np.flatnonzero(block == code)) for code in set(block)
        }
        places = {code: number for number, code in enumerate(sorted(by_block, key=lambda code: by_block[code]))}
        place = np.array([places[code] for code in block], dtype=np.intp)
        rows = np.lexsort((high, low, rank, place))
        block, place = block[rows], place[rows]
    events = np.isfinite(high)
    return _Bins(
        low=low[rows],
        high=high[rows],
        arm=arm[rows],
        block=block,
        place=place,
        order=order,
        finished=np.bincount(arm[events], minlength=arms),
        known=np.bincount(arm[events & (low > 0)], minlength=arms),
        names=tuple(treatment_names or (f"treatment {code}" for code in range(arms))),
        block_names=block_names,
    )
