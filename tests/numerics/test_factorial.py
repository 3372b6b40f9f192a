"""Factorial effects as weights on treatment means."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.numerics.factorial import can_be_estimated, covariance_of, is_crossed, term_f, terms_of, weighted

TWO_BY_TWO = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
CUBE = np.array(list(itertools.product((0, 1), repeat=3)))


def test_two_by_two_by_hand():
    """Means 62.5, 57, 62, 56.25: carrier −5.625, culture −0.625, interaction −5.75 − (−5.5) = −0.25."""
    means = [62.5, 57.0, 62.0, 56.25]
    found = [float(weighted(term.rows, means)[0]) for term in terms_of(TWO_BY_TWO, (0, 0))]
    assert found == pytest.approx([-5.625, -0.625, -0.25])


def test_a_cube_has_seven_effects_that_are_orthogonal():
    terms = terms_of(CUBE, (0, 0, 0))
    assert [term.factors for term in terms] == [(0,), (1,), (2,), (0, 1), (0, 2), (1, 2), (0, 1, 2)]
    rows = np.vstack([term.rows for term in terms])
    assert np.allclose(rows @ rows.T, np.diag(np.diag(rows @ rows.T)))
    assert np.allclose(rows.sum(axis=1), 0.0)
    # effect of the first factor at the second's level 1 minus the same at its level 0, averaged over the third
    assert rows[3].tolist() == [0.5, 0.5, -0.5, -0.5, -0.5, -0.5, 0.5, 0.5]
    assert rows[6].tolist() == [-1, 1, 1, -1, 1, -1, -1, 1]


def test_the_reference_turns_main_effects():
    first, _, _ = terms_of(TWO_BY_TWO, (1, 0))
    assert weighted(first.rows, [1.0, 3.0, 1.0, 3.0]).tolist() == [-2.0]
    assert first.level.tolist() == [0]


def test_more_levels_have_main_effects_and_an_f_test_of_the_interaction():
    codes = np.array(list(itertools.product(range(3), range(4))))
    variety, nitrogen, both = terms_of(codes, (1, 0))
    assert variety.rows.shape == (2, 12) and variety.level.tolist() == [0, 2]
    assert nitrogen.rows.shape == (3, 12)
    assert both.rows.shape == (0, 12) and both.test_rows.shape == (6, 12)
    assert np.linalg.matrix_rank(np.vstack([variety.test_rows, nitrogen.test_rows, both.test_rows])) == 11


def test_f_is_that_of_model_comparison():
    random = np.random.default_rng(3)
    codes = np.repeat(np.array(list(itertools.product(range(2), range(3)))), 3, axis=0)
    y = random.normal(size=18)
    cell = codes[:, 0] * 3 + codes[:, 1]
    means = np.bincount(cell, weights=y) / 3
    error = float(np.sum((y - means[cell]) ** 2)) / 12
    terms = terms_of(np.unique(codes, axis=0), (0, 0))
    a, b = np.eye(2)[codes[:, 0]], np.eye(3)[codes[:, 1]]

    def explained(columns):
        return float(np.sum((columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2))

    additive = explained(np.hstack([a, b]))
    sums = [additive - explained(b), additive - explained(a), float(np.sum(means[cell] ** 2)) - additive]
    for term, total in zip(terms, sums, strict=True):
        test = term_f(term.test_rows, means, np.eye(6) / 3 * error, 12)
        assert test.f == pytest.approx(total / test.df_num / error, rel=1e-9)


def test_effects_that_coincide_with_blocks():
    """Half of the cube in blocks of one kind: only the interaction of all three lies between them."""
    component = CUBE.sum(axis=1) % 2
    fine = [bool(can_be_estimated(term.test_rows, component).all()) for term in terms_of(CUBE, (0, 0, 0))]
    assert fine == [True] * 6 + [False]
    assert not can_be_estimated([[1.0, -1.0]], [0, -1])[0]


def test_means_without_a_weight_may_be_missing():
    assert weighted([[1.0, -1.0, 0.0]], [3.0, 1.0, np.nan]).tolist() == [2.0]
    covariance = np.diag([1.0, 2.0, np.nan])
    assert covariance_of([[1.0, -1.0, 0.0]], covariance).tolist() == [[3.0]]


@pytest.mark.parametrize(
    "levels", [[[0], [1]], [[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 0], [0, 1], [1, 1], [1, 1]], [[0, 0], [1, 0]]]
)
def test_what_is_not_crossed(levels):
    assert not is_crossed(levels)
    with pytest.raises(ValueError, match="every combination of the factors' levels exactly once"):
        terms_of(levels, (0,) * len(levels[0]))
