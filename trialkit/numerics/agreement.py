"""Agreement of two raters beyond what chance alone would bring (Cohen 1960, Educ. Psychol. Meas. 20:37)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.errors import DesignError


@dataclass(frozen=True)
class Agreement:
    """Cohen's κ = (observed − expected) / (1 − expected), shares of ``pairs`` rated alike and expected to be by chance.

    ``std_error`` for large numbers of pairs (Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72:323); 0 where all agree.
    """

    kappa: float
    std_error: float
    observed: float
    expected: float
    pairs: int


def cohen_kappa(table: ArrayLike) -> Agreement:
    """κ from counts, ``table`` (c, c): row the category given by the first rater, column by the second.

    Raises DesignError where the table is not square or counts no pairs, and where both raters used one category only,
    so that agreement by chance is complete and κ has no definition.
    """
    counts = np.asarray(table, float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise DesignError(f"Found a table of shape {counts.shape}; expected as many rows as columns, at least two.")
    if not np.isfinite(counts).all() or (counts < 0).any() or (counts != np.round(counts)).any():
        raise DesignError("Found entries that are not counts; expected whole numbers of 0 or more.")
    pairs = int(counts.sum())
    if pairs == 0:
        raise DesignError("Found no pair of ratings; expected bins rated by both raters.")
    share = counts / pairs
    row, column = share.sum(axis=1), share.sum(axis=0)
    observed, expected = float(np.trace(share)), float(row @ column)
    if expected >= 1.0:
        raise DesignError("Both raters gave every bin the same category; chance alone would agree, so κ has no value.")
    kappa = (observed - expected) / (1.0 - expected)
    own = np.diag(share) @ (1.0 - (row + column) * (1.0 - kappa)) ** 2
    off = share * (column[:, None] + row[None, :]) ** 2
    other = (1.0 - kappa) ** 2 * (off.sum() - np.trace(off))
    variance = (own + other - (kappa - expected * (1.0 - kappa)) ** 2) / (pairs * (1.0 - expected) ** 2)
    return Agreement(kappa, float(np.sqrt(max(variance, 0.0))), observed, expected, pairs)
