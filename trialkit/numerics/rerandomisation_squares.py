"""The Latin square drawn again: as ``rerandomisation``, for layouts whose rows and columns hold every treatment once.

Two treatments may change places along a closed chain of cells: a row and a column of the chain hold each of them once,
so any chain can be turned by itself, whatever the other treatments do. All treatments together: rows and columns of
the square as drawn are shuffled, which a draw from all squares, or by shuffling one, makes equally likely.
"""

from __future__ import annotations

from itertools import permutations
from math import factorial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.numerics.rerandomisation import DRAWN, MOST_COUNTED, NO_TEST, SEED, LayoutTest, least_counted

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Labels = NDArray[np.uint8]


def chains(first: ArrayLike, second: ArrayLike, row: ArrayLike, column: ArrayLike) -> list[Codes]:
    """The closed chains along which two treatments of a square can change places, as positions of their bins.

    first, second: (n,) which bins carry the two treatments. A chain that a lost bin breaks cannot be turned and is left
    out.
    """
    one, other = np.asarray(first, dtype=bool), np.asarray(second, dtype=bool)
    rows, columns = np.asarray(row), np.asarray(column)
    waiting = set(np.flatnonzero(one | other).tolist())
    found = []
    while waiting:
        chain, queue = set(), [min(waiting)]
        while queue:
            here = queue.pop()
            chain.add(here)
            linked = [k for k in waiting - chain if rows[k] == rows[here] or columns[k] == columns[here]]
            queue += linked
            chain.update(linked)
        waiting -= chain
        members = np.array(sorted(chain), dtype=np.intp)
        lines = [(rows[members] == value) for value in np.unique(rows[members])]
        lines += [(columns[members] == value) for value in np.unique(columns[members])]
        if all(one[members][line].sum() == 1 and other[members][line].sum() == 1 for line in lines):
            found.append(members)
    return found


def floor_of_chains(count: int) -> float:
    """The smallest p of two treatments with so many closed chains: 2/2^count, 1 with one chain or none."""
    return min(1.0, 0.5 ** (count - 1))


def turned(count: int) -> Array:
    """(2^count, count) every way to turn the chains, −1 for a chain that is turned."""
    if count > 17:  # never reached by squares of less than 34 treatments
        raise ValueError(f"closed: found {count} chains; expected at most 17.")
    return np.asarray(1.0 - 2.0 * ((np.arange(2**count)[:, None] >> np.arange(count)) & 1))


def compare_two_in_square(y: ArrayLike, first: ArrayLike, closed: list[Codes]) -> LayoutTest:
    """Two treatments of a Latin square: every closed chain (from ``chains``) turned or not."""
    if not closed:
        return NO_TEST
    response, sign = np.asarray(y, dtype=float), np.where(np.asarray(first, dtype=bool), 1.0, -1.0)
    parts = np.array([float(np.sum(sign[chain] * response[chain])) for chain in closed])
    turns = turned(parts.size)
    floor = floor_of_chains(parts.size)
    if floor >= 1.0:
        return LayoutTest(None, 1.0, 2, True)
    found, observed = np.abs(turns @ parts), abs(float(parts.sum()))
    scale = float(np.abs(response[np.concatenate(closed)]).sum())  # bins lost elsewhere in the square are no numbers
    hits = int(np.sum(found >= least_counted(observed, scale)))
    return LayoutTest(hits / found.size, floor, int(found.size), True)


def shuffled_squares(labels: ArrayLike, lost: ArrayLike, *, draws: int = DRAWN) -> tuple[Labels, bool, float]:
    """Rows and columns of a square as drawn, shuffled: labels (L, t·t), whether all are there, and the floor.

    labels: (t, t) codes as drawn. lost: (t, t) true where the bin has no value; only shuffles that leave the labels of
    lost bins as they are count. Several shuffles may give one square, each square equally many.
    """
    square, gone = np.asarray(labels, dtype=np.uint8), np.asarray(lost, dtype=bool)
    t = square.shape[0]
    exact = factorial(t) ** 2 < MOST_COUNTED
    if exact:
        lines = np.array(list(permutations(range(t))), dtype=np.intp)
        rows, columns = np.repeat(lines, len(lines), axis=0), np.tile(lines, (len(lines), 1))
    else:
        random = np.random.default_rng(SEED)
        rows, columns = (random.permuted(np.tile(np.arange(t), (draws, 1)), axis=1) for _ in range(2))
    found = square[rows[:, :, None], columns[:, None, :]].reshape(len(rows), t * t)
    found = found[np.all(found[:, gone.ravel()] == square[gone], axis=1)]
    if not exact:
        return found, False, 1.0 / (1 + len(found))
    alike = np.mean(np.all(_renamed(found) == _renamed(square.reshape(1, -1)), axis=1))
    return found, True, float(alike)


def compare_all_in_square(y: ArrayLike, labels: ArrayLike, squares: Labels, exact: bool, floor: float) -> LayoutTest:
    """All treatments of a Latin square. y: (t, t), NaN where lost; labels (t, t); the rest from ``shuffled_squares``.

    The statistic is Σ b_i²/n_i, b_i the sum over the bins of treatment i of what rows and columns leave over: the
    treatment sum of squares where no bin is lost.
    """
    if floor >= 1.0 or len(squares) < 2:
        return NO_TEST
    response, codes = np.asarray(y, dtype=float), np.asarray(labels)
    deviation = _without_rows_and_columns(response).ravel()
    there = np.isfinite(response).ravel()
    t = response.shape[0]

    def statistic(layouts: NDArray[np.generic]) -> Array:
        total = np.zeros(len(layouts))
        for i in range(t):
            carries = (layouts == i) & there
            total += (carries @ deviation) ** 2 / np.maximum(carries.sum(axis=1), 1)
        return total

    found, observed = statistic(squares), float(statistic(codes.reshape(1, -1))[0])
    hits = int(np.sum(found >= least_counted(observed, float(np.sum(deviation**2)))))
    p = hits / len(found) if exact else (1 + hits) / (1 + len(found))
    return LayoutTest(p, floor, len(found), exact)


def _renamed(labels: Labels) -> Labels:
    """Labels by the order of their first appearance, row by row."""
    first = np.argmax(labels[:, None, :] == np.arange(labels.max() + 1)[None, :, None], axis=2)
    rank = np.argsort(np.argsort(first, axis=1), axis=1).astype(np.uint8)
    return np.take_along_axis(rank, labels.astype(np.intp), axis=1)


def _without_rows_and_columns(y: Array) -> Array:
    """(t, t) residuals of rows and columns by least squares, 0 where lost."""
    there = np.isfinite(y)
    row, column = np.nonzero(there)
    lines = np.hstack([np.eye(y.shape[0])[row], np.eye(y.shape[1])[column]])
    values = y[there] - y[there].mean()
    residual = values - lines @ np.linalg.lstsq(lines, values, rcond=1e-10)[0]
    found = np.zeros(y.shape)
    found[there] = residual
    return found
