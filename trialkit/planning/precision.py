"""How many bins, and what they can tell: the precision of a trial before it is run.

Two treatments are compared, the one claimed for with the control, on the log scale: ratio 1.6 means "at least 1.6
times as much as the control", ratio 0.6 "at most 0.6 times". Chances are exact where the law of the interval is known
(noncentral t for a pooled error, its two-variance form for Welch-Satterthwaite, mixed over every pattern of lost bins);
where blocks are analysed as random they come from 20,000 simulated trials with a fixed seed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.errors import DesignError
from trialkit.numerics.analysis_cases import AnalysisCase, Family, Variances, analysis_case, interval_law
from trialkit.numerics.loss_patterns import LossPattern, loss_patterns, planned_bins
from trialkit.numerics.precision import (
    IntervalLaw,
    call_chances,
    exclusion,
    expected_half_width,
    mixed_law,
    simulated_law,
    smallest_claim_ruled_out,
    smallest_effect_shown,
    smallest_truth_supporting,
)
from trialkit.numerics.trial_simulation import simulate_intervals
from trialkit.planning.precision_inputs import Equivalence, Question, checked_question
from trialkit.planning.rerandomisation_floor import floor_under_rule, omnibus_floor, pair_floor

MOST_BINS = 500  # a treatment: more is not feasible for anybody who reads this
_SIMULATED = 20_000
_FEWEST_SIMULATED = 2_000  # of one pattern of lost bins
TRUTHS = ("claim true", "half true", "nothing")


@dataclass(frozen=True)
class LostBins:
    """The same trial with ``lost`` bins gone, wherever they stood."""

    lost: int
    half_width: float
    smallest_ratio_shown: float | None
    power: float
    not_answerable: float


@dataclass(frozen=True)
class Precision:
    """What a trial can be expected to tell. Ratios are treated ÷ control; half_width is on the log scale.

    ``cv`` coefficient of variation between bins treated alike (within a block, where there are blocks), ``sd_log`` its
    standard deviation on the log scale, √ln(1 + CV²). ``half_ratio``: "half true" is half of the claim on the log
    scale, √ratio. ``expected_low, expected_high``: the interval to expect if the claim is true, centred on it.

    ``smallest_ratio_shown``: smallest true ratio whose interval excludes no effect with probability ``chance``;
    ``smallest_ratio_ruled_out``: smallest claim the interval falls short of, with that probability, if nothing happens;
    ``true_ratio_to_support``: true ratio with which the claim itself is supported with that probability. Each is None
    where no ratio reaches it, and is below 1 where the claimed ratio is.

    ``power``: chance that the interval excludes no effect if the claim is true, ``power_half`` if it is half true.
    ``calls``: chance of each call under "claim true", "half true" and "nothing". ``exaggeration``: mean size, on the
    log scale, of the estimates whose interval excludes no effect ÷ true size; ``wrong_sign``: share of them on the
    wrong side. ``rerandomisation_floor``: the smallest p that re-randomising these two treatments can give;
    ``omnibus_floor`` all treatments together. ``bins_needed`` a treatment for power ``chance``, None above 500.
    ``method``: how most such trials will be analysed; ``df`` of the interval where the bins fix it. ``simulated``:
    whether chances come from simulated trials.
    """

    treatments: int
    layout: str
    bins_per_treatment: int
    bins: int
    lost: int
    cv: float
    sd_log: float
    ratio: float
    half_ratio: float
    level: float
    chance: float
    family: str
    equivalence: tuple[float, float] | None
    method: str
    df: float | None
    half_width: float
    expected_low: float
    expected_high: float
    smallest_ratio_shown: float | None
    smallest_ratio_ruled_out: float | None
    true_ratio_to_support: float | None
    power: float
    power_half: float
    calls: Mapping[str, Mapping[str, float]]
    exaggeration: Mapping[str, float]
    wrong_sign: Mapping[str, float]
    rerandomisation_floor: float
    omnibus_floor: float
    bins_needed: int | None
    with_lost: tuple[LostBins, ...]
    simulated: bool
    seed: int
    notes: tuple[str, ...] = ()


def precision(
    treatments: int = 2,
    layout: str = "completely random",
    bins_per_treatment: int = 4,
    cv: float = 0.20,
    ratio: float = 1.6,
    lost: int = 0,
    level: float = 0.95,
    seed: int = 1,
    *,
    chance: float = 0.8,
    equivalence: Equivalence = "usual",
    variances: Variances | None = None,
    family: Family = "all",
    block_ratio: float = 1.0,
) -> Precision:
    """What this trial can tell of "at least ``ratio`` times", one treatment beside the control.

    treatments: arms, the control among them. layout: "completely random", "blocks" (one bin of each treatment a block)
    or "latin square". cv: a fraction, 0.20 for 20 %. lost: bins lost, every set of them equally likely. chance: what
    counts as reliable. equivalence: margin of ratios within which treatments count as equal, None for none; "usual" is
    0.80 to 1.25 where the claim lies outside it. variances: "common", "by treatment", None for the rule of the
    analysis. family: "all" intervals against the control hold together, or "claim only". block_ratio: standard
    deviation between blocks ÷ between bins; it matters only where blocks are analysed as random.

    DesignError, all problems at once, for numbers outside what is allowed.
    """
    asked = checked_question(
        treatments,
        layout,
        bins_per_treatment,
        cv,
        ratio,
        lost,
        level,
        chance,
        equivalence,
        variances,
        family,
        block_ratio,
    )
    law, cases, patterns, simulated = _law(asked, bins_per_treatment, lost, seed)
    shown = _upward(asked, smallest_effect_shown(law, chance))
    truths = {"claim true": asked.claim, "half true": 0.5 * asked.claim, "nothing": 0.0}
    exclusions = {name: exclusion(law, effect) for name, effect in truths.items()}
    half = expected_half_width(law)
    if math.isnan(half):
        raise DesignError(
            f"{treatments} treatments of {bins_per_treatment} {_bins(bins_per_treatment)} with {lost} lost leave no "
            "error to measure a difference by. Plan more bins: two blocks or two bins a treatment at the very least."
        )
    ends = sorted((_upward(asked, asked.claim - half), _upward(asked, asked.claim + half)), key=lambda end: end or 0.0)
    needed = bins_needed(
        treatments, layout, cv, ratio, level, chance=chance, variances=variances, family=family, block_ratio=block_ratio
    )
    dfs = {case.df for case in cases}
    only = dfs.pop() if len(dfs) == 1 else float("nan")
    return Precision(
        treatments=treatments,
        layout=layout,
        bins_per_treatment=bins_per_treatment,
        bins=treatments * bins_per_treatment - lost,
        lost=lost,
        cv=cv,
        sd_log=asked.sd_log,
        ratio=ratio,
        half_ratio=math.sqrt(ratio),
        level=level,
        chance=chance,
        family=family,
        equivalence=asked.equivalence,
        method=cases[0].method,
        df=None if math.isnan(only) else only,
        half_width=half,
        expected_low=float(ends[0] or 0.0),
        expected_high=float(ends[1] or math.inf),
        smallest_ratio_shown=shown,
        smallest_ratio_ruled_out=_upward(asked, smallest_claim_ruled_out(law, chance)),
        true_ratio_to_support=_upward(asked, smallest_truth_supporting(law, asked.claim, chance)),
        power=exclusions["claim true"].power,
        power_half=exclusions["half true"].power,
        calls={name: call_chances(law, effect, asked.claim, asked.margin) for name, effect in truths.items()},
        exaggeration={name: exclusions[name].exaggeration for name in TRUTHS[:2]},
        wrong_sign={name: exclusions[name].wrong_sign for name in TRUTHS[:2]},
        rerandomisation_floor=max(pair_floor(pattern.bins) for pattern in patterns),
        omnibus_floor=max(omnibus_floor(pattern.bins) for pattern in patterns),
        bins_needed=needed,
        with_lost=_with_lost(asked, bins_per_treatment, lost, seed),
        simulated=simulated,
        seed=seed,
        notes=_notes(asked, needed, simulated) + _rule_notes(asked, bins_per_treatment),
    )


def precision_curve(
    bins_per_treatment: Sequence[int] = tuple(range(3, 13)), **question: object
) -> tuple[Precision, ...]:
    """``precision`` for each number of bins a treatment; the other arguments are those of ``precision``."""
    if not bins_per_treatment:
        raise DesignError("bins_per_treatment: found an empty list; expected one number or more, such as 3, 4, 5.")
    return tuple(precision(bins_per_treatment=bins, **question) for bins in bins_per_treatment)  # type: ignore[arg-type]


def bins_needed(
    treatments: int = 2,
    layout: str = "completely random",
    cv: float = 0.20,
    ratio: float = 1.6,
    level: float = 0.95,
    *,
    chance: float = 0.8,
    variances: Variances | None = None,
    family: Family = "all",
    block_ratio: float = 1.0,
) -> int | None:
    """Fewest bins a treatment whose interval excludes no effect with probability ``chance`` if the ratio is true.

    None where more than 500 would be needed. A Latin square has no choice of bins: None, or its own number.
    """
    asked = checked_question(
        treatments, layout, max(2, treatments), cv, ratio, 0, level, chance, None, variances, family, block_ratio
    )

    def enough(bins: int) -> bool:
        law = _law(asked, bins, 0, seed=1)[0]
        return law.weight.size > 0 and exclusion(law, asked.claim).power >= chance

    if asked.layout == "latin square":
        return treatments if enough(treatments) else None
    # The rule of the analysis changes at 5 bins and 6 blocks and may cost precision there: no bisection below twelve.
    for high in range(2, 13):
        if enough(high):
            return high
    while not enough(high):
        if high >= MOST_BINS:
            return None
        high = min(2 * high, MOST_BINS)
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _law(
    asked: Question, bins: int, lost: int, seed: int
) -> tuple[IntervalLaw, tuple[AnalysisCase, ...], tuple[LossPattern, ...], bool]:
    patterns = loss_patterns(planned_bins(asked.layout, asked.treatments, bins), lost, seed)
    cases = tuple(analysis_case(pattern.bins, asked.variances, asked.family) for pattern in patterns)
    laws, shares, simulated = [], [], False
    for number, (pattern, case) in enumerate(zip(patterns, cases, strict=True)):
        law = interval_law(case, asked.sd_log, asked.level)
        if case.method == "random blocks":
            law, simulated = _simulated(asked, case, seed, number, pattern.chance), True
        if law is not None:
            laws.append(law)
            shares.append(pattern.chance)
    return mixed_law(laws, shares), cases, patterns, simulated


def _simulated(asked: Question, case: AnalysisCase, seed: int, number: int, share: float) -> IntervalLaw:
    trials = max(int(_SIMULATED * share), _FEWEST_SIMULATED)
    found = simulate_intervals(
        case,
        trials,
        np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,))),
        std_deviation=asked.sd_log,
        block_deviation=asked.block_ratio * asked.sd_log,
        level=asked.level,
    )
    kept = np.isfinite(found.half)
    return simulated_law(found.estimate[kept], found.half[kept], found.margin_half[kept], trials)


def _with_lost(asked: Question, bins: int, lost: int, seed: int) -> tuple[LostBins, ...]:
    rows = []
    for further in (lost + 1, lost + 2):
        if further >= asked.treatments * bins - 1:
            break
        law = _law(asked, bins, further, seed)[0]
        answered = float(law.weight.sum())
        if answered <= 0.0:
            break
        rows.append(
            LostBins(
                lost=further,
                half_width=expected_half_width(law),
                smallest_ratio_shown=_upward(asked, smallest_effect_shown(law, asked.chance)),
                power=exclusion(law, asked.claim).power,
                not_answerable=max(0.0, 1.0 - answered),
            )
        )
    return tuple(rows)


def _upward(asked: Question, effect: float) -> float | None:
    """An effect counted as claimed, as a ratio of treated to control; None where it is infinite or beyond 1e6."""
    if not abs(effect) < math.log(1e6):
        return None
    return math.exp(-effect if asked.downward else effect)


def _notes(asked: Question, needed: int | None, simulated: bool) -> tuple[str, ...]:
    notes = []
    if needed is None and asked.layout != "latin square":
        notes.append(
            f"No feasible number of bins settles this claim: more than {MOST_BINS} bins a treatment would be needed to "
            f"tell a ratio of {asked.ratio:g} from none with a chance of {asked.chance:.0%}. Measure something that "
            "varies less between bins, or test a larger claim."
        )
    if asked.margin_left_out:
        notes.append(
            f"The claim lies inside the usual margin of 0.80 to 1.25, so no margin was set: {asked.ratio:g} would "
            "count as no difference there."
        )
    if simulated:
        notes.append(
            f"In some of these trials blocks are analysed as random; their chances come from {_SIMULATED} simulated "
            f"trials, blocks varying {asked.block_ratio:g} times as much as bins."
        )
    return tuple(notes)


def _rule_notes(asked: Question, bins_per_treatment: int) -> tuple[str, ...]:
    """What the default redraw rule does to the floor of two treatments, where that floor matters at this level."""
    if asked.treatments != 2 or asked.layout == "latin square":
        return ()
    bins = planned_bins(asked.layout, 2, bins_per_treatment)
    free = pair_floor(bins)
    under = floor_under_rule(bins) if free > 0.1 * (1.0 - asked.level) else None
    if under is None or under[1] <= free:
        return ()
    return (
        f'A layout drawn under the usual redraw rule ("{under[0]}") leaves fewer layouts to compare with: no p '
        f"below {under[1]:.3g} instead of {free:.3g}.",
    )


def _bins(count: int) -> str:
    return "bin" if count == 1 else "bins"
