"""How far a running trial is: visits in and missing, and bins that look odd, by bin and never by treatment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trialkit.records import Bin, Finding, Readings


@dataclass(frozen=True)
class Progress:
    """``visit_days`` are the days on which at least half of the bins then alive were read; every bin is expected on
    each of them until it is lost. ``missing`` maps a bin to the days it was not read; ``odd`` to what was noticed.
    """

    bins: int = 0
    visit_days: tuple[float, ...] = ()
    expected: int = 0
    read: int = 0
    missing: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    odd: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def find_progress(bins: Sequence[Bin], readings: Readings | None, findings: Sequence[Finding]) -> Progress:
    """Visits in and missing, and the warnings of each bin. A reading counts for the nearest visit day."""
    odd: dict[str, list[str]] = {}
    for finding in findings:
        if finding.bin is not None and finding.severity != "note":
            place = f" ({finding.file}, line {finding.line})" if finding.line is not None else ""
            odd.setdefault(finding.bin, []).append(f"{finding.found}{place}")
    shown = {name: tuple(odd[name]) for name in odd}
    if readings is None or not len(readings.day):
        return Progress(bins=len(bins), odd=shown)
    until = np.array([np.inf if item.lost_on_day is None else item.lost_on_day for item in bins])
    days, counts = np.unique(readings.day, return_counts=True)
    alive = np.array([(until >= day).sum() for day in days])
    visits = days[2 * counts >= alive]
    if not len(visits):
        return Progress(bins=len(bins), odd=shown)
    edges = np.concatenate([[-np.inf], (visits[1:] + visits[:-1]) / 2, [np.inf]])
    nearest = np.searchsorted(edges, readings.day, side="right") - 1
    was_read = np.zeros((len(bins), len(visits)), bool)
    was_read[readings.bin, np.clip(nearest, 0, len(visits) - 1)] = True
    wanted = visits[None, :] <= until[:, None]
    missing = {
        item.bin: tuple(float(day) for day in visits[wanted[index] & ~was_read[index]])
        for index, item in enumerate(bins)
        if (wanted[index] & ~was_read[index]).any()
    }
    return Progress(
        bins=len(bins),
        visit_days=tuple(float(day) for day in visits),
        expected=int(wanted.sum()),
        read=int((wanted & was_read).sum()),
        missing=missing,
        odd=shown,
    )
