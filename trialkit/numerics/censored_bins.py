"""The bins handed to ``censored_times``: checked, and put in an order that depends on their content alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class WatchedBins:
    """The bins of a comparison of times.

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


def checked_bins(
    low: ArrayLike,
    high: ArrayLike,
    treatment: ArrayLike,
    block: ArrayLike | None,
    level: float,
    treatment_names: Sequence[str] | None,
    block_names: Sequence[str] | None,
) -> WatchedBins:
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
) -> WatchedBins:
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
    return WatchedBins(
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
