"""The readings bin by bin: what was read when, and the lines it came from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.records import Bin, BinValue, Trial

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Course:
    """One bin over time. ``days`` (n,) ascending; ``visits`` (n,) rows of the trial's readings table.

    ``row_order`` (m,) lists the used file rows visit by visit, those of visit v from ``row_start[v]`` on; all bins of a
    trial share both.
    """

    trial: Trial
    bin: Bin
    days: Floats
    visits: NDArray[np.intp]
    row_order: NDArray[np.intp]
    row_start: NDArray[np.intp]

    def read(self, column: str) -> Floats:
        """(n,) readings of a column, NaN where it was not measured or does not exist."""
        values = self.trial.readings.columns.get(column)
        if values is None:
            return np.full(self.days.size, np.nan)
        return np.asarray(values[self.visits], dtype=float)

    def was_read(self, *columns: str) -> Mask:
        """(n,) visits on which all these columns were measured."""
        return np.asarray(np.all([np.isfinite(self.read(column)) for column in columns], axis=0))

    @cached_property
    def survived(self) -> bool:
        return self.bin.lost_on_day is None

    def lines(self, visits: Iterable[int]) -> tuple[tuple[str, int], ...]:
        """(file, line) of every row that these positions of the course were joined from."""
        readings, files = self.trial.readings, [source.file for source in self.trial.sources]
        wanted = self.visits[sorted({int(i) for i in visits})]
        pieces = [self.row_order[self.row_start[visit] : self.row_start[visit + 1]] for visit in wanted]
        rows = np.sort(np.concatenate(pieces)) if pieces else self.row_order[:0]
        places = zip(readings.row_file[rows].tolist(), readings.row_line[rows].tolist(), strict=True)
        return tuple((files[file], line) for file, line in places)

    def value(
        self,
        value: float | None,
        visits: Iterable[int] = (),
        *,
        reason: str | None = None,
        low: float | None = None,
        high: float | None = None,
        details: dict[str, float] | None = None,
        censored: bool = False,
    ) -> BinValue:
        """The record of this bin's value, with the places it stands in."""
        used = sorted({int(i) for i in visits})
        bin_ = self.bin
        return BinValue(
            bin=bin_.bin,
            treatment=bin_.treatment,
            value=value,
            block=bin_.block,
            site=bin_.site,
            whole_plot=bin_.whole_plot,
            row=bin_.row,
            column=bin_.column,
            low=low,
            high=high,
            readings_used=len(used),
            rows=self.lines(used),
            details=details or {},
            reason=reason,
            censored=censored,
        )


@lru_cache(maxsize=4)  # a trial is frozen and known by identity; its dozen outcomes ask for the same courses
def courses_of(trial: Trial) -> tuple[Course, ...]:
    """One course a bin, in the order of the trial's bins; a bin never visited has an empty one."""
    readings = trial.readings
    row_order = np.argsort(readings.row_visit, kind="stable")
    row_start = np.searchsorted(readings.row_visit[row_order], np.arange(readings.day.size + 1))
    found = []
    for position, bin_ in enumerate(trial.bins):
        visits = np.flatnonzero(readings.bin == position)
        visits = visits[np.argsort(readings.day[visits], kind="stable")]
        found.append(Course(trial, bin_, np.asarray(readings.day[visits], dtype=float), visits, row_order, row_start))
    return tuple(found)


def ever_read(trial: Trial, column: str) -> bool:
    """Whether any bin has a reading of this column."""
    values = trial.readings.columns.get(column)
    return values is not None and bool(np.any(np.isfinite(values)))


def ever_started(trial: Trial, *names: str) -> bool:
    """Whether any bin has all these cells of the start filled."""
    return any(all(name in bin_.starts for name in names) for bin_ in trial.bins)


def lacking(trial: Trial, *columns: str) -> str | None:
    """The columns never read, as the clause that completes "this outcome needs …"; None where all were."""
    missing = [column for column in columns if not ever_read(trial, column)]
    if not missing:
        return None
    return f"{join_words(missing)}, which no reading holds"


def join_words(words: Sequence[str], last: str = "and") -> str:
    """a · a and b · a, b and c"""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def name_bins(bins: Sequence[str], shown: int = 8) -> str:
    """B1 · B1 and B2 · B1, B2 … and 5 more."""
    if len(bins) <= shown:
        return join_words(bins)
    return f"{', '.join(bins[:shown])} and {len(bins) - shown} more"
