"""A log-normal quantity: its coefficient of variation and the standard deviation of its logarithm."""

from __future__ import annotations

import math


def sd_log_of(cv: float) -> float:
    """Standard deviation of the logarithm, √ln(1 + CV²) (Aitchison and Brown 1957). ``cv`` as a fraction, 0 or more."""
    return math.sqrt(math.log1p(cv * cv))


def cv_of(sd_log: float) -> float:
    """Coefficient of variation, a fraction, of a quantity whose logarithm has this standard deviation."""
    return math.sqrt(math.expm1(sd_log * sd_log))
