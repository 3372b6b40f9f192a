"""Blocks as random: where comparisons inside blocks are not enough, differences between blocks are used too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.models.factor_terms import common_terms, crossing_of
from trialkit.models.layout_checks import no_spread_reason
from trialkit.models.measured import Measured
from trialkit.models.pairs import has_spread
from trialkit.numerics.kenward_roger import SmallSample, contrast_estimate, df_with_one_inside, joint_test, small_sample
from trialkit.numerics.reml import RemlFit, fit_reml
from trialkit.numerics.strata import StrataDesign, fit_strata
from trialkit.numerics.variance_structures import DesignVariance, variance_structure
from trialkit.records import Fit, Refusal, read_only


def fit_random_blocks(
    found: Measured,
    fixed: StrataDesign,
    refused: Mapping[tuple[str, str], str],
    notes: tuple[str, ...],
    *,
    random: Sequence[tuple[str, NDArray[np.intp]]] | None = None,
) -> Fit | Refusal:
    """Restricted likelihood with the block variance bounded at zero; standard errors and df of Kenward and Roger, a
    tenth fewer df where one is left inside blocks.

    ``fixed`` is the same layout with blocks fixed, which tells whether bins differ at all inside blocks. ``random``
    names other parts of the layout, with their codes, to be taken as random in place of blocks. A pair with less than
    one degree of freedom is refused and the others stay.
    """
    present = np.flatnonzero(found.bins_per_treatment)
    x = (found.treatment[:, None] == present[None, :]).astype(float)
    inside = float(np.sum((fixed.error_projection @ (found.y - found.y.mean())) ** 2))
    if not has_spread(found, inside / max(fixed.error_df, 1)):
        return found.refusal(no_spread_reason(found))
    try:
        parts = random if random is not None else [(found.block_word, found.block)]
        structure = variance_structure(found.y.size, design=[DesignVariance(name, codes) for name, codes in parts])
        reml = fit_reml(found.y, x, structure, bounded=True)
        small = small_sample(reml)
    except DesignError as error:
        return found.refusal(str(error), _NEEDED)
    fit = _record(found, present, reml, small, dict(refused), notes)
    few = fixed.error_df == 1
    if few and isinstance(fit, Fit):
        lowered = {name: read_only(df_with_one_inside(getattr(fit, name))) for name in ("df", "mean_df")}
        fit = replace(fit, df_method=f"{fit.df_method}, a tenth fewer df", **lowered)
    crossing = crossing_of(found)
    if crossing is None or isinstance(fit, Refusal):
        return fit
    # Inside blocks where that can be told and more than one degree of freedom is left, else between them as well.
    inside_fit = fit_strata(fixed, found.y)
    covariance = fixed.unit_covariance * float(inside_fit.error_mean_square)
    df = fixed.error_df if fixed.error_df > 1 else 0
    terms = common_terms(
        found, crossing, fixed.component, inside_fit.means, covariance, df, small=(small, present), few=few
    )
    return replace(fit, factor_terms=terms)


_NEEDED = "One more bin of each treatment, best as a further complete block, would be needed."


def _record(
    found: Measured,
    present: NDArray[np.intp],
    reml: RemlFit,
    small: SmallSample,
    refused: dict[tuple[str, str], str],
    notes: tuple[str, ...],
) -> Fit | Refusal:
    arms = len(found.treatments)
    means, mean_std_error, mean_df = (np.full(arms, np.nan) for _ in range(3))
    differences, std_errors, df = (np.full((arms, arms), np.nan) for _ in range(3))
    rows = np.eye(present.size)
    means[present] = reml.beta
    differences[present, present] = std_errors[present, present] = 0.0
    for a, i in enumerate(present):
        try:
            alone = contrast_estimate(small, rows[a])
            mean_std_error[i], mean_df[i] = alone.std_error, alone.df
        except DesignError:
            pass  # the mean stays without an interval; no comparison rests on it
        for b, j in enumerate(present):
            pair = (found.treatments[i], found.treatments[j])
            if i == j or pair in refused:
                continue
            try:
                contrast = contrast_estimate(small, rows[a] - rows[b])
            except DesignError as error:
                refused[pair] = f"{pair[0]} and {pair[1]} cannot be compared. {error}"
                continue
            differences[i, j], std_errors[i, j], df[i, j] = contrast.estimate, contrast.std_error, contrast.df
    if not any(np.isfinite(df[found.treatments.index(a), found.treatments.index(b)]) for a, b in _asked(found)):
        return found.refusal(*dict.fromkeys(refused[pair] for pair in _asked(found) if pair in refused), _NEEDED)
    covariance = np.full((arms, arms), np.nan)
    covariance[np.ix_(present, present)] = small.adjusted
    bins = found.bins_per_treatment
    counts = np.where(np.isfinite(differences), bins[:, None], 0)
    np.fill_diagonal(counts, bins)
    return Fit(
        values=found.values,
        treatments=found.treatments,
        method="reml",
        df_method="Kenward–Roger",
        variances="common",
        means=read_only(means),
        mean_std_error=read_only(mean_std_error),
        mean_df=read_only(mean_df),
        differences=read_only(differences),
        std_errors=read_only(std_errors),
        df=read_only(df),
        counts=read_only(counts.astype(np.intp)),
        covariance=read_only(covariance),
        components=dict(zip(reml.structure.names, reml.theta.tolist(), strict=True)),
        f_test=_f_test(small, present.size),
        bounded=True,
        at_bound=reml.at_bound,
        min_eigenvalue=reml.min_eigenvalue,
        converged=reml.converged,
        blocks_used=found.blocks,
        notes=found.notes + notes,
        refused=refused,
    )


def _asked(found: Measured) -> list[tuple[str, str]]:
    return [pair for pair in found.pairs_of_interest() if pair[0] != pair[1]]


def _f_test(small: SmallSample, arms: int) -> dict[str, float] | None:
    try:
        test = joint_test(small, np.eye(arms)[1:] - np.eye(arms)[:1])
    except DesignError:
        return None  # too few degrees of freedom for a joint test; the comparisons stand on their own
    return {"f": test.f, "df_num": float(test.df_num), "df_den": test.df_den, "p": test.p}
