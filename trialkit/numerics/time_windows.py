"""The bins of one time outcome as arrays for ``censored_times``, and its answer for any treatment as the reference."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.numerics.censored_times import CensoredTimes, censored_times
from trialkit.records import BinValues, read_only

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TimeWindows:
    """n bins: ``low, high`` (n,) days, ``high`` inf where never finished; ``treatment`` (n,) positions in
    ``treatments``, those of the plan that have bins here; ``block`` (n,) positions in ``blocks``, None where the layout
    has none. ``missing``: bins that the layout should give a block and does not.
    """

    bins: tuple[str, ...]
    low: Array
    high: Array
    treatments: tuple[str, ...]
    treatment: NDArray[np.intp]
    blocks: tuple[str, ...]
    block: NDArray[np.intp] | None
    missing: tuple[str, ...] = ()

    def against(self, reference: str, level: float, *, only: tuple[str, ...] | None = None) -> CensoredTimes:
        """All treatments (or ``only`` these) against ``reference``, which is number 0 of the answer; the others follow
        in the order of ``treatments``.
        """
        names = (reference, *(name for name in only or self.treatments if name != reference))
        codes = np.array([names.index(name) if name in names else -1 for name in self.treatments])
        arm = codes[self.treatment]
        here = arm >= 0
        block = None if self.block is None else tuple(self.block[here].tolist())
        rows = (tuple(self.low[here].tolist()), tuple(self.high[here].tolist()), tuple(arm[here].tolist()), block)
        return _times(*rows, level, names, self.blocks)


@lru_cache(maxsize=256)  # a fit and its comparisons ask the same more than once
def _times(
    low: tuple[float, ...],
    high: tuple[float, ...],
    arm: tuple[int, ...],
    block: tuple[int, ...] | None,
    level: float,
    names: tuple[str, ...],
    block_names: tuple[str, ...],
) -> CensoredTimes:
    return censored_times(
        np.array(low),
        np.array(high),
        np.array(arm, dtype=np.intp),
        None if block is None else np.array(block, dtype=np.intp),
        level=level,
        treatment_names=names,
        block_names=block_names or None,
    )


def is_watched(values: BinValues) -> bool:
    """Whether these are times known between visits: windows stand in ``low`` and ``high``, or bins never finished."""
    return values.outcome.unit == "days" and any(
        v.censored or (v.value is not None and v.low is not None and v.high is not None and v.low < v.high)
        for v in values.values
    )


def time_windows(values: BinValues) -> TimeWindows:
    """The bins with a time or a bound of one; a value without a window is a day that is known itself."""
    used = [v for v in values.values if v.censored or v.value is not None]
    declared = [t.name for t in values.plan.treatments]
    seen = dict.fromkeys(v.treatment for v in used)
    first = declared or [values.plan.control or ""]
    treatments = tuple(name for name in dict.fromkeys([*first, *seen]) if name in seen)
    sites = dict.fromkeys(v.site for v in used if v.site is not None)
    part = "block" if values.plan.layout.kind == "blocks" else "site" if len(sites) > 1 else ""
    names = [getattr(v, part) if part else None for v in used]
    if part == "block" and len(sites) > 1:
        names = [None if own is None else f"{own} at {v.site}" for own, v in zip(names, used, strict=True)]
    blocks = tuple(dict.fromkeys(name for name in names if name is not None))
    missing = tuple(v.bin for v, name in zip(used, names, strict=True) if part and name is None)
    block = np.array([-1 if name is None else blocks.index(name) for name in names], dtype=np.intp) if part else None
    # a day that is known itself is both ends of its window
    low = [float(v.value or 0.0) if v.low is None else v.low for v in used]
    high = [(np.inf if v.censored else float(v.value or 0.0)) if v.high is None else v.high for v in used]
    return TimeWindows(
        bins=tuple(v.bin for v in used),
        low=read_only(np.array(low, dtype=float)),
        high=read_only(np.array(high, dtype=float)),
        treatments=treatments,
        treatment=read_only(np.array([treatments.index(v.treatment) for v in used], dtype=np.intp)),
        blocks=blocks,
        block=None if block is None else read_only(block),
        missing=missing,
    )
