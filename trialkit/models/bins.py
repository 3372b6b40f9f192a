"""From one value a bin to treatment effects: what the layout allows, or a refusal that says why not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from trialkit.errors import DesignError
from trialkit.models.blocks import fit_blocks
from trialkit.models.completely_random import fit_completely_random
from trialkit.models.layout_checks import layout_problems
from trialkit.models.measured import Measured, measured
from trialkit.records import BinValues, Fit, Refusal

Variances = Literal["common", "by treatment"]

# One function a layout; a layout that is not here is refused in words.
LAYOUTS: dict[str, Callable[[Measured, Variances | None], Fit | Refusal]] = {
    "completely random": fit_completely_random,
    "blocks": fit_blocks,
}


def fit_bins(values: BinValues | Refusal, *, variances: Variances | None = None) -> Fit | Refusal:
    """Treatment effects by the layout that was drawn.

    The method follows from the layout and from which bins have a value, never from the values: least squares with
    blocks fixed and exact t; blocks random with Kenward–Roger where one error degree of freedom is left inside blocks
    or a comparison cannot be made inside them. ``variances`` overrides the plan and the default rule (by treatment
    from 5 bins an arm in a completely random layout, from 6 complete blocks in blocks; common below).

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
    kind = values.plan.layout.kind
    fit_layout = LAYOUTS.get(kind)
    if fit_layout is None:
        return _not_yet(values, f'The layout "{kind}" is not analysed yet; completely random layouts and blocks are.')
    sites = {value.site for value in values.values if value.site is not None and value.value is not None}
    if len(sites) > 1:
        names = ", ".join(sorted(sites))
        return _not_yet(
            values,
            f"The bins stand at several sites ({names}), and trials over several sites are not analysed yet. "
            "Put each site's bins in a folder of their own.",
        )
    found = measured(values)
    if isinstance(found, Refusal):
        return found
    problems = layout_problems(found)
    if problems:
        return found.refusal(*problems)
    return fit_layout(found, variances)


def _not_yet(values: BinValues, reason: str) -> Refusal:
    return Refusal(stage="models", reasons=(reason,), outcome=values.outcome.name, values=values)
