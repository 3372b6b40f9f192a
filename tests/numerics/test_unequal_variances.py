"""Comparisons on variances of their own, against scipy's t-tests."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.numerics.unequal_variances import blocks_by_treatment, completely_random_by_treatment

TOMATO_A = [29.9, 11.4, 25.3, 16.5, 21.1]  # Box, Hunter & Hunter, tomato plants, fertilisers A and B
TOMATO_B = [26.6, 23.7, 28.5, 14.2, 17.9, 24.3]
SHOES_A = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]  # Box, Hunter & Hunter, boys' shoes
SHOES_B = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]


def test_unequal_numbers_give_welch():
    fit = completely_random_by_treatment(TOMATO_A + TOMATO_B, [0] * 5 + [1] * 6, treatments=2)
    expected = stats.ttest_ind(TOMATO_B, TOMATO_A, equal_var=False)
    assert fit.differences[1, 0] == pytest.approx(1.693333, abs=5e-7)
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(expected.statistic, rel=1e-10)
    assert fit.df[1, 0] == pytest.approx(expected.df, rel=1e-10)
    assert fit.counts.tolist() == [[5, 5], [6, 6]]


def test_equal_numbers_give_welch_too():
    """Invented decay rates: SE 0.0690592 on 5.98432 df, ratio between 1.037885 and 1.455520 (R 4.2.2 t.test)."""
    y = np.log([0.030, 0.034, 0.027, 0.031, 0.036, 0.041, 0.033, 0.040, 1.0, 9.0, 3.0, 2.0])
    fit = completely_random_by_treatment(y, np.repeat([0, 1, 2], 4), treatments=3)
    assert fit.std_errors[1, 0] == pytest.approx(0.0690592, abs=5.1e-8)
    assert fit.df[1, 0] == pytest.approx(5.98432, abs=5.1e-6)
    half = stats.t.ppf(0.975, fit.df[1, 0]) * fit.std_errors[1, 0]
    assert np.exp(fit.differences[1, 0] - half) == pytest.approx(1.037885, abs=5.1e-7)
    assert np.exp(fit.differences[1, 0] + half) == pytest.approx(1.455520, abs=5.1e-7)
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(2.986914, abs=5.1e-7)


def test_blocks_give_paired_differences():
    """Box, Hunter & Hunter: mean 0.41, t 3.34888 on 9 df."""
    fit = blocks_by_treatment(SHOES_A + SHOES_B, [0] * 10 + [1] * 10, [*range(10), *range(10)], treatments=2)
    assert fit.differences[1, 0] == pytest.approx(0.41, abs=1e-12)
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(3.34888, abs=5e-6)
    assert fit.df[1, 0] == 9.0


def test_incomplete_pairs_stay_out():
    treatment, block = [0, 1, 0, 1, 0, 1, 0], [0, 0, 1, 1, 2, 2, 3]
    y = [1.0, 2.0, 2.0, 5.0, 3.0, 5.0, 100.0]
    fit = blocks_by_treatment(y, treatment, block, treatments=2)
    expected = stats.ttest_rel([2.0, 5.0, 5.0], [1.0, 2.0, 3.0])
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(expected.statistic, rel=1e-10)
    assert fit.counts.tolist() == [[4, 3], [3, 3]]


def test_two_bins_of_a_treatment_in_a_block_give_one_difference():
    fit = blocks_by_treatment([1.0, 3.0, 5.0, 2.0, 7.0], [0, 0, 1, 0, 1], [0, 0, 0, 1, 1], treatments=2)
    assert fit.differences[1, 0] == pytest.approx(4.0)  # differences 3 and 5
    assert fit.std_errors[1, 0] == pytest.approx(1.0)


def test_too_few_bins_or_pairs_are_nan():
    one = completely_random_by_treatment([1.0, 2.0, 3.0], [0, 0, 1], treatments=3)
    assert np.isnan(one.differences[1, 0]) and np.isnan(one.df[1, 0])
    pair = blocks_by_treatment([1.0, 2.0, 3.0], [0, 1, 0], [0, 0, 1], treatments=2)
    assert np.isnan(pair.std_errors[1, 0])
    assert pair.counts[1, 0] == 1


@pytest.mark.parametrize("blocked", [False, True])
def test_many_responses_are_many_single_ones(blocked):
    y = np.random.default_rng(7).normal(size=(9, 4))
    arm = np.array([0, 0, 0, 0, 1, 1, 1, 2, 2])
    block = np.array([0, 1, 2, 3, 0, 1, 2, 0, 1])

    def run(values):
        if blocked:
            return blocks_by_treatment(values, arm, block, treatments=3)
        return completely_random_by_treatment(values, arm, treatments=3)

    together = run(y)
    for s in range(4):
        single = run(y[:, s])
        for name in ("means", "variances", "differences", "std_errors", "df"):
            np.testing.assert_allclose(getattr(together, name)[..., s], getattr(single, name), rtol=1e-12)


def test_shapes_that_do_not_fit():
    with pytest.raises(ValueError, match="expected 3 rows, one a bin"):
        completely_random_by_treatment([1.0, 2.0], [0, 0, 1], treatments=2)
    with pytest.raises(ValueError, match="block: found 1 codes; expected one for each of 2 bins"):
        blocks_by_treatment([1.0, 2.0], [0, 1], [0], treatments=2)
