"""What was found, planned and measured: the records that the gate hands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

Severity = Literal["error", "warning", "note"]
Role = Literal["primary", "secondary", "exploratory"]
Size = Literal["times_as_fast", "at_least", "at_least_ratio", "within_days"]


# ---------------------------------------------------------------- what was found in the files
@dataclass(frozen=True)
class Finding:
    """One thing noticed in a file, worded by ``errors.word_finding``.

    ``line`` counts as a spreadsheet does (the header is line 1); None for a finding on the whole file.
    ``found`` is a clause ('found "-2.0"'), ``expected`` a clause ('expected a number above 0 kg'), ``remedy`` a
    sentence. ``bin`` names the bin concerned, for summaries by bin; never the treatment.
    """

    severity: Severity
    code: str
    file: str
    line: int | None
    column: str | None
    found: str
    expected: str = ""
    remedy: str = ""
    bin: str | None = None


@dataclass(frozen=True)
class Source:
    """One file that was read: its name inside the folder, its SHA-256 and its number of data rows."""

    file: str
    sha256: str
    rows: int


@dataclass(frozen=True)
class SetAside:
    """One readings row that stays out of every analysis, and why."""

    file: str
    line: int
    reason: str


# ---------------------------------------------------------------- what was planned
@dataclass(frozen=True)
class Treatment:
    """One arm as declared. ``factors`` and ``amounts`` map names to levels and to amounts per bin."""

    name: str
    role: str = "other"
    factors: Mapping[str, str] = field(default_factory=dict)
    amounts: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Layout:
    """How treatments were laid out. ``variances`` is None where the file leaves it to the default rule."""

    kind: Literal["completely random", "blocks", "latin square", "split plot"] = "completely random"
    variances: Literal["common", "by treatment"] | None = None
    seed: int | None = None
    drawn: str = ""
    redraw_rule: str = "none"
    whole_plot_factor: str = ""


@dataclass(frozen=True)
class Claim:
    """What was claimed before the data. ``size`` names how the claim is counted, ``amount`` how much.

    ``against`` is None for ``within_days``. ``equivalence`` is the margin (low, high) on the outcome's own scale of
    comparison (ratios for log outcomes, the outcome's unit otherwise), or None.
    """

    text: str
    treatment: str
    against: str | None
    outcome: str
    size: Size
    amount: float
    family: Literal["all", "claim only"] = "all"
    equivalence: tuple[float, float] | None = None


# what bins are filled with, as far as cautions differ
Material = Literal["leaves", "grass", "hay", "straw", "manure", "food", "soil", "other"]
MATERIALS: tuple[Material, ...] = get_args(Material)


@dataclass(frozen=True)
class Plan:
    """The trial file, parsed. ``declared`` is False where no trial file came with the readings.

    ``outcome_settings`` maps an outcome name to its table in the file (``from``, ``end_level``, ``day`` …).
    ``materials`` (of ``MATERIALS``) and ``pupils`` say which cautions the trial calls for.
    """

    control: str | None
    title: str = ""
    question: str = ""
    start: date | None = None
    stated_on: date | None = None
    comparisons: Literal["with control", "all pairs"] = "with control"
    primary: str | None = None
    secondary: tuple[str, ...] = ()
    level: float = 0.95
    layout: Layout = Layout()
    treatments: tuple[Treatment, ...] = ()
    outcome_settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    claims: tuple[Claim, ...] = ()
    finish: Mapping[str, Any] = field(default_factory=dict)
    materials: tuple[str, ...] = ()
    pupils: bool = False
    declared: bool = True
    stated_before_data: bool = False

    def role_of(self, outcome: str) -> Role:
        """Primary and secondary as declared; everything else is exploratory."""
        if self.declared and outcome == self.primary:
            return "primary"
        if self.declared and outcome in self.secondary:
            return "secondary"
        return "exploratory"


# ---------------------------------------------------------------- what was measured
@dataclass(frozen=True)
class Bin:
    """One bin, the experimental unit. ``starts`` holds the ``start_*`` and ``capacity_l`` cells that were filled."""

    bin: str
    treatment: str
    block: str | None = None
    site: str | None = None
    whole_plot: str | None = None
    row: str | None = None
    column: str | None = None
    start_date: date | None = None
    starts: Mapping[str, float] = field(default_factory=dict)
    lost_on_day: float | None = None
    lost_reason: str | None = None
    code: str | None = None
    note: str | None = None


@dataclass(frozen=True, eq=False)
class Readings:
    """One row a bin and visit, columnar; several file rows of one visit are already joined.

    ``bin`` (n,) integer positions in ``Trial.bins``; ``day`` (n,) days since the start, ascending within a bin;
    ``columns`` maps a template column to (n,) floats, NaN where not measured (yes = 1, no = 0), in template units.
    ``row_file``, ``row_line``, ``row_visit`` (m,) trace each of the m used file rows to ``Trial.sources`` position,
    file line and row of this table. Rows set aside are not here.
    """

    bin: NDArray[np.intp]
    day: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    row_file: NDArray[np.intp]
    row_line: NDArray[np.intp]
    row_visit: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Trial:
    """A trial folder, read and checked. rows_read == rows_used + len(set_aside), always."""

    folder: str
    plan: Plan
    bins: tuple[Bin, ...]
    readings: Readings
    findings: tuple[Finding, ...]
    sources: tuple[Source, ...]
    rows_read: int
    rows_used: int
    set_aside: tuple[SetAside, ...] = ()


def read_only(array: NDArray[Any]) -> NDArray[Any]:
    """The same array, set read-only, so that a frozen record is frozen inside."""
    array.setflags(write=False)
    return array
