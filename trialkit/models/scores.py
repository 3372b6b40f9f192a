"""Scores: how often a bin of one treatment stands above one of another in the same block. No means, no variances."""

from __future__ import annotations

import numpy as np

from trialkit.models.layout_checks import absent_reason, block_problems, confounded_reason, confounded_treatments
from trialkit.models.measured import Measured
from trialkit.numerics.superiority import superiority
from trialkit.outcome_names import SCORES
from trialkit.records import BinValues, Fit, Refusal, read_only

LAYOUTS = ("completely random", "blocks")


def is_score(values: BinValues) -> bool:
    """Whether the outcome is a score by written anchors."""
    return values.outcome.name in SCORES


def fit_scores(found: Measured) -> Fit | Refusal:
    """Probabilities of superiority of every pair of treatments, over all pairs of bins that stand in one block.

    Completely random: over all pairs of bins, at one site. Pairs of treatments that never meet, or meet in one bin
    each, are explained in ``Fit.refused``. Other layouts are refused.
    """
    values, kind = found.values, found.values.plan.layout.kind
    if kind not in LAYOUTS:
        return found.refusal(
            f"{values.outcome.label.capitalize()} is a score, of which only the order of bins counts, and orders are "
            f"compared in completely random layouts and in blocks only; this trial is a {kind}. Compare an outcome "
            "that is measured in amounts."
        )
    problems = block_problems(found) if kind == "blocks" else []
    if problems:
        return found.refusal(*problems)
    in_blocks = kind == "blocks" or len(found.sites) > 1
    stratum = found.block if kind == "blocks" else found.site if in_blocks else np.zeros(len(found.bins), dtype=np.intp)
    t = len(found.treatments)
    shares, counts = np.full((t, t), np.nan), np.diag(found.bins_per_treatment).astype(np.intp)
    refused: dict[tuple[str, str], str] = {}
    for i in range(t):
        for j in range(i):
            one = superiority(found.y, found.treatment == i, found.treatment == j, stratum)
            counts[i, j], counts[j, i] = one.bins
            if one.pairs > 1:
                shares[i, j], shares[j, i] = one.share - 0.5, 0.5 - one.share
                continue
            reason = _reason(found, i, j, one.pairs, in_blocks)
            pair = (found.treatments[i], found.treatments[j])
            refused[pair] = refused[pair[::-1]] = reason
    if not np.isfinite(shares).any():
        return found.refusal(*dict.fromkeys(refused.values()))
    nan = read_only(np.full(t, np.nan))
    blank = read_only(np.full((t, t), np.nan))
    return Fit(
        values=values,
        treatments=found.treatments,
        method="permutation",
        df_method="none",
        variances="common",
        means=nan,
        mean_std_error=nan,
        mean_df=nan,
        differences=read_only(shares),
        std_errors=blank,
        df=blank,
        counts=read_only(counts),
        covariance=None,
        components={},
        blocks_used=_blocks_used(found) if kind == "blocks" else (),
        notes=found.notes,
        refused=refused,
    )


def _reason(found: Measured, i: int, j: int, pairs: int, in_blocks: bool) -> str:
    label, names, bins = found.values.outcome.label, found.treatments, found.bins_per_treatment
    for place in (i, j):
        if bins[place] == 0:
            return absent_reason(names[place], label)
    if pairs == 1:
        return (
            f"One bin of {names[i]} and one of {names[j]} can be compared, and a difference between treatments cannot "
            "be told from a difference between two bins treated alike. One more bin of each would be needed."
        )
    word = "site" if found.values.plan.layout.kind == "completely random" else "block"
    if in_blocks and word == "block":
        alone = confounded_treatments(found)
        for place in (i, j):
            if names[place] in alone:
                return confounded_reason(names[place], alone[names[place]])
    return (
        f"No {word} holds a bin of {names[i]} and one of {names[j]}, and scores are compared inside a {word} only. "
        f"Bins of both in one {word} would be needed."
    )


def _blocks_used(found: Measured) -> tuple[str, ...]:
    return tuple(
        name for code, name in enumerate(found.blocks) if np.unique(found.treatment[found.block == code]).size > 1
    )
