"""Numerical results to a ``Fit``: the matrices of all pairs, and the sentences for those that are missing."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from trialkit.models.layout_checks import no_spread_reason
from trialkit.models.measured import Measured
from trialkit.numerics.strata import StrataDesign, StrataFit
from trialkit.numerics.unequal_variances import PairwiseFit
from trialkit.records import Fit, Refusal, read_only

_NO_SPREAD = 1e-12  # of the largest value: what rounding alone leaves


def refused_pairs(found: Measured, treatments: Mapping[str, str]) -> dict[tuple[str, str], str]:
    """A reason against a treatment, spread over its pairs."""
    refused: dict[tuple[str, str], str] = {}
    for name, reason in treatments.items():
        for other in found.treatments:
            if other != name:
                refused.setdefault((name, other), reason)
                refused.setdefault((other, name), reason)
    return refused


def has_spread(found: Measured, variance: float) -> bool:
    """Whether a variance is more than rounding."""
    return bool(np.sqrt(variance) > _NO_SPREAD * np.max(np.abs(found.y)))


def strata_record(
    found: Measured,
    design: StrataDesign,
    result: StrataFit,
    df_method: str,
    refused: Mapping[tuple[str, str], str],
    notes: tuple[str, ...],
    blocks_used: tuple[str, ...] = (),
) -> Fit | None:
    """The record of a fit on one common variance; None where the bins show no spread at all."""
    variance = float(result.error_mean_square)
    if not has_spread(found, variance):
        return None
    differences, std_errors = result.differences.copy(), result.std_errors.copy()
    df = np.where(np.isfinite(differences), float(design.error_df), np.nan)
    _blank(found, refused, differences, std_errors, df)
    covariance = design.unit_covariance * variance
    entering = design.counts[:, design.informative].sum(axis=1) if blocks_used else design.counts.sum(axis=1)
    counts = np.where(np.isfinite(differences), entering[:, None], 0)
    np.fill_diagonal(counts, found.bins_per_treatment)
    components = {"residual": variance}
    if design.block_df > 0:
        components = {found.block_word: float(result.block_variance), **components}
    f_test = None
    if design.treatment_df > 0:
        f_test = {
            "f": float(result.f),
            "df_num": float(design.treatment_df),
            "df_den": float(design.error_df),
            "p": float(result.p),
        }
    return Fit(
        values=found.values,
        treatments=found.treatments,
        method="least squares in strata",
        df_method=df_method,
        variances="common",
        means=read_only(result.means.copy()),
        mean_std_error=read_only(np.sqrt(np.diag(covariance))),
        mean_df=read_only(np.where(np.isfinite(result.means), float(design.error_df), np.nan)),
        differences=read_only(differences),
        std_errors=read_only(std_errors),
        df=read_only(df),
        counts=read_only(counts.astype(np.intp)),
        covariance=read_only(covariance),
        components=components,
        f_test=f_test,
        blocks_used=blocks_used,
        notes=found.notes + notes,
        refused=dict(refused),
    )


def pairwise_fit(
    found: Measured,
    pairs: PairwiseFit,
    df_method: str,
    components: Mapping[str, float],
    refused: Mapping[tuple[str, str], str],
    notes: tuple[str, ...],
    blocks_used: tuple[str, ...] = (),
) -> Fit | Refusal:
    """The record of comparisons that each have a variance of their own; a pair without spread is refused."""
    reasons = dict(refused)
    for i, name in enumerate(found.treatments):
        for j, other in enumerate(found.treatments):
            known = np.isfinite(pairs.std_errors[i, j])
            if i != j and known and not has_spread(found, float(pairs.std_errors[i, j]) ** 2):
                reasons[name, other] = no_spread_reason(found)
    differences, std_errors, df = pairs.differences.copy(), pairs.std_errors.copy(), pairs.df.copy()
    _blank(found, reasons, differences, std_errors, df)
    present = found.bins_per_treatment > 0
    np.fill_diagonal(differences, np.where(present, 0.0, np.nan))
    np.fill_diagonal(std_errors, np.where(present, 0.0, np.nan))
    off_diagonal = ~np.eye(len(found.treatments), dtype=bool)
    if not np.any(np.isfinite(std_errors) & off_diagonal):
        return found.refusal(*dict.fromkeys(reasons.values()))
    bins = found.bins_per_treatment
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_std_error = np.sqrt(pairs.variances / bins)
    return Fit(
        values=found.values,
        treatments=found.treatments,
        method="least squares in strata",
        df_method=df_method,
        variances="by treatment",
        means=read_only(pairs.means.copy()),
        mean_std_error=read_only(mean_std_error),
        mean_df=read_only(np.where(bins > 1, bins - 1.0, np.nan)),
        differences=read_only(differences),
        std_errors=read_only(std_errors),
        df=read_only(df),
        counts=pairs.counts,
        covariance=None,
        components=dict(components),
        blocks_used=blocks_used,
        notes=found.notes + notes,
        refused=reasons,
    )


def _blank(found: Measured, refused: Mapping[tuple[str, str], str], *matrices: NDArray[np.float64]) -> None:
    position = {name: i for i, name in enumerate(found.treatments)}
    for name, other in refused:
        for matrix in matrices:
            matrix[position[name], position[other]] = np.nan
