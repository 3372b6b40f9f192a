"""What the interval of a trial not yet run will say: chances, exact where the interval's law is known.

On the analysis scale, turned so that more is as claimed. An interval is estimate ± half, and beside it stands the
margin interval estimate ± margin_half of level 1 − 2α. ``IntervalLaw`` lists nodes j with

    probability w_j:   estimate = truth + shift_j + spread_j Z,   half = h_j,   margin_half = g_j,   Z standard normal

For one pooled variance the nodes discretise s/σ = √(χ²/df), independent of the estimate (the trapezoidal rule in
log(s/σ), whose density is analytic: errors below 1e-10). For Welch-Satterthwaite they are pairs of such scales. For a
law known by simulation only, a node is a simulated trial with spread 0. Laws of several cases mix by concatenation,
and weights that sum to less than one leave the rest to trials without an answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from trialkit.records import read_only

Array = NDArray[np.float64]
CALLS = ("support", "less_than_claimed", "no_difference", "contradict", "cannot_tell", "not_answerable")
_INFINITE = float("inf")


@dataclass(frozen=True, eq=False)
class IntervalLaw:
    """``weight, shift, spread, half, margin_half``: (J,) each, as in the module's docstring."""

    weight: Array
    shift: Array
    spread: Array
    half: Array
    margin_half: Array


@dataclass(frozen=True)
class Exclusion:
    """Of intervals that exclude no effect: how often there are any (``power``), their estimates' mean size ÷ the true
    effect (``exaggeration``), and how many of them point the wrong way (``wrong_sign``). The last two are NaN where
    the truth is no effect.
    """

    power: float
    exaggeration: float
    wrong_sign: float


def scale_nodes(df: float) -> tuple[Array, Array]:
    """Nodes and weights (J,) for s/σ = √(χ²/df), df > 0."""
    if np.isinf(df):
        return np.ones(1), np.ones(1)

    def depth(x: float) -> float:  # of the log density below its top
        return float(df * x - 0.5 * df * np.expm1(2.0 * x)) + 42.0

    step = min(0.1, 0.3 / np.sqrt(df))
    low = optimize.brentq(depth, -42.0 / df - 1.0, 0.0)
    high = optimize.brentq(depth, 0.0, np.sqrt(42.0 / df) + 1.0)
    x = step * np.arange(np.floor(low / step), np.ceil(high / step) + 1)
    density = np.exp(df * x - 0.5 * df * np.expm1(2.0 * x))
    constant = np.log(2.0) + 0.5 * df * np.log(0.5 * df) - special.gammaln(0.5 * df) - 0.5 * df
    return np.exp(x), step * np.exp(constant) * density


def pooled_law(std_error: float, df: float, critical: float, margin_critical: float) -> IntervalLaw:
    """One variance: std_error is the true one (σ√v); the estimated one is std_error·√(χ²/df)."""
    scale, weight = scale_nodes(df)
    estimated = std_error * scale
    return IntervalLaw(
        read_only(weight),
        read_only(np.zeros(scale.size)),
        read_only(np.full(scale.size, std_error)),
        read_only(critical * estimated),
        read_only(margin_critical * estimated),
    )


def welch_law(std_deviation: float, bins: tuple[int, int], alpha: float) -> IntervalLaw:
    """A variance for each of two arms of unequal size, Welch-Satterthwaite; equal true variances.

    alpha: error rate of the interval (already divided over a family); the margin interval has twice that.
    """
    nodes = [scale_nodes(n - 1.0) for n in bins]
    first, second = ((std_deviation * scale) ** 2 / n for (scale, _), n in zip(nodes, bins, strict=True))
    a, b = (grid.ravel() for grid in np.meshgrid(first, second, indexing="ij"))
    weight = np.multiply.outer(nodes[0][1], nodes[1][1]).ravel()
    kept = weight > 1e-18
    a, b, weight = a[kept], b[kept], weight[kept]
    df = (a + b) ** 2 / (a**2 / (bins[0] - 1.0) + b**2 / (bins[1] - 1.0))
    estimated = np.sqrt(a + b)
    spread = std_deviation * np.sqrt(1.0 / bins[0] + 1.0 / bins[1])
    return IntervalLaw(
        read_only(weight),
        read_only(np.zeros(weight.size)),
        read_only(np.full(weight.size, spread)),
        read_only(special.stdtrit(df, 1.0 - 0.5 * alpha) * estimated),
        read_only(special.stdtrit(df, 1.0 - alpha) * estimated),
    )


def simulated_law(deviation: Array, half: Array, margin_half: Array, trials: int) -> IntervalLaw:
    """deviation, half, margin_half: (J,) of the J answered trials among ``trials``; deviation = estimate − truth."""
    weight = np.full(deviation.size, 1.0 / trials)
    arrays = (weight, deviation.copy(), np.zeros(deviation.size), half.copy(), margin_half.copy())
    return IntervalLaw(*(read_only(array) for array in arrays))


def mixed_law(laws: Sequence[IntervalLaw], shares: Sequence[float]) -> IntervalLaw:
    """The law of a trial that follows law i with probability shares[i]; a rest below one is left without an answer."""
    if not laws:
        return IntervalLaw(*(read_only(np.zeros(0)) for _ in range(5)))
    weight = np.concatenate([share * law.weight for law, share in zip(laws, shares, strict=True)])
    names = ("shift", "spread", "half", "margin_half")
    rest = (np.concatenate([getattr(law, name) for law in laws]) for name in names)
    return IntervalLaw(read_only(weight), *(read_only(array) for array in rest))


