"""What a trial with this spread and so many bins can show: noncentral t, no simulation.

Notation: δ true difference on the analysis scale, s standard error of the difference, ν its df, q the critical value
of its interval (Student's two-sided quantile unless a simultaneous one is given). The interval is estimate ± q s, and
estimate/s has the noncentral t distribution with ν df and noncentrality δ/s. So

    chance that the interval lies entirely above no effect   P(T_ν(δ/s) > q)
    chance that it lies entirely at or above a size r        P(T_ν((δ − r)/s) > q)

and the smallest δ that supports r with a given chance is r plus the smallest δ that excludes no effect. With several
comparisons, or with a Kenward–Roger df, the same formulas with their q and ν are approximations. s is that of the
trial itself, so the answer speaks of a trial exactly like this one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import optimize, special

_LARGEST = 100_000


@dataclass(frozen=True)
class Shown:
    """On the analysis scale: the smallest true difference whose interval would have excluded no effect
    (``difference``), and would have supported the claimed size (``supporting``; None without one), each with
    probability ``chance``.
    """

    difference: float
    supporting: float | None
    chance: float


def chance_beyond(difference: float, std_error: float, df: float, critical: float, *, sides: int = 1) -> float:
    """Chance that estimate ± critical·std_error lies above zero (``sides=1``) or excludes it either way (2)."""
    noncentrality = difference / std_error
    above = 1.0 - float(special.nctdtr(df, noncentrality, critical))
    if sides == 1:
        return above
    return above + float(special.nctdtr(df, noncentrality, -critical))


def shown_by_this_trial(
    std_error: float,
    df: float,
    *,
    level: float = 0.95,
    critical: float | None = None,
    claimed: float | None = None,
    chance: float = 0.8,
) -> Shown:
    """The smallest true effects that a trial with this standard error and df shows with the given chance.

    std_error, claimed: analysis scale (log for ratios), claimed counted so that more is as claimed. critical: the
    interval's own critical value; None for Student's t at ``level``. ValueError where std_error or df is not above 0
    or chance does not lie between 0.5 and 1.
    """
    if not (std_error > 0.0 and df > 0.0):
        raise ValueError(f"found std_error = {std_error}, df = {df}; expected numbers above 0.")
    _check_chance(chance)
    bound = float(special.stdtrit(df, 0.5 + 0.5 * level)) if critical is None else critical
    difference = std_error * _noncentrality(df, bound, chance)
    return Shown(difference, None if claimed is None else claimed + difference, chance)


def bins_needed(
    difference: float,
    std_deviation: float,
    *,
    level: float = 0.95,
    chance: float = 0.8,
    treatments: int = 2,
    blocks: bool = False,
    comparisons: int = 1,
) -> int | None:
    """Bins a treatment so that the interval excludes a value lying ``difference`` away from the truth.

    difference, std_deviation: analysis scale; the standard deviation is that of one bin within its block (or arm).
    The standard error is σ√(2/n); df are treatments·(n − 1), or (n − 1)(treatments − 1) in complete blocks.
    comparisons: how many intervals hold together; the critical value is Bonferroni's, which errs on the safe side.
    None where more than 100,000 would be needed. ValueError for a chance outside 0.5 … 1.
    """
    _check_chance(chance)
    if not std_deviation > 0.0 or treatments < 2 or comparisons < 1:
        raise ValueError(
            f"found std_deviation = {std_deviation}, treatments = {treatments}, comparisons = {comparisons}; "
            "expected a standard deviation above 0, two treatments or more and one comparison or more."
        )
    distance = abs(difference)

    def enough(n: int) -> bool:
        df = (n - 1.0) * (treatments - 1.0) if blocks else treatments * (n - 1.0)
        bound = float(special.stdtrit(df, 1.0 - 0.5 * (1.0 - level) / comparisons))
        std_error = std_deviation * math.sqrt(2.0 / n)
        if distance / std_error > bound + 30.0:  # certain; and beyond what the noncentral t can be computed for
            return True
        return chance_beyond(distance, std_error, df, bound) >= chance

    high = 2
    while not enough(high):
        high *= 2
        if high > _LARGEST:
            return None
    low = max(high // 2, 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _noncentrality(df: float, bound: float, chance: float) -> float:
    """λ with P(T_ν(λ) > bound) = chance. It exceeds the bound by little for many df, by factors for one."""

    def short(noncentrality: float) -> float:
        return chance - 1.0 + float(special.nctdtr(df, noncentrality, bound))

    high = bound + 1.0
    while short(high) > 0.0:
        high *= 1.5
    return float(optimize.brentq(short, 0.0, high, xtol=1e-12, rtol=1e-12))


def _check_chance(chance: float) -> None:
    if not 0.5 <= chance < 1.0:
        raise ValueError(f"chance: found {chance}; expected a number from 0.5 up to 1.")
