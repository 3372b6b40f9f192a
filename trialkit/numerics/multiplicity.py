"""Holm's step-down adjustment of several p-values (Holm 1979, Scand. J. Statist. 6:65)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def holm(p: ArrayLike) -> NDArray[np.float64]:
    """Adjusted p-values (m,): the k-th smallest times m − k + 1, never below a smaller one's, at most 1.

    p: (m,) between 0 and 1. ValueError otherwise.
    """
    values = np.asarray(p, dtype=float)
    if values.ndim != 1 or not np.all((values >= 0.0) & (values <= 1.0)):
        raise ValueError(f"p: found {p!r}; expected a vector of numbers from 0 to 1.")
    order = np.argsort(values, kind="stable")
    adjusted = np.empty_like(values)
    steps = values[order] * np.arange(values.size, 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted
