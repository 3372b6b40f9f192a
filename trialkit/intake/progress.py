"""How far a running trial is: visits in and missing, and bins that look odd, by bin and never by treatment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trialkit.records import Bin, Finding


@dataclass(frozen=True)
class Progress:
    """``visit_days`` are the days on which at least half of the bins then alive were read, and the planned days up to
    the last reading; every bin is expected on each of them until it is lost. ``missing`` maps a bin to the days it was
    not read; ``odd`` to what was noticed. ``to_come`` counts the planned visits of bins after that, the first of them
    on ``next_day``.
    """

    bins: int = 0
    visit_days: tuple[float, ...] = ()
    expected: int = 0
    read: int = 0
    missing: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    odd: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    to_come: int = 0
    next_day: float | None = None


@dataclass(frozen=True, eq=False)
class Seen:
    """Visits as the rows tell them: position of the bin and day of those that were ``read`` (v,) and of the rows that
    stand in the files without a reading, ``planned`` (p,). Positions beyond the bins are left out.
    """

    read: tuple[NDArray[np.intp], NDArray[np.float64]] = field(default_factory=lambda: _NO_VISITS)
    planned: tuple[NDArray[np.intp], NDArray[np.float64]] = field(default_factory=lambda: _NO_VISITS)


_NO_VISITS = np.empty(0, np.intp), np.empty(0)


def find_progress(bins: Sequence[Bin], seen: Seen, findings: Sequence[Finding]) -> Progress:
    """Visits in and missing, and the warnings of each bin. A reading counts for the nearest visit day."""
    odd: dict[str, list[str]] = {}
    for finding in findings:
        if finding.bin is not None and finding.severity != "note":
            place = f" ({finding.file}, line {finding.line})" if finding.line is not None else ""
            odd.setdefault(finding.bin, []).append(f"{finding.found}{place}")
    # in the order of the bins; a name that is no bin comes last
    names = [item.bin for item in bins]
    shown = {name: tuple(odd[name]) for name in (*names, *odd) if name in odd}
    bin_, day = _of_bins(seen.read, len(bins))
    planned, due = _of_bins(seen.planned, len(bins))
    until = np.array([np.inf if item.lost_on_day is None else item.lost_on_day for item in bins])
    later = np.unique(np.stack([due, planned])[:, (due > day.max(initial=-np.inf)) & (due <= until[planned])], axis=1)
    to_come, next_day = later.shape[1], float(later[0, 0]) if later.shape[1] else None
    if not len(day):
        return Progress(bins=len(bins), odd=shown, to_come=to_come, next_day=next_day)
    days, counts = np.unique(day, return_counts=True)
    alive = np.array([(until >= when).sum() for when in days])
    # rows without a reading say that their day was planned
    visits = np.union1d(days[2 * counts >= alive], due[due <= day.max()])
    if not len(visits):
        return Progress(bins=len(bins), odd=shown, to_come=to_come, next_day=next_day)
    edges = np.concatenate([[-np.inf], (visits[1:] + visits[:-1]) / 2, [np.inf]])
    nearest = np.searchsorted(edges, day, side="right") - 1
    was_read = np.zeros((len(bins), len(visits)), bool)
    was_read[bin_, np.clip(nearest, 0, len(visits) - 1)] = True
    wanted = visits[None, :] <= until[:, None]
    missing = {
        item.bin: tuple(float(when) for when in visits[wanted[index] & ~was_read[index]])
        for index, item in enumerate(bins)
        if (wanted[index] & ~was_read[index]).any()
    }
    return Progress(
        bins=len(bins),
        visit_days=tuple(float(when) for when in visits),
        expected=int(wanted.sum()),
        read=int((wanted & was_read).sum()),
        missing=missing,
        odd=shown,
        to_come=to_come,
        next_day=next_day,
    )


def _of_bins(
    visits: tuple[NDArray[np.intp], NDArray[np.float64]], count: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    bin_, day = visits
    known = (bin_ >= 0) & (bin_ < count) & np.isfinite(day)
    return bin_[known], day[known]
