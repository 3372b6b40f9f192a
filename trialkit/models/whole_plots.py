"""Split plots, the strata of whole plots: what differs between groups of bins that share one level of a factor."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.models.measured import Measured, listed
from trialkit.numerics.kenward_roger import SmallSample, contrast_estimate, small_sample
from trialkit.numerics.reml import fit_reml
from trialkit.numerics.strata import StrataDesign, StrataFit, fit_strata, strata_design
from trialkit.numerics.variance_structures import DesignVariance, variance_structure
from trialkit.numerics.whole_plots import (
    FEW_WHOLE_PLOT_DF,
    Replication,
    blocks_and_treatments,
    cautious_df,
    mixed_variance,
    replication,
    whole_plot_map,
)

BOTH = "bins and whole plots, Satterthwaite"
CAUTIOUS = "bins and whole plots, few whole plots (conservative)"
BOUNDED = "bins and whole plots, Kenward–Roger (conservative)"

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class SplitPlot:
    """``levels`` of the whole-plot ``factor``, ``of_treatment`` (T,) level codes; ``plot``, ``block`` (n,) codes."""

    factor: str
    levels: tuple[str, ...]
    of_treatment: Codes
    plot: Codes
    block: Codes


@dataclass(frozen=True, eq=False)
class WholePlots:
    """One value a whole plot, analysed with blocks fixed. ``map`` (P, n); ``level`` (P,); ``inside`` is how much of the
    variance of bins the mean square holds."""

    map: Array
    level: Codes
    design: StrataDesign
    fit: StrataFit
    inside: float


def whole_plots_of(found: Measured, part: SplitPlot, design: StrataDesign) -> WholePlots | str:
    to_value = whole_plot_map(design, found.treatment, part.plot, part.of_treatment)
    first = np.array([np.flatnonzero(part.plot == p)[0] for p in range(len(to_value))])
    level = part.of_treatment[found.treatment[first]]
    if np.unique(level).size < 2:
        return f"Only one level of {part.factor} has a value, so there is nothing to compare it with."
    lacking = sorted({part.levels[k] for k in level[~np.isfinite(to_value).all(axis=1)]})
    if lacking:
        return (
            f"At {part.factor} {listed(lacking)} the bins that are left do not connect all treatments, so its "
            "whole plots "
            "cannot be averaged over the same treatments as the others."
        )
    plots = strata_design(level, np.unique(part.block[first], return_inverse=True)[1], treatments=len(part.levels))
    if plots.error_df < 1:
        return (
            f"What {part.factor} does is judged by whole plots, and these {level.size} whole plots leave nothing "
            "to show "
            "how much whole plots treated alike differ, however many bins stand in each. One more whole plot of each "
            "level would be needed."
        )
    centre = found.y.mean()
    fit = fit_strata(plots, to_value @ (found.y - centre))
    share = float(np.trace(plots.error_projection @ to_value @ to_value.T)) / plots.error_df
    return WholePlots(to_value, level, plots, fit, share)


# ---------------------------------------------------------------- between whole plots
@dataclass(frozen=True, eq=False)
class Between:
    """``differences``, ``std_errors``, ``df`` (T, T) of treatments at different levels, NaN elsewhere; adjusted
    ``means`` (T,) with their standard errors and df; ``stratum`` the name of the method; ``refused`` why a
    pair is missing."""

    differences: Array
    std_errors: Array
    df: Array
    means: Array
    mean_std_error: Array
    mean_df: Array
    stratum: str
    refused: dict[tuple[str, str], str]
    at_bound: bool = False


def between_whole_plots(
    found: Measured, part: SplitPlot, design: StrataDesign, inside: StrataFit, whole: WholePlots | str
) -> Between:
    apart = part.of_treatment[:, None] != part.of_treatment[None, :]
    complete = replication(found.treatment, part.plot, part.block, part.of_treatment)
    sizes = np.bincount(part.of_treatment)
    if isinstance(whole, str):
        reasons = {
            (a, b): f"{a} and {b} stand in different whole plots. {whole}"
            for i, a in enumerate(found.treatments)
            for j, b in enumerate(found.treatments)
            if apart[i, j]
        }
        nothing = np.full(apart.shape, np.nan)
        alone = np.full(len(found.treatments), np.nan)
        return Between(nothing, nothing, nothing, inside.means, alone, alone, BOTH, reasons)
    if complete is not None and np.all(sizes == sizes[0]):
        return _satterthwaite(found, apart, design, inside, whole, complete, int(sizes[0]))
    between = _kenward_roger(found, part, apart, inside)
    if whole.design.error_df >= FEW_WHOLE_PLOT_DF:
        return between
    # As in complete layouts, few whole plots take fewer df than an approximation by moments allows.
    residual = float(inside.error_mean_square)
    plots = max(float(whole.fit.error_mean_square) - whole.inside * residual, 0.0)
    share = (plots + whole.inside * residual) / (plots + max(1.0, whole.inside) * residual)
    cautious = cautious_df(share, whole.design.error_df, design.error_df)
    return replace(between, df=np.minimum(between.df, cautious), mean_df=np.minimum(between.mean_df, cautious))


def _satterthwaite(
    found: Measured,
    apart: NDArray[np.bool_],
    design: StrataDesign,
    inside: StrataFit,
    whole: WholePlots,
    complete: Replication,
    subplots: int,
) -> Between:
    variance = mixed_variance(
        complete,
        subplots,
        float(whole.fit.error_mean_square),
        whole.design.error_df,
        float(inside.error_mean_square),
        design.error_df,
    )
    means = np.bincount(found.treatment, weights=found.y) / found.bins_per_treatment
    arms = len(found.treatments)
    return Between(
        np.where(apart, means[:, None] - means[None, :], np.nan),
        np.where(apart, variance.std_error, np.nan),
        np.where(apart, variance.df, np.nan),
        means,
        np.full(arms, variance.std_error / np.sqrt(2.0)),
        np.full(arms, variance.df),
        CAUTIOUS if whole.design.error_df < FEW_WHOLE_PLOT_DF else BOTH,
        {},
    )


def _kenward_roger(found: Measured, part: SplitPlot, apart: NDArray[np.bool_], inside: StrataFit) -> Between:
    arms = len(found.treatments)
    differences, std_errors, df = (np.full((arms, arms), np.nan) for _ in range(3))
    mean_std_error, mean_df = (np.full(arms, np.nan) for _ in range(2))
    means = inside.means.copy()
    x, told = blocks_and_treatments(found.treatment, part.block, arms)
    present = np.flatnonzero(found.bins_per_treatment)
    small: SmallSample | None = None
    problem, at_bound = "", False
    try:
        structure = variance_structure(found.y.size, design=[DesignVariance("whole plot", part.plot)])
        reml = fit_reml(found.y, x, structure, bounded=True)
        small, at_bound = small_sample(reml), reml.at_bound
    except DesignError as error:
        problem = str(error)
    place = {int(i): k for k, i in enumerate(present)}
    refused: dict[tuple[str, str], str] = {}
    for i in present:
        if small is not None:
            row = np.zeros(x.shape[1])
            row[place[int(i)]] = 1.0
            row[present.size :] = 1.0 / (int(part.block.max()) + 1)  # the average block, the block left out being 0
            means[i] = float(row @ small.beta)
            try:
                alone = contrast_estimate(small, row)
                mean_std_error[i], mean_df[i] = alone.std_error, alone.df
            except DesignError:
                pass  # the mean stays without an interval; no comparison rests on it
        for j in present[apart[i, present]]:
            pair = (found.treatments[i], found.treatments[j])
            if small is None or not told[i, j]:
                why = problem or "They cannot be told from what blocks differ by."
                refused[pair] = f"{pair[0]} and {pair[1]} stand in different whole plots and cannot be compared. {why}"
                continue
            row = np.zeros(x.shape[1])
            row[place[int(i)]], row[place[int(j)]] = 1.0, -1.0
            try:
                contrast = contrast_estimate(small, row)
            except DesignError as error:
                refused[pair] = f"{pair[0]} and {pair[1]} cannot be compared. {error}"
                continue
            differences[i, j], std_errors[i, j], df[i, j] = contrast.estimate, contrast.std_error, contrast.df
    return Between(differences, std_errors, df, means, mean_std_error, mean_df, BOUNDED, refused, at_bound)
