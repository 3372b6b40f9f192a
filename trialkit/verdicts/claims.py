"""What a claim means on the outcome's own scale, and when it contradicts itself.

Every claim is turned so that "more" means "as claimed": a ratio is inverted, a difference changes its sign, where less
of the outcome is better. An outcome without a better direction is taken as it is, more being as claimed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialkit.records import Claim, Interval, Outcome

RATES = frozenset({"decay_rate"})
TIMES = frozenset({"days_to_threshold", "days_to_finish"})
DAYS = TIMES | {"days_to_peak"}  # a peak has its day, but neither an early nor a late one is a speed


@dataclass(frozen=True)
class Turned:
    """Numbers turned so that more is as claimed: the claimed ``size``, the value ``no_effect`` (None for a claim about
    one treatment alone), both ends of the interval and of the margin interval (infinite where open), and the margin.
    """

    size: float
    no_effect: float | None
    low: float
    high: float
    margin_low: float
    margin_high: float
    margin: tuple[float, float] | None


def turned(claim: Claim, outcome: Outcome, interval: Interval, margin_interval: Interval) -> Turned:
    """The claim and the intervals that answer it, turned."""
    if claim.size == "within_days":
        # As claimed is fewer days.
        low, high = _ends(interval, ratio=False, flipped=True)
        return Turned(-claim.amount, None, low, high, -math.inf, math.inf, None)
    ratio = claim.size != "at_least"
    flipped = outcome.better < 0
    low, high = _ends(interval, ratio, flipped)
    margin_low, margin_high = _ends(margin_interval, ratio, flipped)
    no_effect = 1.0 if ratio else 0.0
    return Turned(claim.amount, no_effect, low, high, margin_low, margin_high, _margin(claim, outcome))


def claim_contradiction(claim: Claim, outcome: Outcome) -> str | None:
    """Why a claim cannot be judged on this outcome, as a sentence; None where it can.

    The claimed size must lie outside the claim's own equivalence margin; the edge of the margin is outside.
    """
    where = f'claim "{claim.text}"'
    if not math.isfinite(claim.amount):
        return f"{where}: found {claim.size} = {claim.amount}; expected a finite number."
    problem = _size_problem(claim, outcome)
    if problem is not None:
        return f"{where}: {problem}"
    if claim.equivalence is None:
        return None
    if claim.size == "within_days":
        return f"{where}: found an equivalence margin beside within_days; a margin needs two treatments. Leave it out."
    low, high = claim.equivalence
    none = 1.0 if outcome.scale == "log" else 0.0
    if not (math.isfinite(low) and math.isfinite(high) and low < none < high) or (
        outcome.scale == "log" and low <= 0.0
    ):
        smallest = "above 0 and below 1" if outcome.scale == "log" else "below 0"
        return (
            f"{where}: found equivalence = [{low:g}, {high:g}]; expected a lower end {smallest} and an upper end above "
            f"{none:g}, with no effect ({none:g}) between them."
        )
    margin = _margin(claim, outcome)
    if margin is not None and margin[0] < claim.amount < margin[1]:
        return (
            f"{where}: found {claim.size} = {claim.amount:g} inside its own equivalence margin [{low:g}, {high:g}], so "
            "the same result would both support the claim and count as no difference. Narrow the margin."
        )
    return None


def _size_problem(claim: Claim, outcome: Outcome) -> str | None:
    size, amount, name = claim.size, claim.amount, outcome.name
    if size == "within_days":
        if name not in DAYS:
            return f"found within_days on {name}; it is counted on times only ({', '.join(sorted(DAYS))})."
        if claim.against is not None:
            return f'found within_days against "{claim.against}"; it has a number to compare with. Leave out against.'
        return None if amount > 0.0 else f"found within_days = {amount:g}; expected a number of days above 0."
    if claim.against is None:
        return f"found {size} without against; name the treatment it is compared with."
    if claim.against == claim.treatment:
        return f'found "{claim.treatment}" compared with itself; name two treatments.'
    if size == "times_as_fast":
        if outcome.better == 0:
            return f"found times_as_fast on {name}, which has no better direction. Use at_least_ratio or at_least."
        if name not in RATES | TIMES:
            allowed = ", ".join(sorted(RATES | TIMES))
            return f"found times_as_fast on {name}; it is counted on rates and times only ({allowed})."
    if size == "at_least" and outcome.scale == "log":
        return f"found at_least on {name}, where treatments are compared as ratios. Use at_least_ratio."
    if size != "at_least" and outcome.scale == "identity":
        return f"found {size} on {name}, where treatments are compared as differences. Use at_least."
    smallest = 0.0 if size == "at_least" else 1.0
    if amount <= smallest:
        return (
            f"found {size} = {amount:g}; expected a number above {smallest:g}, counted in the better direction"
            f"{' (less of it)' if outcome.better < 0 else ''}."
        )
    return None


def _margin(claim: Claim, outcome: Outcome) -> tuple[float, float] | None:
    if claim.equivalence is None:
        return None
    low, high = claim.equivalence
    if outcome.better >= 0:
        return low, high
    return (1.0 / high, 1.0 / low) if outcome.scale == "log" else (-high, -low)


def _ends(interval: Interval, ratio: bool, flipped: bool) -> tuple[float, float]:
    low = (0.0 if ratio else -math.inf) if interval.low is None else interval.low
    high = math.inf if interval.high is None else interval.high
    if not flipped:
        return low, high
    if ratio:
        return 1.0 / high, (math.inf if low == 0.0 else 1.0 / low)
    return -high, -low
