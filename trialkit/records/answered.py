"""What was answered, or could not be: from one value a bin to the whole analysis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.records.described import BinMaturity
from trialkit.records.planned import Claim, Plan, Role, Trial

Scale = Literal["identity", "log"]
Call = Literal["support", "less_than_claimed", "no_difference", "contradict", "cannot_tell", "not_answerable"]
Adjustment = Literal["none", "multivariate t", "bonferroni", "holm"]
Kind = Literal["difference", "ratio", "level", "superiority"]


# ---------------------------------------------------------------- what cannot be answered
@dataclass(frozen=True)
class Refusal:
    """A question these data cannot answer: at which stage it stopped, and why, in sentences.

    ``treatment`` and ``against`` are set where a single comparison is refused; ``values`` carries the bin values
    where there are some, so that they can still be shown.
    """

    stage: Literal["intake", "outcomes", "models", "contrasts", "verdicts"]
    reasons: tuple[str, ...]
    outcome: str | None = None
    treatment: str | None = None
    against: str | None = None
    values: BinValues | None = None


# ---------------------------------------------------------------- one value a bin
@dataclass(frozen=True)
class Outcome:
    """One entry of the catalogue of outcomes.

    ``better`` is +1 where more is as one would wish, -1 where less is, 0 where neither. ``scale`` is the scale of
    analysis; on "log" the effect shown is a ratio. ``measures`` completes "the …"; ``cannot_tell`` is a sentence.
    """

    name: str
    label: str
    unit: str
    scale: Scale
    better: Literal[-1, 0, 1]
    measures: str
    applies: str
    cannot_tell: str


@dataclass(frozen=True)
class BinValue:
    """The one value of a bin. ``value`` is None where the bin has none, and ``reason`` says why.

    ``low`` and ``high`` bracket the value where its own measurement allows it (profile limits of k); ``rows`` are the
    (file, line) pairs it came from; ``details`` holds what the reader may want beside it (v_end, v_start …).
    Of a time, ``low`` is the last day seen unfinished and ``high`` the first seen finished. ``censored``: the time is
    known from one side only, so ``value`` is None but the bin counts: never finished (``high`` None, longer than
    ``low``), or finished before its first look (``low`` 0).
    """

    bin: str
    treatment: str
    value: float | None
    block: str | None = None
    site: str | None = None
    whole_plot: str | None = None
    row: str | None = None
    column: str | None = None
    low: float | None = None
    high: float | None = None
    readings_used: int = 0
    rows: tuple[tuple[str, int], ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)
    reason: str | None = None
    censored: bool = False


@dataclass(frozen=True)
class BinValues:
    """One outcome over all bins, with the plan it was measured under. ``notes`` are sentences for the report."""

    outcome: Outcome
    role: Role
    plan: Plan
    values: tuple[BinValue, ...]
    settings: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


# ---------------------------------------------------------------- a fit
@dataclass(frozen=True, eq=False)
class Fit:
    """Treatment effects on the analysis scale (log for ratios), T treatments in the plan's order.

    ``means`` and ``mean_std_error`` and ``mean_df`` (T,): adjusted treatment means. ``differences``, ``std_errors``,
    ``df`` (T, T): row minus column, NaN where these bins cannot estimate it. ``covariance`` (T, T) of the means where
    all comparisons share one residual variance, else None. ``counts`` (T, T): bins of the row's treatment that
    enter its comparison with the column's; the diagonal holds the bins with a value.
    ``components`` variances by name; the block variance may be negative (MS block − MS error)/n₀.
    ``blocks_used`` are those that carry information on treatments. ``refused`` says in a sentence why a pair (in either
    order) cannot be estimated. Of scores (method "permutation") only the order of bins counts: ``differences`` are
    probabilities of superiority less one half, and means, standard errors and df are NaN. ``strata`` names what a pair
    is judged by where the layout has several strata; pairs of the stratum "bins" share the ``covariance``.
    ``factor_terms`` where the treatments are factors crossed completely.
    """

    values: BinValues
    treatments: tuple[str, ...]
    method: Literal["least squares in strata", "reml", "draws", "permutation"]
    df_method: str
    variances: Literal["common", "by treatment"]
    means: NDArray[np.float64]
    mean_std_error: NDArray[np.float64]
    mean_df: NDArray[np.float64]
    differences: NDArray[np.float64]
    std_errors: NDArray[np.float64]
    df: NDArray[np.float64]
    counts: NDArray[np.intp]
    covariance: NDArray[np.float64] | None
    components: Mapping[str, float]
    f_test: Mapping[str, float] | None = None
    bounded: bool = False
    at_bound: bool = False
    min_eigenvalue: float | None = None
    converged: bool = True
    blocks_used: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    refused: Mapping[tuple[str, str], str] = field(default_factory=dict)
    strata: Mapping[tuple[str, str], str] = field(default_factory=dict)
    factor_terms: tuple[FactorTerm, ...] = ()


@dataclass(frozen=True, eq=False)
class FactorTerm:
    """What one factor does, averaged over the others, or how two or three of them act together (analysis scale).

    ``factors`` one name for a main effect, more for an interaction. K comparisons of "label" with "against";
    ``estimate``, ``std_error``, ``df`` (K,), ``correlation`` (K, K) where they share one variance, else None;
    ``bins`` (K, 2) that carry each side. ``f_test`` with f, df_num, df_den, p. ``stratum`` names the units whose
    spread they are judged by. ``refused`` is a sentence where these bins cannot tell, and K is then 0.
    """

    factors: tuple[str, ...]
    labels: tuple[str, ...]
    against: tuple[str, ...]
    estimate: NDArray[np.float64]
    std_error: NDArray[np.float64]
    df: NDArray[np.float64]
    correlation: NDArray[np.float64] | None
    bins: NDArray[np.intp]
    stratum: str = "bins"
    f_test: Mapping[str, float] | None = None
    refused: str = ""


# ---------------------------------------------------------------- comparisons and verdicts
@dataclass(frozen=True)
class Interval:
    """An interval that carries its own level and adjustment; an open end is None.

    ``level_attained``: where only some levels can be had, the one it has, never below ``level``.
    """

    low: float | None
    high: float | None
    level: float
    adjustment: Adjustment = "none"
    level_attained: float | None = None


@dataclass(frozen=True)
class Comparison:
    """One treatment beside another, on the scale shown (ratios for log outcomes): "treatment ÷ against".

    ``std_error`` is on the analysis scale. ``interval`` and ``p`` carry the same adjustment. ``margin_interval`` is the
    interval of level 1−2α of the same family, for equivalence; ``alone`` and ``margin_alone`` are the same two without
    adjustment, for a file with exactly one claim and ``family = "claim only"``. ``bins`` = (treatment, against).
    ``level_attained`` is that of a bound, which has no other. ``rerandomised``: the effects that the layout drawn again
    does not reject, unadjusted as ``rerandomisation_p`` is; None where its floor is too high, or has no such test.
    """

    outcome: Outcome
    plan: Plan
    treatment: str
    against: str | None
    kind: Kind
    estimate: float
    interval: Interval
    margin_interval: Interval
    alone: Interval
    margin_alone: Interval
    std_error: float | None
    df: float | None
    p: float | None
    bins: tuple[int, int]
    role: Role = "exploratory"
    method: str = ""
    level_attained: float | None = None
    rerandomisation_p: float | None = None
    rerandomisation_floor: float | None = None
    rerandomised: Interval | None = None


@dataclass(frozen=True)
class CouldShow:
    """What a trial with this spread could have shown with probability ``chance``.

    ``effect``: the smallest true effect whose interval leaves out no effect. ``supporting``: the smallest truth that
    supports the claim. ``bins_each``: the bins a treatment that would settle the claim if the truth were what was
    estimated, None where no feasible number would. Scale and direction are the claim's.
    """

    effect: float
    supporting: float
    bins_each: int | None
    chance: float


@dataclass(frozen=True)
class Verdict:
    """What may be said of one claim. ``beyond_no_effect`` says whether the interval excludes no effect, and which way:
    +1 as claimed, -1 against, 0 it does not. ``inside_margin`` says whether the margin interval lies inside the
    claim's equivalence margin (None without a margin). ``could_show`` comes with "cannot tell" where it can be
    computed. Words are made in the report.
    """

    claim: Claim
    call: Call
    comparison: Comparison | None
    interval: Interval | None
    margin_interval: Interval | None
    beyond_no_effect: Literal[-1, 0, 1]
    inside_margin: bool | None
    stated_before_data: bool
    reasons: tuple[str, ...] = ()
    could_show: CouldShow | None = None


# ---------------------------------------------------------------- the whole answer
@dataclass(frozen=True)
class Sensitivity:
    """The answer with one thing changed: ``what`` in {"left out", "scale", "variances"}, ``name`` which.

    ``call`` of the claim with the text ``claim``; None where the comparison carries no claim, or does not answer it.
    ``estimate`` is NaN where the comparison cannot be made any more (``call`` "not_answerable"). ``method``: how it was
    made, where leaving something out led to another way than the answer's; else "".
    """

    what: str
    name: str
    treatment: str
    against: str
    estimate: float
    low: float | None
    high: float | None
    call: Call | None = None
    claim: str | None = None
    method: str = ""


@dataclass(frozen=True)
class Answer:
    """One outcome from bin values to comparisons; what was refused stands in its place as a Refusal.

    ``levels``: each treatment by itself, of a time. ``curve_checks``: of a decay rate, one a comparison.
    ``finish_curves``: of a time, one a treatment.
    """

    name: str
    role: Role
    values: BinValues | Refusal
    fit: Fit | Refusal
    comparisons: tuple[Comparison | Refusal, ...]
    sensitivity: tuple[Sensitivity, ...] = ()
    rerandomisation: Rerandomisation | None = None
    factors: tuple[Comparison | Refusal, ...] = ()
    partition: Partition | None = None
    levels: tuple[Comparison | Refusal, ...] = ()
    curve_checks: tuple[CurveCheck, ...] = ()
    finish_curves: tuple[FinishCurve, ...] = ()


@dataclass(frozen=True)
class SecondOpinion:
    """What other software finds on the same bin values: (what, ours or None, theirs), on the analysis scale."""

    outcome: str
    by: str
    method: str
    rows: tuple[tuple[str, float | None, float], ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Analysis:
    """Everything a report needs: the trial, one answer an outcome, one verdict a claim, the ``maturity`` of bins."""

    trial: Trial
    answers: tuple[Answer, ...]
    verdicts: tuple[Verdict, ...]
    version: str = ""
    maturity: tuple[BinMaturity, ...] = ()


# ---------------------------------------------------------------- what goes with an answer
@dataclass(frozen=True)
class Rerandomisation:
    """The layout drawn again: how many of the layouts that could have been drawn set treatments as far apart as here.

    ``floor`` is the smallest p this layout can give. ``layouts`` were counted: all of them where ``exact``, drawn
    at random (fixed seed) elsewhere. ``p`` is None where the floor is 1, ``reason`` then says why; ``note`` is a
    sentence.
    """

    p: float | None
    floor: float
    layouts: int
    exact: bool
    reason: str = ""
    note: str = ""


@dataclass(frozen=True)
class PartitionStep:
    """One part of the whole effect: what ``treatment`` adds to ``against``, on the scale shown."""

    name: Literal["water and handling", "carrier", "live organisms", "total"]
    treatment: str
    against: str
    estimate: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Partition:
    """A whole effect taken apart into steps that multiply (``kind`` "ratio") or add up ("difference") to ``total``.

    Every interval is that of the comparison of the two treatments, in the family that it belongs to.
    """

    outcome: Outcome
    kind: Kind
    steps: tuple[PartitionStep, ...]
    total: PartitionStep
    level: float
    adjustment: Adjustment


@dataclass(frozen=True)
class CurveCheck:
    """What becomes of a rate ratio "treatment ÷ against" when rates are had otherwise, and the time ratio beside it.

    ``ratio`` the one in force and ``half_width`` of its interval on the log scale. ``stretched`` the ratio from curves
    with a free shape (rates compared by half-times), ``moved`` by how much its log differs, on the same bins;
    ``stretched_bins`` of each treatment had such a curve. ``known`` ratio, low, high with the variance of every k taken
    as known. ``time`` ratio, low, high of the trial's ``time_outcome``. None where it could not be had; ``reasons`` say
    why, and where rate and time disagree. ``end_levels``: mean fitted end level, as a share of the start, of the two.
    """

    treatment: str
    against: str
    ratio: float
    half_width: float
    stretched: float | None = None
    moved: float | None = None
    stretched_bins: tuple[int, int] | None = None
    known: tuple[float, float, float] | None = None
    time: tuple[float, float | None, float | None] | None = None
    time_outcome: str | None = None
    end_levels: tuple[float, float] | None = None
    reasons: tuple[str, ...] = ()

    @property
    def moves_too_far(self) -> bool | None:
        """Whether the curve with a free shape moves the ratio by more than its half-width; None where none was had."""
        return None if self.moved is None else abs(self.moved) > self.half_width


@dataclass(frozen=True)
class FinishCurve:
    """How many bins of one treatment had finished by when, without a model (Turnbull's curve).

    ``mass`` (m,) of its ``bins`` finished in (``start``, ``end``], as shares; ``end`` None beyond the last visit.
    """

    treatment: str
    bins: int
    start: tuple[float, ...]
    end: tuple[float | None, ...]
    mass: tuple[float, ...]
