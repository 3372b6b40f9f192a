"""Layout and bin values to a fit, or a refusal.

``fit_bins(values)`` is the analysis of every report, ``changed_values(fit)`` the same values with one thing changed,
``check_curves`` what hangs on how rates are had;
``fit_mixed(frame, …)`` the mixed model for any tidy table, loaded on first use because it needs pandas.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.models.bins import fit_bins
from trialkit.models.changed import Changed, changed_values
from trialkit.models.curve_checks import check_curves

if TYPE_CHECKING:
    from trialkit.models.mixed import fit_mixed

__all__ = ["Changed", "changed_values", "check_curves", "fit_bins", "fit_mixed"]


def __getattr__(name: str) -> Any:
    if name == "fit_mixed":
        from trialkit.models.mixed import fit_mixed

        return fit_mixed
    raise AttributeError(f"trialkit.models has no {name!r}; it has {', '.join(__all__)}")
