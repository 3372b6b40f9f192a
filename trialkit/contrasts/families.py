"""Which pairs are compared together, and the critical values and p-values that hold for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.numerics.simultaneous import simultaneous_p, simultaneous_quantile
from trialkit.records import Adjustment, Fit, read_only

Array = NDArray[np.float64]
Pair = tuple[str, str]
_SAME_CORRELATION = 12  # decimals: rounding does not make it another one


@dataclass(frozen=True, eq=False)
class Family:
    """The K estimable comparisons that hold together.

    ``pairs`` (K,) treatment and what it is compared with; ``estimate``, ``std_error``, ``df``, ``p`` (K,) on the
    analysis scale; ``correlation`` (K, K) where they share one residual variance, else None.
    """

    pairs: tuple[Pair, ...]
    estimate: Array
    std_error: Array
    df: Array
    correlation: Array | None
    adjustment: Adjustment
    p: Array

    def critical(self, level: float) -> Array:
        """(K,) such that all K intervals estimate ± critical · std_error hold together with the given level."""
        if self.adjustment == "multivariate t":
            assert self.correlation is not None
            content = self.correlation.tobytes()
            return np.array([_quantile(level, df, content, len(self.pairs)) for df in self.df.tolist()])
        return critical_t((1.0 - level) / len(self.pairs), self.df)


@lru_cache(maxsize=4096)
def _quantile(level: float, df: float, correlation: bytes, comparisons: int) -> float:
    """Left-out bins lead to the same few correlations again and again."""
    return float(simultaneous_quantile(level, df, np.frombuffer(correlation).reshape(comparisons, comparisons)))


def critical_t(alpha: float, df: Array) -> Array:
    """Student's two-sided critical value at error rate alpha."""
    return np.asarray(special.stdtrit(df, 1.0 - 0.5 * alpha), dtype=float)


def p_alone(estimate: Array, std_error: Array, df: Array) -> Array:
    """Student's two-sided p-value, unadjusted."""
    return np.asarray(2.0 * special.stdtr(df, -np.abs(estimate / std_error)), dtype=float)


def pairs_asked(fit: Fit) -> tuple[Pair, ...]:
    """All treatments against the control (or all pairs, later minus earlier), then the pairs of declared claims.

    A claim may compare two treatments neither of which is the control. Its pair joins the family of its outcome, so
    that whatever is claimed holds together with everything else that is shown.
    """
    plan = fit.values.plan
    if plan.comparisons == "all pairs":
        pairs = [(b, a) for i, a in enumerate(fit.treatments) for b in fit.treatments[i + 1 :]]
    else:
        pairs = [(name, plan.control) for name in fit.treatments if name != plan.control and plan.control is not None]
    for claim in plan.claims:
        if claim.outcome != fit.values.outcome.name or claim.against is None:
            continue
        known = claim.treatment in fit.treatments and claim.against in fit.treatments
        pair = (claim.treatment, claim.against)
        if known and claim.treatment != claim.against and pair not in pairs and pair[::-1] not in pairs:
            pairs.append(pair)
    return tuple(pairs)


def families_of(fit: Fit, pairs: Sequence[Pair], *, with_p: bool = True) -> tuple[Family, ...]:
    """One family; in layouts of several strata one for each, because comparisons of different strata share none."""
    strata = dict.fromkeys(fit.strata.get(pair, "bins") for pair in pairs)
    parts = ([pair for pair in pairs if fit.strata.get(pair, "bins") == stratum] for stratum in strata)
    families = (family_of(fit, part, with_p=with_p) for part in parts)
    return tuple(family for family in families if family is not None)


def family_of(fit: Fit, pairs: Sequence[Pair], *, with_p: bool = True) -> Family | None:
    """The family of pairs of one stratum that can be estimated; None where none can.

    One residual variance: multivariate t, each comparison at its own df (which differ under Kenward–Roger). Variances
    of their own: Bonferroni at each one's own df, where the multivariate t would hold in 92.5 to 94 % only. The
    p-values, which take longest, are NaN without ``with_p``.
    """
    position = {name: i for i, name in enumerate(fit.treatments)}
    row = np.array([position[a] for a, _ in pairs], dtype=np.intp)
    column = np.array([position[b] for _, b in pairs], dtype=np.intp)
    estimable = np.isfinite(fit.differences[row, column]) & np.isfinite(fit.std_errors[row, column])
    row, column = row[estimable], column[estimable]
    if row.size == 0:
        return None
    estimate, std_error, df = (m[row, column] for m in (fit.differences, fit.std_errors, fit.df))
    kept = tuple(pair for pair, known in zip(pairs, estimable, strict=True) if known)
    shares = fit.covariance is not None and all(fit.strata.get(pair, "bins") == "bins" for pair in kept)
    correlation = None
    if len(kept) > 1 and shares and fit.covariance is not None:
        correlation = _correlation(fit.covariance, row, column)
    return made_family(kept, estimate, std_error, df, correlation, with_p=with_p)


def made_family(
    pairs: tuple[Pair, ...],
    estimate: Array,
    std_error: Array,
    df: Array,
    correlation: Array | None,
    *,
    with_p: bool = True,
) -> Family:
    """A family from its numbers: multivariate t with a correlation, else Bonferroni; one pair stands alone."""
    alone = p_alone(estimate, std_error, df)
    adjustment: Adjustment = "none"
    p = alone
    if len(pairs) > 1 and correlation is not None:
        adjustment = "multivariate t"
        correlation = read_only(np.round(correlation, _SAME_CORRELATION))
        if with_p:
            p = simultaneous_p(estimate / std_error, df, correlation)
    elif len(pairs) > 1:
        adjustment = "bonferroni"
        p = np.minimum(len(pairs) * alone, 1.0)
    return Family(
        pairs=pairs,
        estimate=read_only(estimate),
        std_error=read_only(std_error),
        df=read_only(df),
        correlation=correlation if len(pairs) > 1 else None,
        adjustment=adjustment,
        p=read_only(p if with_p else np.full(len(pairs), np.nan)),
    )


def _correlation(covariance: Array, row: NDArray[np.intp], column: NDArray[np.intp]) -> Array:
    """Of the differences, from the covariance of the means; rounding is taken out so that ones are ones."""
    of_differences = (
        covariance[np.ix_(row, row)]
        - covariance[np.ix_(row, column)]
        - covariance[np.ix_(column, row)]
        + covariance[np.ix_(column, column)]
    )
    spread = np.sqrt(np.diag(of_differences))
    correlation = of_differences / np.outer(spread, spread)
    correlation = np.clip(0.5 * (correlation + correlation.T), -1.0, 1.0)
    np.fill_diagonal(correlation, 1.0)
    return np.asarray(correlation)
