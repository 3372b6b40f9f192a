"""The bench: readings to one value a bin."""

from __future__ import annotations

from trialkit.outcomes.bench import available_outcomes, bin_values
from trialkit.outcomes.catalogue import catalogue
from trialkit.outcomes.maturity import bin_maturity
from trialkit.outcomes.stretched import stretched_rates

__all__ = ["available_outcomes", "bin_maturity", "bin_values", "catalogue", "stretched_rates"]
