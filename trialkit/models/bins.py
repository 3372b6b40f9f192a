"""From one value a bin to treatment effects: what the layout allows, or a refusal that says why not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from trialkit.errors import DesignError
from trialkit.models.blocks import fit_blocks
from trialkit.models.completely_random import fit_completely_random
from trialkit.models.latin_square import fit_latin_square
from trialkit.models.layout_checks import layout_problems, site_notes, site_problems
from trialkit.models.measured import Measured, measured
from trialkit.models.scores import fit_scores, is_score
from trialkit.models.split_plot import fit_split_plot
from trialkit.models.times import fit_times
from trialkit.numerics.time_windows import is_watched
from trialkit.records import BinValues, Fit, Refusal

Variances = Literal["common", "by treatment"]

# One function a layout.
LAYOUTS: dict[str, Callable[[Measured, Variances | None], Fit | Refusal]] = {
    "completely random": fit_completely_random,
    "blocks": fit_blocks,
    "latin square": fit_latin_square,
    "split plot": fit_split_plot,
}


def fit_bins(values: BinValues | Refusal, *, variances: Variances | None = None) -> Fit | Refusal:
    """Treatment effects by the layout that was drawn.

    The method follows from the layout and from which bins have a value, never from the values: least squares with
    blocks (block within site, rows and columns) fixed and exact t; blocks random with Kenward–Roger where one error
    degree of freedom is left inside blocks or a comparison cannot be made inside them; split plots by whole plots and
    bins. Treatments that are factors crossed completely also get ``Fit.factor_terms``.

    ``variances`` overrides the plan and the default rule (by treatment from 5 bins an arm in a completely random
    layout, from 6 complete blocks in blocks; common below).

    Times known between visits keep the bins that never finished: see ``models.times``. Of scores only the order of
    bins counts: see ``models.scores``.

    Values are taken on ``values.outcome.scale``. Bins without a value are left out and named in ``Fit.notes``; pairs
    that cannot be estimated are NaN and explained in ``Fit.refused``. What cannot be answered at all comes back as a
    ``Refusal`` of stage "models"; values that were refused earlier travel on as they are. DesignError for an unknown
    ``variances``.
    """
    if isinstance(values, Refusal):
        return values
    if variances not in (None, "common", "by treatment"):
        raise DesignError(
            f'variances: found "{variances}"; expected "common" or "by treatment". Leave it out for the rule.'
        )
    found = measured(values)
    if isinstance(found, Refusal):
        return found
    if is_watched(values):
        return fit_times(found, lambda: _fit_layout(found, variances))
    return _fit_layout(found, variances)


def _fit_layout(found: Measured, variances: Variances | None) -> Fit | Refusal:
    values = found.values
    problems = layout_problems(found) + site_problems(found)
    if problems:
        return found.refusal(*problems)
    fit = fit_scores(found) if is_score(values) else LAYOUTS[values.plan.layout.kind](found, variances)
    return fit if isinstance(fit, Refusal) else replace(fit, notes=fit.notes + site_notes(found))
