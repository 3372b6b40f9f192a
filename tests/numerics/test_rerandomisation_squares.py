"""Latin squares drawn again."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.numerics.rerandomisation import NO_TEST
from trialkit.numerics.rerandomisation_squares import (
    chains,
    compare_all_in_square,
    compare_two_in_square,
    shuffled_squares,
)

KLEIN = np.array([[0, 1, 2, 3], [1, 0, 3, 2], [2, 3, 0, 1], [3, 2, 1, 0]])
CYCLIC = np.array([[0, 1, 2, 3], [1, 2, 3, 0], [2, 3, 0, 1], [3, 0, 1, 2]])
NONE_LOST = np.zeros((4, 4), dtype=bool)


def is_square(labels):
    lines = [*labels, *labels.T]
    return all(sorted(line) == list(range(len(labels))) for line in lines)


def cells(square):
    row, column = np.indices(square.shape)
    return square.ravel(), row.ravel(), column.ravel()


@pytest.mark.parametrize(("square", "pair", "count"), [(KLEIN, (0, 1), 2), (CYCLIC, (0, 1), 1), (CYCLIC, (0, 2), 2)])
def test_turning_a_chain_leaves_a_latin_square(square, pair, count):
    labels, row, column = cells(square)
    closed = chains(labels == pair[0], labels == pair[1], row, column)
    assert len(closed) == count
    for chain in closed:
        turned = labels.copy()
        turned[chain] = np.where(labels[chain] == pair[0], pair[1], pair[0])
        assert is_square(turned.reshape(4, 4))


def test_every_square_with_the_other_treatments_in_place_is_a_choice_of_turns():
    """By trying all placements of the two labels on their cells."""
    for square, pair in ((KLEIN, (0, 1)), (CYCLIC, (0, 1)), (CYCLIC, (1, 3))):
        labels, row, column = cells(square)
        spots = np.flatnonzero(np.isin(labels, pair))
        found = 0
        for chosen in itertools.combinations(spots, 4):
            trial = labels.copy()
            trial[spots] = pair[1]
            trial[list(chosen)] = pair[0]
            found += is_square(trial.reshape(4, 4))
        assert found == 2 ** len(chains(labels == pair[0], labels == pair[1], row, column))


def test_a_lost_bin_breaks_its_chain():
    labels, row, column = cells(KLEIN)
    there = np.arange(16) != 0
    closed = chains((labels == 0)[there], (labels == 1)[there], row[there], column[there])
    assert len(closed) == 1


def test_two_treatments_by_hand():
    """Two chains with differences 3 and 1: |±3 ± 1| is 4, 2, 2, 4, so the observed 4 comes in half of the layouts."""
    labels, row, column = cells(KLEIN)
    closed = chains(labels == 0, labels == 1, row, column)
    y = np.zeros(16)
    y[closed[0][labels[closed[0]] == 0][0]] = 3.0
    y[closed[1][labels[closed[1]] == 0][0]] = 1.0
    test = compare_two_in_square(y, labels == 0, closed)
    assert (test.p, test.floor, test.layouts) == (0.5, 0.5, 4)
    y[closed[1]] *= -1.0
    assert compare_two_in_square(y, labels == 0, closed).p == 1.0


def test_one_chain_tells_nothing():
    labels, row, column = cells(CYCLIC)
    closed = chains(labels == 0, labels == 1, row, column)
    test = compare_two_in_square(np.arange(16.0), labels == 0, closed)
    assert (test.p, test.floor) == (None, 1.0)
    assert compare_two_in_square(np.arange(16.0), labels == 0, []) is NO_TEST


def test_three_by_three_has_two_different_squares():
    square = np.array([[0, 1, 2], [1, 2, 0], [2, 0, 1]])
    squares, exact, floor = shuffled_squares(square, np.zeros((3, 3), dtype=bool))
    different = {tuple(row) for row in squares.tolist()}
    assert exact and len(squares) == 36 and len(different) == 12  # all squares of this size
    assert floor == 0.5


@pytest.mark.parametrize("square", [KLEIN, CYCLIC])
def test_shuffles_are_squares_equally_often(square):
    squares, exact, floor = shuffled_squares(square, NONE_LOST)
    different, times = np.unique(squares, axis=0, return_counts=True)
    assert exact and np.ptp(times) == 0
    assert all(is_square(one.reshape(4, 4)) for one in different)
    alike = sum(len({(a, b) for a, b in zip(one, square.ravel(), strict=True)}) == 4 for one in different.tolist())
    assert floor == pytest.approx(alike / len(different))


def test_the_clearest_difference_reaches_the_floor():
    squares, exact, floor = shuffled_squares(CYCLIC, NONE_LOST)
    y = CYCLIC * 10.0 + np.arange(4)[:, None] - 2.0 * np.arange(4)[None, :]
    assert compare_all_in_square(y, CYCLIC, squares, exact, floor).p == pytest.approx(floor)


def test_lost_bins_keep_their_labels():
    lost = NONE_LOST.copy()
    lost[1, 2] = True
    squares, exact, floor = shuffled_squares(CYCLIC, lost)
    assert np.all(squares[:, 6] == CYCLIC[1, 2]) and exact and floor < 1.0
    y = np.where(lost, np.nan, np.random.default_rng(1).normal(size=(4, 4)))
    test = compare_all_in_square(y, CYCLIC, squares, exact, floor)
    assert floor <= test.p <= 1.0


def test_six_by_six_is_drawn():
    square = (np.arange(6)[:, None] + np.arange(6)[None, :]) % 6
    squares, exact, floor = shuffled_squares(square, np.zeros((6, 6), dtype=bool), draws=500)
    assert not exact and squares.shape == (500, 36) and floor == 1 / 501


def test_no_effect_is_called_one_no_more_often_than_said():
    """Squares drawn from all of their size by shuffling; errors log-normal, rows and columns differing."""
    random = np.random.default_rng(8)
    y = random.lognormal(size=(1_500, 4, 4)) + np.arange(4)[None, :, None] * 3.0
    p = []
    for values in y:
        square = [KLEIN, CYCLIC][int(random.integers(2))][random.permutation(4)][:, random.permutation(4)]
        squares, exact, floor = shuffled_squares(square, NONE_LOST)
        p.append(compare_all_in_square(values, square, squares, exact, floor).p)
    for a in (0.1, 0.3, 0.5):
        assert np.mean(np.array(p) <= a + 1e-12) <= a + 3 * np.sqrt(a * (1 - a) / len(p))
