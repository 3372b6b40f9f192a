"""How the bins that are left will be analysed, and the law of the interval that follows.

The rule is that of the analysis itself: pooled error, or a variance a treatment from 5 bins an arm; blocks fixed,
paired differences from 6 complete blocks, blocks random with Kenward-Roger where one error degree of freedom is left
inside blocks or the two treatments are not connected inside them. Treatment 1 is compared with treatment 0, in the
family of all treatments against treatment 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.interpolate import RectBivariateSpline

from trialkit.numerics.loss_patterns import BinCodes
from trialkit.numerics.precision import IntervalLaw, pooled_law, welch_law
from trialkit.numerics.simultaneous import simultaneous_quantile
from trialkit.numerics.strata import strata_design

Array = NDArray[np.float64]
Method = Literal["common variance", "by treatment", "paired differences", "random blocks", "none"]
Variances = Literal["common", "by treatment"]
Family = Literal["all", "claim only"]

BINS_PER_TREATMENT, COMPLETE_BLOCKS, _FEWEST = 5, 6, 3


@dataclass(frozen=True, eq=False)
class AnalysisCase:
    """One set of bins and how it is analysed.

    ``df`` and ``unit_variance`` (variance of the estimate ÷ σ²) for the methods whose df are fixed by the bins, else
    NaN; ``correlation`` (K, K) of the family where it shares one variance, else None; ``counts`` bins of treatment 0
    and 1, or their complete pairs twice. ``comparisons`` K: intervals that hold together.
    """

    bins: BinCodes
    method: Method
    df: float
    unit_variance: float
    correlation: Array | None
    comparisons: int
    counts: tuple[int, int]


def analysis_case(bins: BinCodes, variances: Variances | None = None, family: Family = "all") -> AnalysisCase:
    """The method these bins lead to; "none" where they allow no interval."""
    arms = np.unique(bins.treatment)
    counts = (int(np.sum(bins.treatment == 0)), int(np.sum(bins.treatment == 1)))
    comparisons = max(int(np.sum(arms > 0)), 1) if family == "all" else 1
    none = AnalysisCase(bins, "none", float("nan"), float("nan"), None, comparisons, counts)
    if min(counts) < 1:
        return none
    if bins.row is not None and bins.column is not None:
        return _latin_square(bins, comparisons, none)
    if bins.block is None:
        each = np.bincount(bins.treatment)
        each = each[each > 0]
        apart = variances == "by treatment" or (variances is None and each.min() >= BINS_PER_TREATMENT)
        if apart and each.min() >= _FEWEST:
            unit_variance = 1 / counts[0] + 1 / counts[1]
            return AnalysisCase(bins, "by treatment", float("nan"), unit_variance, None, comparisons, counts)
    else:
        filled = np.zeros((int(bins.treatment.max()) + 1, int(bins.block.max()) + 1), dtype=bool)
        filled[bins.treatment, bins.block] = True
        complete = int(np.all(filled[arms], axis=0).sum())
        pairs = int(np.sum(filled[0] & filled[1]))
        with_control = [int(np.sum(filled[0] & filled[arm])) for arm in arms if arm > 0]
        apart = variances == "by treatment" or (variances is None and complete >= COMPLETE_BLOCKS)
        if apart and min(with_control) >= _FEWEST:
            return AnalysisCase(bins, "paired differences", pairs - 1.0, 2.0 / pairs, None, comparisons, (pairs, pairs))
    design = strata_design(bins.treatment, _renumbered(bins.block), treatments=int(bins.treatment.max()) + 1)
    if design.error_df < 1:
        return none
    others = arms[arms > 0]
    if bins.block is not None and (
        (design.error_df == 1 and design.block_df >= 1) or not design.connected[0, others].all()
    ):
        return AnalysisCase(bins, "random blocks", float("nan"), float("nan"), None, comparisons, counts)
    unit = design.unit_covariance
    covariance = unit[np.ix_(others, others)] - unit[others, 0][:, None] - unit[0, others][None, :] + unit[0, 0]
    return _common(bins, float(design.error_df), covariance, list(others).index(1), comparisons, counts)


def interval_law(case: AnalysisCase, std_deviation: float, level: float) -> IntervalLaw | None:
    """Its law where that is known exactly; None for random blocks and where there is no interval."""
    alpha = 1.0 - level
    spread = std_deviation * np.sqrt(case.unit_variance)
    if case.method in ("random blocks", "none"):
        return None
    if case.method == "by treatment" and np.isnan(case.df):
        return welch_law(std_deviation, case.counts, alpha / case.comparisons)
    return pooled_law(float(spread), case.df, *critical_values(case, level))


def critical_values(case: AnalysisCase, level: float) -> tuple[float, float]:
    """Of the interval and of the margin interval (level 1 − 2α), at the case's own df."""
    if case.correlation is not None and case.comparisons > 1:
        return _simultaneous(case, level, case.df), _simultaneous(case, 2.0 * level - 1.0, case.df)
    alpha = (1.0 - level) / case.comparisons
    return float(special.stdtrit(case.df, 1.0 - 0.5 * alpha)), float(special.stdtrit(case.df, 1.0 - alpha))


