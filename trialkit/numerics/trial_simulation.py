"""Simulated trials by the thousand, analysed by the functions that analyse a real one, and their calls counted.

A bin's value is effect (treatment 1 only) + block + error, all on the analysis scale; the error is normal with the
between-bin standard deviation, blocks are normal with their own. The same stream of random numbers gives the same
counts, so work may be cut into chunks and done anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.numerics.analysis_cases import AnalysisCase, critical_values, family_critical
from trialkit.numerics.kenward_roger import df_with_one_inside
from trialkit.numerics.many_responses import least_squares_responses, many_responses
from trialkit.numerics.precision import CALLS
from trialkit.numerics.strata import fit_strata, strata_design
from trialkit.numerics.unequal_variances import blocks_by_treatment, completely_random_by_treatment

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SimulatedIntervals:
    """``estimate, half, margin_half`` (S,): NaN halves where the analysis refused the trial."""

    estimate: Array
    half: Array
    margin_half: Array


@dataclass(frozen=True)
class Tally:
    """Counts over trials. ``calls`` in the order of ``precision.CALLS``; ``excluding`` those whose interval excludes no
    effect, ``wrong_sign`` of them against the truth, ``size`` the sum of their |estimate|, ``half`` of all half-widths.
    """

    trials: int = 0
    calls: tuple[int, ...] = (0,) * len(CALLS)
    excluding: int = 0
    wrong_sign: int = 0
    size: float = 0.0
    half: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.trials + other.trials,
            tuple(a + b for a, b in zip(self.calls, other.calls, strict=True)),
            self.excluding + other.excluding,
            self.wrong_sign + other.wrong_sign,
            self.size + other.size,
            self.half + other.half,
        )


def simulate_intervals(
    case: AnalysisCase,
    trials: int,
    random: np.random.Generator,
    *,
    std_deviation: float,
    block_deviation: float = 0.0,
    effect: float = 0.0,
    level: float = 0.95,
) -> SimulatedIntervals:
    """Draw ``trials`` trials with these bins and analyse each by the case's method."""
    bins = case.bins
    y = random.normal(0.0, std_deviation, size=(bins.treatment.size, trials))
    if block_deviation > 0.0:
        for code in (bins.block, bins.row, bins.column):
            if code is not None:
                y += random.normal(0.0, block_deviation, size=(int(code.max()) + 1, trials))[code]
    y[bins.treatment == 1] += effect
    nothing = np.full(trials, np.nan)
    if case.method == "none":
        return SimulatedIntervals(nothing, nothing, nothing)
    try:
        estimate, std_error, df, correlation = _analysed(case, y)
    except DesignError:
        return SimulatedIntervals(nothing, nothing, nothing)
    if np.isnan(case.df):
        critical, margin_critical = family_critical(case, level, df, correlation)
        return SimulatedIntervals(estimate, critical * std_error, margin_critical * std_error)
    fixed, margin_fixed = critical_values(case, level)
    return SimulatedIntervals(estimate, fixed * std_error, margin_fixed * std_error)


def calls_of(found: SimulatedIntervals, claim: float, margin: tuple[float, float] | None) -> NDArray[np.intp]:
    """The call of each interval, (S,) positions in ``precision.CALLS``; the rows of the verdict in their order."""
    low, high = found.estimate - found.half, found.estimate + found.half
    short = high < claim
    inside = np.zeros(low.size, dtype=bool)
    if margin is not None:
        inside = found.estimate - found.margin_half > margin[0]
        inside &= found.estimate + found.margin_half < margin[1]
    conditions = [np.isnan(found.half), low >= claim, short & (low > 0.0) & ~inside, inside, short]
    names = ("not_answerable", "support", "less_than_claimed", "no_difference", "contradict")
    return np.select(conditions, [CALLS.index(name) for name in names], CALLS.index("cannot_tell")).astype(np.intp)


