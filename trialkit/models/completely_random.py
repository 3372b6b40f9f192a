"""Treatments allotted to bins at random without blocks."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from trialkit.models.blocks import fit_blocks
from trialkit.models.factor_terms import apart_terms, common_terms, crossing_of
from trialkit.models.layout_checks import absent_reasons, no_error_reason, no_spread_reason, single_bin_notes
from trialkit.models.measured import Measured
from trialkit.models.pairs import pairwise_fit, refused_pairs, strata_record
from trialkit.models.variance_rule import rule_completely_random
from trialkit.numerics.strata import fit_strata, remembered_design
from trialkit.numerics.unequal_variances import completely_random_by_treatment
from trialkit.records import Fit, Refusal


def fit_completely_random(found: Measured, variances: Literal["common", "by treatment"] | None) -> Fit | Refusal:
    """Pooled error, or a variance for each treatment; over several sites, sites are taken out as blocks are."""
    if len(found.sites) > 1:
        return fit_blocks(replace(found, block=found.site, blocks=found.sites), variances)
    chosen, notes = rule_completely_random(found, variances)
    if np.any(found.block >= 0) and found.values.plan.declared:
        notes += ("The bins name blocks, but the layout is declared completely random; the blocks are not used.",)
    absent = absent_reasons(found)
    refused = refused_pairs(found, absent)
    notes += tuple(absent.values())
    crossing = crossing_of(found)
    if chosen == "by treatment":
        pairs = completely_random_by_treatment(found.y, found.treatment, treatments=len(found.treatments))
        components = {
            f"residual, {name}": float(variance)
            for name, variance in zip(found.treatments, pairs.variances, strict=True)
            if np.isfinite(variance)
        }
        apart = pairwise_fit(found, pairs, "Welch–Satterthwaite", components, refused, notes)
        if crossing is None or isinstance(apart, Refusal):
            return apart
        return replace(apart, factor_terms=apart_terms(found, crossing, pairs.means, pairs.variances))

    design = remembered_design(found.treatment, treatments=len(found.treatments))
    if design.error_df < 1:
        return found.refusal(no_error_reason(found))
    result = fit_strata(design, found.y)
    fit = strata_record(found, design, result, "pooled error", refused, notes + single_bin_notes(found))
    if fit is None:
        return found.refusal(no_spread_reason(found))
    if crossing is None or fit.covariance is None:
        return fit
    terms = common_terms(found, crossing, design.component, result.means, fit.covariance, design.error_df)
    return replace(fit, factor_terms=terms)