def family_critical(case: AnalysisCase, level: float, df: Array, correlation: Array) -> tuple[Array, Array]:
    """The two critical values where df (S,) and, in random blocks, the mean correlation (S,) differ between trials.

    The family of random blocks shares a variance: with two comparisons this is exact up to a spline over 1/df and the
    correlation (below 1e-3), with more the correlations are taken as equal.
    """
    if case.comparisons == 1 or case.method != "random blocks":
        alpha = (1.0 - level) / case.comparisons
        return np.asarray(special.stdtrit(df, 1.0 - 0.5 * alpha)), np.asarray(special.stdtrit(df, 1.0 - alpha))
    known = np.isfinite(df)
    found = np.full((2, df.size), np.nan)
    for row, spline in zip(found, _family_splines(case.comparisons, level), strict=True):
        row[known] = np.exp(spline.ev(np.minimum(1.0 / df[known], 1.0), np.clip(correlation[known], 0.0, 0.95)))
    return found[0], found[1]


@lru_cache(maxsize=16)
def _family_splines(comparisons: int, level: float) -> tuple[RectBivariateSpline, RectBivariateSpline]:
    inverse_df, shared = np.linspace(0.01, 1.0, 16), np.array([0.0, 0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.88, 0.95])

    def surface(at: float) -> RectBivariateSpline:
        height = np.empty((inverse_df.size, shared.size))
        for j, rho in enumerate(shared):
            correlation = np.full((comparisons, comparisons), rho) + (1.0 - rho) * np.eye(comparisons)
            for i, x in enumerate(inverse_df):
                height[i, j] = np.log(float(simultaneous_quantile(at, 1.0 / x, correlation)))
        return RectBivariateSpline(inverse_df, shared, height)

    return surface(level), surface(2.0 * level - 1.0)


def _simultaneous(case: AnalysisCase, level: float, df: float) -> float:
    assert case.correlation is not None
    rounded = np.round(case.correlation, 10)
    return _quantile(level, df, tuple(map(tuple, rounded.tolist())))


@lru_cache(maxsize=4096)
def _quantile(level: float, df: float, correlation: tuple[tuple[float, ...], ...]) -> float:
    return float(simultaneous_quantile(level, df, np.array(correlation)))


def _latin_square(bins: BinCodes, comparisons: int, none: AnalysisCase) -> AnalysisCase:
    """Rows and columns fixed."""
    assert bins.row is not None and bins.column is not None
    parts = [np.eye(int(code.max()) + 1)[code] for code in (bins.treatment, bins.row, bins.column)]
    design = np.hstack(parts)
    rank = int(np.linalg.matrix_rank(design))
    df = bins.treatment.size - rank
    arms = parts[0].shape[1]
    weights = np.zeros((arms - 1, design.shape[1]))
    weights[:, 0] = -1.0
    weights[np.arange(arms - 1), np.arange(1, arms)] = 1.0
    inverse = np.linalg.pinv(design)
    estimable = np.abs(weights @ inverse @ design - weights).max() < 1e-8
    if df < 1 or not estimable:
        return none
    rows = weights @ inverse
    return _common(bins, float(df), rows @ rows.T, 0, comparisons, none.counts)


def _common(
    bins: BinCodes, df: float, covariance: Array, own: int, comparisons: int, counts: tuple[int, int]
) -> AnalysisCase:
    spread = np.sqrt(np.diag(covariance))
    correlation = np.clip(covariance / np.outer(spread, spread), -1.0, 1.0)
    np.fill_diagonal(correlation, 1.0)
    shared = correlation if comparisons > 1 else None
    return AnalysisCase(bins, "common variance", df, float(covariance[own, own]), shared, comparisons, counts)


def _renumbered(block: NDArray[np.intp] | None) -> NDArray[np.intp] | None:
    return None if block is None else np.unique(block, return_inverse=True)[1].astype(np.intp)
