"""Comparisons of two treatments at a time, each on a variance of its own.

Completely random: for treatments i and j with n_i, n_j bins and variances s_i², s_j²,

    SE² = s_i²/n_i + s_j²/n_j
    df  = (a + b)² / (a²/(n_i − 1) + b²/(n_j − 1)),   a = s_i²/n_i,  b = s_j²/n_j
          (Welch 1938, Biometrika 29:350; Satterthwaite 1946, Biometrics Bulletin 2:110),

also where n_i = n_j = n. The 2 (n − 1) df of two arms together would be shorter there, and too short: in 400,000 normal
trials a cell (seed 977001), two arms of n bins, one variance four times the other,

    n                                  3      4      5      6      7      8
    intervals that hold, %    Welch   95.6   95.2   95.0   95.0   95.0   95.0   (equal variances 96.5 … 95.2)
                           2 (n − 1)  93.8   94.1   94.1   94.3   94.3   94.4
    claims of the true size   Welch   2.16   2.36   2.47   2.50   2.49   2.52
    called supported, %    2 (n − 1)  3.07   2.96   2.93   2.87   2.82   2.81   (2.5 is meant)
    mean width, Welch ÷ 2 (n − 1)     1.25   1.12   1.08   1.06   1.05   1.04

Families of two and three comparisons by Bonferroni, on the same trials: Welch 95.2 … 97.3 %.

Blocks: the m differences of the blocks that hold both treatments, their variance, m − 1 df. A block with several bins
of a treatment gives one difference of means.

Responses ``y`` are (n,) or (n, S); results then gain a last axis S.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.records import read_only

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PairwiseFit:
    """``means``, ``variances`` (T,) of each treatment's own bins; ``differences``, ``std_errors``, ``df`` (T, T) row
    minus column, NaN with fewer than two bins or pairs; ``counts`` (T, T) bins or complete pairs of the row's
    treatment that enter, on the diagonal its bins.
    """

    means: Array
    variances: Array
    differences: Array
    std_errors: Array
    df: Array
    counts: NDArray[np.intp]


def completely_random_by_treatment(y: ArrayLike, treatment: ArrayLike, *, treatments: int) -> PairwiseFit:
    """Every pair of treatments in a completely random layout. treatment: (n,) codes 0 … treatments − 1."""
    response, arm = _checked(y, treatment)
    means, variances, bins = _arms(response, arm, treatments)
    shape = (treatments, treatments, *response.shape[1:])
    differences, std_errors, df = (np.full(shape, np.nan) for _ in range(3))
    counts = np.repeat(bins[:, None], treatments, axis=1)
    counts[:, bins == 0] = 0
    np.fill_diagonal(counts, bins)
    for i in range(treatments):
        for j in range(treatments):
            if i == j or min(bins[i], bins[j]) < 2:
                continue
            a, b = variances[i] / bins[i], variances[j] / bins[j]
            differences[i, j] = means[i] - means[j]
            std_errors[i, j] = np.sqrt(a + b)
            with np.errstate(invalid="ignore"):  # both variances zero: no df
                df[i, j] = (a + b) ** 2 / (a**2 / (bins[i] - 1) + b**2 / (bins[j] - 1))
    return _record(means, variances, differences, std_errors, df, counts)


def blocks_by_treatment(y: ArrayLike, treatment: ArrayLike, block: ArrayLike, *, treatments: int) -> PairwiseFit:
    """Every pair of treatments by the differences inside blocks. treatment, block: (n,) codes from 0."""
    response, arm = _checked(y, treatment)
    place = np.asarray(block, dtype=np.intp)
    if place.shape != arm.shape:
        raise ValueError(f"block: found {place.size} codes; expected one for each of {arm.size} bins.")
    means, variances, bins = _arms(response, arm, treatments)
    places = int(place.max()) + 1
    cells = np.full((treatments, places, *response.shape[1:]), np.nan)
    filled = np.zeros((treatments, places), dtype=bool)
    for i in range(treatments):
        for j in range(places):
            here = (arm == i) & (place == j)
            if here.any():
                cells[i, j] = response[here].mean(axis=0)
                filled[i, j] = True
    shape = (treatments, treatments, *response.shape[1:])
    differences, std_errors, df = (np.full(shape, np.nan) for _ in range(3))
    counts = np.diag(bins)
    for i in range(treatments):
        for j in range(treatments):
            if i == j:
                continue
            both = filled[i] & filled[j]
            pairs = int(both.sum())
            counts[i, j] = pairs
            if pairs < 2:
                continue
            difference = cells[i, both] - cells[j, both]
            differences[i, j] = difference.mean(axis=0)
            std_errors[i, j] = np.sqrt(difference.var(axis=0, ddof=1) / pairs)
            df[i, j] = pairs - 1.0
    return _record(means, variances, differences, std_errors, df, counts)


def _checked(y: ArrayLike, treatment: ArrayLike) -> tuple[Array, NDArray[np.intp]]:
    response = np.asarray(y, dtype=float)
    arm = np.asarray(treatment, dtype=np.intp)
    if response.ndim not in (1, 2) or arm.ndim != 1 or response.shape[0] != arm.size:
        raise ValueError(f"y: found an array of shape {response.shape}; expected {arm.size} rows, one a bin.")
    return response, arm


def _arms(y: Array, arm: NDArray[np.intp], treatments: int) -> tuple[Array, Array, NDArray[np.intp]]:
    means = np.full((treatments, *y.shape[1:]), np.nan)
    variances = means.copy()
    bins = np.bincount(arm, minlength=treatments).astype(np.intp)
    for i in range(treatments):
        if bins[i] > 0:
            means[i] = y[arm == i].mean(axis=0)
        if bins[i] > 1:
            variances[i] = y[arm == i].var(axis=0, ddof=1)
    return means, variances, bins


def _record(
    means: Array, variances: Array, differences: Array, std_errors: Array, df: Array, counts: NDArray[np.intp]
) -> PairwiseFit:
    return PairwiseFit(
        means=read_only(means),
        variances=read_only(variances),
        differences=read_only(differences),
        std_errors=read_only(std_errors),
        df=read_only(df),
        counts=read_only(counts),
    )
