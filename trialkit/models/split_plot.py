"""Split plots: one factor set per whole plot (a group of bins), the others per bin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.models.factor_terms import Crossing, common_terms, crossing_of, refused_term, whole_plot_term
from trialkit.models.layout_checks import absent_reasons, no_spread_reason
from trialkit.models.measured import Measured, listed
from trialkit.models.pairs import has_spread, refused_pairs
from trialkit.models.whole_plots import BOUNDED, Between, SplitPlot, WholePlots, between_whole_plots, whole_plots_of
from trialkit.numerics.factorial import covariance_of, term_f, weighted
from trialkit.numerics.strata import StrataDesign, StrataFit, fit_strata, remembered_design
from trialkit.records import FactorTerm, Fit, Refusal, read_only

BINS = "bins"
FEW_DF = 5

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


def fit_split_plot(found: Measured, variances: Literal["common", "by treatment"] | None) -> Fit | Refusal:
    """By strata: bins inside whole plots; whole plots inside blocks; both, where two treatments differ in both.

    Comparisons inside whole plots are exact whatever bins are lost. Those between whole plots use Satterthwaite's df
    in complete layouts; elsewhere a mixed model with blocks fixed and the whole-plot variance bounded at zero, with
    Kenward–Roger, whose intervals hold in 96 to 99.7 % of trials and are therefore marked conservative.
    """
    part = _parts(found)
    if isinstance(part, str):
        return found.refusal(part)
    absent = absent_reasons(found)
    refused = refused_pairs(found, absent)
    asked = [pair for pair in found.pairs_of_interest() if pair not in refused]
    if not asked:
        return found.refusal(*absent.values())
    notes = tuple(absent.values())
    if (variances or found.values.plan.layout.variances) == "by treatment":
        notes += ("In a split plot bins share a whole plot, so one common variance is used in each stratum.",)
    design = remembered_design(found.treatment, part.plot, treatments=len(found.treatments))
    if design.error_df < 1:
        return found.refusal(_no_error(found), *absent.values())
    inside = fit_strata(design, found.y)
    if not has_spread(found, float(inside.error_mean_square)):
        return found.refusal(no_spread_reason(found))
    whole = whole_plots_of(found, part, design)
    between = between_whole_plots(found, part, design, inside, whole)
    return _record(found, part, design, inside, whole, between, refused, asked, notes)


# ---------------------------------------------------------------- what the layout must say
def _parts(found: Measured) -> SplitPlot | str:
    factor = found.values.plan.layout.whole_plot_factor
    if not factor:
        return "A split plot needs the name of the factor that is set per whole plot (whole_plot_factor)."
    given = {item.name: item.factors.get(factor) for item in found.values.plan.treatments}
    lacking = [name for name in found.treatments if not given.get(name)]
    if lacking:
        return (
            f'The factor "{factor}" is set per whole plot, but {listed(lacking)} '
            f"{'has' if len(lacking) == 1 else 'have'} no level of it. Give every treatment its level of "
            f"{factor} among its factors."
        )
    without = [name for name, code in zip(found.bins, found.whole_plot, strict=True) if code < 0]
    if without:
        return (
            f"The layout is a split plot, but {listed(without)} {'has' if len(without) == 1 else 'have'} no "
            "whole plot. "
            "Fill in the whole plot of every bin."
        )
    block = found.block
    if np.any(block >= 0) and np.any(block < 0):
        return "Some bins have a block and some have none. Fill in the block of every bin, or of no bin."
    if np.all(block < 0):
        block = np.maximum(found.site, 0)
    # A whole plot of the same name in another block is another whole plot.
    plot = np.unique(np.stack([block, found.whole_plot]), axis=1, return_inverse=True)[1].ravel().astype(np.intp)
    block = np.unique(block, return_inverse=True)[1].astype(np.intp)
    levels = tuple(dict.fromkeys(str(given[name]) for name in found.treatments))
    of_treatment = np.array([levels.index(str(given[name])) for name in found.treatments], dtype=np.intp)
    for p in np.unique(plot):
        here = np.unique(of_treatment[found.treatment[plot == p]])
        if here.size > 1:
            bins = listed(name for name, own in zip(found.bins, plot, strict=True) if own == p)
            return (
                f"Bins {bins} share a whole plot but stand at several levels of {factor} "
                f"({listed(levels[k] for k in here)}); a whole plot has one. Correct the whole plots or the treatments."
            )
    return SplitPlot(factor, levels, read_only(of_treatment), read_only(plot), read_only(block))


def _no_error(found: Measured) -> str:
    return (
        f"After differences between whole plots and between treatments are taken out, these {len(found.bins)} "
        "bins leave "
        "nothing to show how much bins treated alike differ. One more whole plot of each level would be needed."
    )


# ---------------------------------------------------------------- the record
def _record(
    found: Measured,
    part: SplitPlot,
    design: StrataDesign,
    inside: StrataFit,
    whole: WholePlots | str,
    between: Between,
    refused: dict[tuple[str, str], str],
    asked: Sequence[tuple[str, str]],
    notes: tuple[str, ...],
) -> Fit | Refusal:
    same = part.of_treatment[:, None] == part.of_treatment[None, :]
    told_inside = same & design.connected
    differences = np.where(told_inside, inside.differences, between.differences)
    std_errors = np.where(told_inside, inside.std_errors, between.std_errors)
    df = np.where(told_inside, float(design.error_df), between.df)
    reasons = dict(between.refused)
    strata: dict[tuple[str, str], str] = {}
    for i, a in enumerate(found.treatments):
        for j, b in enumerate(found.treatments):
            if i == j:
                continue
            if told_inside[i, j] or not same[i, j]:
                strata[a, b] = BINS if same[i, j] else between.stratum
            else:
                reasons[a, b] = f"{a} and {b} meet in no whole plot, not even through other treatments."
    reasons.update(refused)
    for a, b in reasons:
        i, j = found.treatments.index(a), found.treatments.index(b)
        differences[i, j] = std_errors[i, j] = df[i, j] = np.nan
    if not any(np.isfinite(df[found.treatments.index(a), found.treatments.index(b)]) for a, b in asked):
        return found.refusal(*dict.fromkeys(reasons[pair] for pair in asked if pair in reasons))
    bins = found.bins_per_treatment
    counts = np.where(np.isfinite(differences), bins[:, None], 0)
    np.fill_diagonal(counts, bins)
    covariance = design.unit_covariance * float(inside.error_mean_square)
    crossing = crossing_of(found)
    if design.error_df < FEW_DF:
        notes += (f"{design.error_df} degrees of freedom are left to judge treatments inside whole plots.",)
    if not isinstance(whole, str) and whole.design.error_df < FEW_DF:
        notes += (
            f"What {part.factor} does is judged by {whole.level.size} whole plots, with {whole.design.error_df} "
            "degrees "
            "of freedom, not by the bins in them.",
        )
    if between.stratum == BOUNDED and np.isfinite(between.df).any():
        notes += (
            "Bins are missing, so treatments that stand in different whole plots are compared by a mixed model whose "
            "intervals are a little too wide rather than too narrow.",
        )
    return Fit(
        values=found.values,
        treatments=found.treatments,
        method="least squares in strata",
        df_method="whole plots and bins",
        variances="common",
        means=read_only(between.means.copy()),
        mean_std_error=read_only(between.mean_std_error),
        mean_df=read_only(between.mean_df),
        differences=read_only(differences),
        std_errors=read_only(std_errors),
        df=read_only(df),
        counts=read_only(counts.astype(np.intp)),
        covariance=read_only(covariance),
        components=_components(inside, whole),
        bounded=between.stratum == BOUNDED,
        at_bound=between.at_bound,
        blocks_used=found.blocks,
        notes=found.notes + notes,
        refused=reasons,
        strata=strata,
        factor_terms=() if crossing is None else _terms(found, part, design, inside, whole, covariance, crossing),
    )


def _components(inside: StrataFit, whole: WholePlots | str) -> dict[str, float]:
    residual = float(inside.error_mean_square)
    if isinstance(whole, str):
        return {"residual": residual}
    plots = float(whole.fit.error_mean_square) - whole.inside * residual
    block = {"block": float(whole.fit.block_variance)} if whole.design.block_df > 0 else {}
    return {**block, "whole plot": plots, "residual": residual}


def _terms(
    found: Measured,
    part: SplitPlot,
    design: StrataDesign,
    inside: StrataFit,
    whole: WholePlots | str,
    covariance: Array,
    crossing: Crossing,
) -> tuple[FactorTerm, ...]:
    per_bin = common_terms(
        found, crossing, design.component, inside.means, covariance, design.error_df, without=(part.factor,)
    )
    if isinstance(whole, str):
        return (refused_term((part.factor,), whole, "whole plots"), *per_bin)
    reference = crossing.reference[crossing.factors.index(part.factor)]
    rows = np.delete(np.eye(len(part.levels)) - np.eye(len(part.levels))[reference], reference, axis=0)
    if not whole.design.connected.all():
        reason = f"The levels of {part.factor} cannot be told from what blocks differ by."
        return (refused_term((part.factor,), reason, "whole plots"), *per_bin)
    error = float(whole.fit.error_mean_square)
    spread = covariance_of(rows, whole.design.unit_covariance * error)
    std_error = np.sqrt(np.diag(spread))
    test = term_f(rows, whole.fit.means, whole.design.unit_covariance * error, whole.design.error_df)
    each = np.bincount(part.of_treatment[found.treatment], minlength=len(part.levels))
    others = [k for k in range(len(part.levels)) if k != reference]
    own = whole_plot_term(
        part.factor,
        part.levels,
        reference,
        weighted(rows, whole.fit.means),
        std_error,
        whole.design.error_df,
        spread / np.outer(std_error, std_error),
        np.array([[each[k], each[reference]] for k in others], dtype=np.intp),
        {"f": test.f, "df_num": float(test.df_num), "df_den": float(test.df_den), "p": test.p},
    )
    return (own, *per_bin)
