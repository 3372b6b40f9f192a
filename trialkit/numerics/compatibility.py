"""How well each size of an effect fits the data: the two-sided p of every size on a grid, from one t interval.

The curve is 1 at the estimate and falls to α at the ends of the level 1 − α interval. Where the interval is wider than
its t quantile alone would make it (several comparisons at once), the curve is widened by the same factor, so that it
meets the ends of the interval that is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from trialkit.errors import DesignError
from trialkit.records import read_only


@dataclass(frozen=True, eq=False)
class Compatibility:
    """``effect`` (points,) ascending on the scale of analysis; ``fits`` (points,) in 0 … 1, the p of each effect."""

    effect: NDArray[np.float64]
    fits: NDArray[np.float64]


def widening(estimate: float, end: float, std_error: float, df: float, level: float) -> float:
    """The factor by which an interval with that ``end`` is wider than the plain t interval of this level.

    Raises DesignError where standard error or df are not above 0.
    """
    _checked(std_error, df, level)
    return float(abs(end - estimate) / (std_error * stdtrit(df, 0.5 * (1.0 + level))))


def compatibility(
    estimate: float, std_error: float, df: float, *, widened: float = 1.0, points: int = 201, least: float = 0.002
) -> Compatibility:
    """The curve from where it falls below ``least`` on one side to the other.

    ``widened`` stretches it sideways (see ``widening``). Fisher's inversion of the t test; as a curve: Poole 1987,
    Am J Public Health 77:195. Raises DesignError for a standard error, df or widening not above 0.
    """
    _checked(std_error, df, 0.95)
    if not widened > 0.0 or not 0.0 < least < 1.0 or points < 3:
        raise DesignError("a curve needs a widening above 0, a least value between 0 and 1, and 3 points or more.")
    reach = float(stdtrit(df, 1.0 - 0.5 * least))
    t = np.linspace(-reach, reach, points)
    return Compatibility(
        effect=read_only(np.asarray(estimate + t * std_error * widened)),
        fits=read_only(np.asarray(2.0 * stdtr(df, -np.abs(t)))),
    )


def fit_of(effect: float, estimate: float, std_error: float, df: float, *, widened: float = 1.0) -> float:
    """The p of one effect, on the same curve."""
    _checked(std_error, df, 0.95)
    return float(2.0 * stdtr(df, -abs(effect - estimate) / (std_error * widened)))


def _checked(std_error: float, df: float, level: float) -> None:
    if not (std_error > 0.0 and df > 0.0 and 0.0 < level < 1.0):
        raise DesignError(
            f"found a standard error of {std_error:g}, df {df:g} and level {level:g}; "
            "expected the first two above 0 and a level between 0 and 1."
        )
