"""Probability of superiority and standings, by hand."""

import itertools

import numpy as np
import pytest

from trialkit.numerics.rerandomisation import compare_all, compare_two, layouts_within
from trialkit.numerics.superiority import standings, superiority


def test_pairs_by_hand_with_ties_as_halves():
    # 4 and 3 beside 3 and 1: 4>3, 4>1, 3=3, 3>1 = 3.5 of 4
    found = superiority([4, 3, 3, 1], [1, 1, 0, 0], [0, 0, 1, 1], [0, 0, 0, 0])
    assert (found.share, found.pairs, found.bins) == (0.875, 4, (2, 2))


def test_pairs_do_not_cross_blocks_and_bins_without_a_partner_do_not_count():
    # block 0: 2 beside 1 (won); block 1: 5 beside 9 (lost) and 5 beside 5 (half); block 2 holds the first alone
    y, first, second = [2, 1, 5, 9, 5, 0], [1, 0, 1, 0, 0, 1], [0, 1, 0, 1, 1, 0]
    found = superiority(y, first, second, [0, 0, 1, 1, 1, 2])
    assert (found.share, found.pairs, found.bins) == (0.5, 3, (2, 3))
    assert np.isnan(superiority([1, 2], [1, 0], [0, 1], [0, 1]).share)


def test_standings_add_up_to_pairs_won():
    random = np.random.default_rng(5)
    y, place = random.integers(0, 6, 24).astype(float), np.repeat(np.arange(4), 6)
    first = random.permuted(np.tile([1, 1, 0, 0, 0, 0], (4, 1)), axis=1).ravel() == 1
    found, stand = superiority(y, first, ~first, place), standings(y, place)
    assert stand[first].sum() == (found.share - 0.5) * found.pairs
    assert [stand[place == j].sum() for j in range(4)] == [0, 0, 0, 0]


def test_only_the_order_counts():
    y = np.array([0.0, 2, 2, 5, 1, 3])
    assert (
        standings(y, np.zeros(6)).tolist() == standings(np.exp(y), np.zeros(6)).tolist() == [-2.5, 0, 0, 2.5, -1.5, 1.5]
    )


def test_the_exact_p_by_counting_every_share():
    """3 and 3 bins: all 20 ways to share them out."""
    y = np.array([1, 2, 2, 3, 4, 2], dtype=float)
    first = np.array([0, 0, 0, 1, 1, 1])
    shares = []
    for chosen in itertools.combinations(range(6), 3):
        one = np.isin(np.arange(6), chosen)
        shares.append(superiority(y, one, ~one, np.zeros(6)).share)
    observed = superiority(y, first == 1, first == 0, np.zeros(6)).share
    expected = np.mean(np.abs(np.array(shares) - 0.5) >= abs(observed - 0.5))
    found = compare_two(layouts_within(first, np.zeros(6)), standings(y, np.zeros(6)), first, np.zeros(6))
    assert (found.p, found.floor) == (expected, 0.1)


def test_all_together_in_complete_blocks_is_exact_friedman():
    """Three treatments in three blocks all ranked alike: 6 of 216 layouts, the least p of this layout."""
    codes, block = np.tile([0, 1, 2], 3), np.repeat([0, 1, 2], 3)
    y = [1.0, 2, 3, 1, 3, 5, 0, 4, 5]
    found = compare_all(layouts_within(codes, block), standings(y, block), codes, block)
    assert found.p == found.floor == pytest.approx(6 / 216)


def test_what_cannot_be_ordered_is_an_error():
    with pytest.raises(ValueError, match="expected finite numbers"):
        standings([1.0, float("nan")], [0, 0])
    with pytest.raises(ValueError, match="no bin in both"):
        superiority([1.0, 2.0], [1, 1], [0, 1], [0, 0])