def tally(found: SimulatedIntervals, claim: float, margin: tuple[float, float] | None, effect: float) -> Tally:
    """Count calls and what the intervals that exclude no effect say."""
    excluding = np.abs(found.estimate) > found.half  # False where refused
    wrong = excluding & (found.estimate * effect < 0.0)
    counts = np.bincount(calls_of(found, claim, margin), minlength=len(CALLS))
    return Tally(
        trials=found.half.size,
        calls=tuple(int(count) for count in counts),
        excluding=int(excluding.sum()),
        wrong_sign=int(wrong.sum()),
        size=float(np.abs(found.estimate[excluding]).sum()),
        half=float(np.nansum(found.half)),
    )


def _analysed(case: AnalysisCase, y: Array) -> tuple[Array, Array, Array, Array]:
    """Estimate, standard error and df (S,) of treatment 1 − treatment 0; mean correlation of its family, or NaN."""
    unknown = np.full(y.shape[1], np.nan)
    bins = case.bins
    arms = int(bins.treatment.max()) + 1
    if case.method == "random blocks":
        return _analysed_random_blocks(case, y)
    if case.method == "by treatment":
        apart = completely_random_by_treatment(y, bins.treatment, treatments=arms)
        return apart.differences[1, 0], apart.std_errors[1, 0], apart.df[1, 0], unknown
    if case.method == "paired differences":
        paired = blocks_by_treatment(y, bins.treatment, bins.block, treatments=arms)  # type: ignore[arg-type]
        return paired.differences[1, 0], paired.std_errors[1, 0], paired.df[1, 0], unknown
    if bins.row is not None and bins.column is not None:
        parts = [np.eye(int(code.max()) + 1)[code] for code in (bins.treatment, bins.row, bins.column)]
        weights = np.zeros(sum(part.shape[1] for part in parts))
        weights[:2] = -1.0, 1.0
        square = least_squares_responses(y, np.hstack(parts), weights)
        return square.estimate, square.std_error, np.full(y.shape[1], float(square.df)), unknown
    block = None if bins.block is None else np.unique(bins.block, return_inverse=True)[1]
    design = strata_design(bins.treatment, block, treatments=arms)
    fit = fit_strata(design, y)
    return fit.differences[1, 0], fit.std_errors[1, 0], np.full(y.shape[1], float(design.error_df)), unknown


def _analysed_random_blocks(case: AnalysisCase, y: Array) -> tuple[Array, Array, Array, Array]:
    """Kenward-Roger, blocks random. Correlations follow from the variances of contrasts and of their differences."""
    assert case.bins.block is not None
    present = np.unique(case.bins.treatment)
    fixed = (case.bins.treatment[:, None] == present).astype(float)
    arms = [arm for arm in present if arm > 0] if case.comparisons > 1 else [1]
    arms.sort(key=lambda arm: arm != 1)  # treatment 1 first
    contrasts = np.array([(present == arm) * 1.0 - (present == 0) for arm in arms])
    pairs = list(combinations(range(len(arms)), 2))
    rows = np.vstack([contrasts, *(contrasts[i] - contrasts[j] for i, j in pairs)])
    found = many_responses(y, fixed, case.bins.block, rows, bounded=True)
    block = np.unique(case.bins.block, return_inverse=True)[1]
    inside = strata_design(case.bins.treatment, block, treatments=int(present.max()) + 1).error_df
    df = df_with_one_inside(found.df[0]) if inside == 1 else found.df[0]
    if not pairs:
        return found.estimate[0], found.std_error[0], df, np.full(y.shape[1], np.nan)
    variance = found.std_error**2
    own = variance[: len(arms)]
    between = [
        (own[i] + own[j] - apart) / (2.0 * np.sqrt(own[i] * own[j]))
        for (i, j), apart in zip(pairs, variance[len(arms) :], strict=True)
    ]
    mean = np.mean(between, axis=0)
    # Where one contrast of the family is refused, the correlation of complete blocks stands in.
    return found.estimate[0], found.std_error[0], df, np.where(np.isfinite(mean), mean, 0.5)
