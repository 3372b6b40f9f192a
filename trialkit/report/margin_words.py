"""The margin within which treatments count as equivalent, in words."""

from __future__ import annotations

from trialkit.records import Claim, Comparison
from trialkit.report.rounding import plain


def turned_margin(claim: Claim, comparison: Comparison) -> tuple[float, float]:
    """The margin of a claim on the scale said: ratios of outcomes that should fall are turned."""
    low, high = claim.equivalence or (0.0, 0.0)
    turned = comparison.kind == "ratio" and comparison.outcome.better < 0 and low > 0
    return (1 / high, 1 / low) if turned else (low, high)


def ruled_out(claim: Claim, comparison: Comparison, unit: str) -> str:
    """What a range inside the margin rules out, the margin named; unit: that of a difference."""
    if claim.equivalence is None:
        return ""
    low, high = turned_margin(claim, comparison)
    if comparison.kind == "ratio":
        ends = f"{_end(low)} to {_end(high)} times"
        if abs(low * high - 1.0) < 5e-3:
            share = _end(100 * (high - 1))
            return f"That rules out more than {share} % either way, the margin set for it ({ends})."
        return f"That rules out anything outside {ends}, the margin set for it."
    spaced = f" {unit}" if unit else ""
    if low == -high:
        return f"That rules out more than {_end(high)}{spaced} either way, the margin set for it."
    return f"That rules out anything outside {_end(low)} to {_end(high)}{spaced}, the margin set for it."


def _end(value: float) -> str:
    return plain(float(f"{value:.4g}"))
