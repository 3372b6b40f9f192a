"""Whether a verdict survives when one thing at a time is changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.records import Sensitivity, Verdict


@dataclass(frozen=True)
class Survival:
    """``asked`` answers with one thing changed were judged; ``changed`` are those with another call. ``holds`` where
    some were judged and none differs."""

    asked: int
    changed: tuple[Sensitivity, ...]

    @property
    def holds(self) -> bool:
        return self.asked > 0 and not self.changed


def survives(verdict: Verdict, sensitivity: Sequence[Sensitivity]) -> Survival:
    """Compare the call of a claim with its calls when a bin or block is left out, or another scale or variance taken.

    sensitivity: of the claim's outcome; lines about other pairs, or without a call, are passed over.
    """
    claim = verdict.claim
    own = [
        line
        for line in sensitivity
        if line.call is not None
        and line.claim == claim.text
        and {line.treatment, line.against} == {claim.treatment, claim.against}
    ]
    return Survival(len(own), tuple(line for line in own if line.call != verdict.call))
