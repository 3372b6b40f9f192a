"""A comparison and a claim to what may be said."""

from trialkit.verdicts.claims import claim_contradiction
from trialkit.verdicts.judge import judge

__all__ = ["claim_contradiction", "judge"]
