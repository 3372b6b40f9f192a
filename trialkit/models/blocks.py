"""Treatments allotted at random inside blocks."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.models.factor_terms import common_terms, crossing_of, paired_terms
from trialkit.models.layout_checks import (
    absent_reasons,
    block_problems,
    confounded_reason,
    confounded_treatments,
    no_error_reason,
    no_spread_reason,
    single_bin_notes,
)
from trialkit.models.measured import Measured, listed
from trialkit.models.pairs import pairwise_fit, refused_pairs, strata_record
from trialkit.models.random_blocks import fit_random_blocks
from trialkit.models.variance_rule import rule_blocks
from trialkit.numerics.strata import StrataDesign, fit_strata, remembered_design
from trialkit.numerics.unequal_variances import blocks_by_treatment
from trialkit.records import Fit, Refusal


def fit_blocks(found: Measured, variances: Literal["common", "by treatment"] | None) -> Fit | Refusal:
    """Blocks fixed and exact t; paired differences; or blocks random where inside blocks too little is left."""
    problems = block_problems(found)
    if problems:
        return found.refusal(*problems)
    unusable = absent_reasons(found)
    confounded = confounded_treatments(found)
    unusable.update({name: confounded_reason(name, block, found.block_word) for name, block in confounded.items()})
    refused = refused_pairs(found, unusable)
    asked = [pair for pair in found.pairs_of_interest() if pair not in refused]
    if not asked:
        return found.refusal(*unusable.values())
    notes = tuple(unusable.values())

    chosen, rule_notes = rule_blocks(found, variances)
    notes += rule_notes
    design = remembered_design(found.treatment, found.block, treatments=len(found.treatments))
    notes += _silent_blocks(found, design)
    blocks_used = tuple(name for name, used in zip(found.blocks, design.informative, strict=True) if used)
    position = {name: i for i, name in enumerate(found.treatments)}
    crossing = crossing_of(found)

    if chosen == "by treatment":
        pairs = blocks_by_treatment(found.y, found.treatment, found.block, treatments=len(found.treatments))
        components = {}
        for name, other in asked:
            i, j = position[name], position[other]
            if pairs.counts[i, j] >= 2:
                variance = float(pairs.std_errors[i, j] ** 2 * pairs.counts[i, j])
                components[f"paired difference, {name} − {other}"] = variance
        apart = _too_few_pairs(found, pairs.counts)
        paired = pairwise_fit(found, pairs, "paired differences", components, {**apart, **refused}, notes, blocks_used)
        if crossing is None or isinstance(paired, Refusal):
            return paired
        return replace(paired, factor_terms=paired_terms(found, crossing))

    if design.error_df < 1:
        return found.refusal(no_error_reason(found), *unusable.values())
    unconnected = [(a, b) for a, b in asked if not design.connected[position[a], position[b]]]
    if unconnected or (design.error_df == 1 and design.block_df >= 1):
        return fit_random_blocks(found, design, refused, notes + single_bin_notes(found) + _why_random(unconnected))
    apart = _never_meet(found, design)
    result = fit_strata(design, found.y)
    fit = strata_record(
        found,
        design,
        result,
        "intra-block error",
        {**apart, **refused},
        notes + single_bin_notes(found),
        blocks_used,
    )
    if fit is None:
        return found.refusal(no_spread_reason(found))
    if crossing is None or fit.covariance is None:
        return fit
    terms = common_terms(found, crossing, design.component, result.means, fit.covariance, design.error_df)
    return replace(fit, factor_terms=terms)


def _silent_blocks(found: Measured, design: StrataDesign) -> tuple[str, ...]:
    silent = [name for name, used in zip(found.blocks, design.informative, strict=True) if not used]
    if not silent:
        return ()
    word = found.block_word.capitalize()
    subject = f"{word} {silent[0]} holds" if len(silent) == 1 else f"{word}s {listed(silent)} each hold"
    return (f"{subject} one treatment only, so nothing can be compared inside {'it' if len(silent) == 1 else 'them'}.",)


def _why_random(unconnected: list[tuple[str, str]]) -> tuple[str, ...]:
    if not unconnected:
        return (
            "One degree of freedom is left inside blocks, so what blocks differ by is used as well: blocks are taken "
            "as drawn at random.",
        )
    pairs = listed(f"{a} with {b}" for a, b in unconnected)
    return (
        f"No block, and no chain of blocks, holds what it takes to compare {pairs} side by side, so differences "
        "between blocks are used as well: blocks are taken as drawn at random.",
    )


def _never_meet(found: Measured, design: StrataDesign) -> dict[tuple[str, str], str]:
    return {
        (a, b): f"{a} and {b} meet in no block, not even through other treatments; a block with both would be needed."
        for i, a in enumerate(found.treatments)
        for j, b in enumerate(found.treatments)
        if i != j and not design.connected[i, j]
    }


def _too_few_pairs(found: Measured, counts: NDArray[np.intp]) -> dict[tuple[str, str], str]:
    met = {0: "no block holds both", 1: "only one block holds both"}
    return {
        (
            a,
            b,
        ): f"{a} and {b} cannot be compared as pairs: {met[int(counts[i, j])]}. Two blocks or more are needed."
        for i, a in enumerate(found.treatments)
        for j, b in enumerate(found.treatments)
        if i != j and counts[i, j] < 2
    }
