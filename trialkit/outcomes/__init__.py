"""The bench: readings to one value a bin."""

from __future__ import annotations

from trialkit.outcomes.bench import available_outcomes, bin_values
from trialkit.outcomes.catalogue import catalogue

__all__ = ["available_outcomes", "bin_values", "catalogue"]