def expected_half_width(law: IntervalLaw) -> float:
    """Mean half-width among the trials that give an interval; NaN where none does."""
    total = float(law.weight.sum())
    return _mean(law, law.half) / total if total > 0.0 else float("nan")


def call_chances(
    law: IntervalLaw, truth: float, claim: float, margin: tuple[float, float] | None = None
) -> Mapping[str, float]:
    """Chance of each call for a claim of at least ``claim`` > 0 when the true effect is ``truth``.

    The rows of the verdict in their order: support; less than claimed; no difference; contradict; cannot tell; trials
    without an interval are "not_answerable". margin: (low, high) around zero, with ``claim`` at or beyond its end.
    """
    if not claim > 0.0:
        raise ValueError(f"claim: found {claim}; expected a number above 0, no effect being 0.")
    if margin is not None and not margin[0] < 0.0 < margin[1] <= claim:
        raise ValueError(f"margin: found {margin}; expected ends around 0 and no further than the claim, {claim}.")
    half, none = law.half, np.full(law.half.size, _INFINITE)
    if margin is None:
        inside_low, inside_high = none, -none  # nothing lies inside
    else:
        inside_low, inside_high = margin[0] + law.margin_half, margin[1] - law.margin_half

    def chance(low: Array, high: Array) -> Array:
        """P(low < estimate < high) at every node."""
        centre = truth + law.shift
        return np.where(high > low, _below(high - centre, law.spread) - _below(low - centre, law.spread), 0.0)

    def outside_margin(low: Array, high: Array) -> Array:
        return chance(low, high) - chance(np.maximum(low, inside_low), np.minimum(high, inside_high))

    short, reached = claim - half, claim + half
    found = {
        "support": chance(reached, none),
        "less_than_claimed": outside_margin(np.minimum(half, short), short),
        "no_difference": chance(inside_low, np.minimum(inside_high, reached)),
        "contradict": outside_margin(-none, np.minimum(half, short)),
        "cannot_tell": outside_margin(short, reached),
    }
    chances = {name: _mean(law, values) for name, values in found.items()}
    chances["not_answerable"] = max(0.0, 1.0 - float(law.weight.sum()))
    return chances


def exclusion(law: IntervalLaw, truth: float) -> Exclusion:
    """Power, exaggeration and wrong-sign chance of intervals that exclude no effect (Gelman & Carlin 2014)."""
    centre = truth + law.shift
    above = 1.0 - _below(law.half - centre, law.spread)
    under = _below(-law.half - centre, law.spread)
    power = _mean(law, above + under)
    if truth == 0.0 or power <= 0.0:
        return Exclusion(power, float("nan"), float("nan"))
    # E[estimate; above half] = centre·P + spread·φ, and the mirror image below.
    height_above = _spread_density(law.half - centre, law.spread)
    height_under = _spread_density(-law.half - centre, law.spread)
    size = _mean(law, centre * above + height_above - centre * under + height_under)
    wrong = _mean(law, under if truth > 0.0 else above)
    return Exclusion(power, size / power / abs(truth), wrong / power)


def smallest_effect_shown(law: IntervalLaw, chance: float = 0.8) -> float:
    """The smallest true effect whose interval excludes no effect with that chance; inf where none does."""
    return _smallest(lambda effect: exclusion(law, effect).power, law, chance)


def smallest_claim_ruled_out(law: IntervalLaw, chance: float = 0.8) -> float:
    """The smallest claim that the interval falls entirely short of, with that chance, if there is no effect at all."""

    def ruled_out(claim: float) -> float:
        return _mean(law, _below(claim - law.half - law.shift, law.spread))

    return _smallest(ruled_out, law, chance)


def smallest_truth_supporting(law: IntervalLaw, claim: float, chance: float = 0.8) -> float:
    """The smallest true effect with which the interval lies entirely at or beyond the claim, with that chance."""

    def supported(extra: float) -> float:
        return _mean(law, 1.0 - _below(law.half - extra - law.shift, law.spread))

    return claim + _smallest(supported, law, chance)


def _smallest(reached: object, law: IntervalLaw, chance: float) -> float:
    if not 0.0 < chance < 1.0:
        raise ValueError(f"chance: found {chance}; expected a number between 0 and 1.")
    assert callable(reached)
    if float(law.weight.sum()) <= chance:
        return _INFINITE
    high = _mean(law, law.half) + 1e-9
    while reached(high) < chance:
        high *= 2.0
    if reached(0.0) >= chance:
        return 0.0
    return float(optimize.brentq(lambda effect: reached(effect) - chance, 0.0, high, xtol=1e-10, rtol=1e-10))


def _mean(law: IntervalLaw, values: Array) -> float:
    """Σ w_j · value_j; a plain sum, because a threaded product is slower for so short a list."""
    return float(np.sum(law.weight * values))


def _below(distance: Array, spread: Array) -> Array:
    """P(spread·Z < distance); a step where the spread is zero."""
    below = (distance > 0.0) * 1.0
    spread_out = spread > 0.0
    below[spread_out] = special.ndtr(distance[spread_out] / spread[spread_out])
    return np.asarray(below)


def _spread_density(distance: Array, spread: Array) -> Array:
    """spread·φ(distance/spread), zero where the spread is."""
    density = np.zeros(distance.size)
    spread_out = spread > 0.0
    z = distance[spread_out] / spread[spread_out]
    density[spread_out] = spread[spread_out] * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return density
