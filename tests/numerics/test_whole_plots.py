"""Split plots by strata, against general least squares and by hand. The published oats stand with the models."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.numerics.strata import fit_strata, strata_design
from trialkit.numerics.whole_plots import (
    Replication,
    blocks_and_treatments,
    mixed_variance,
    replication,
    whole_plot_map,
)

LEVEL = np.array([0, 0, 0, 1, 1, 1])


def layout(blocks=3, lost=()):
    """Two levels with three subplot treatments each in every block: (treatment, whole plot, block)."""
    treatment = np.tile(np.arange(6), blocks)
    block = np.repeat(np.arange(blocks), 6)
    plot = block * 2 + LEVEL[treatment]
    kept = np.setdiff1d(np.arange(treatment.size), lost)
    return treatment[kept], plot[kept], block[kept]


def test_complete_whole_plots_are_plain_means():
    treatment, plot, _ = layout()
    design = strata_design(treatment, plot)
    values = whole_plot_map(design, treatment, plot, LEVEL)
    assert np.allclose(values, (plot[None, :] == np.arange(6)[:, None]) / 3.0)


def test_a_lost_bin_does_not_shift_its_whole_plot():
    """Without error every whole plot gets the mean it would have had, whatever bins are lost."""
    treatment, plot, block = layout(lost=(0, 8, 10))
    effect, of_block, of_plot = np.array([1.0, 5.0, 9.0, 2.0, 2.5, 7.0]), np.array([0.0, 3.0, -2.0]), np.arange(6) * 0.7
    y = effect[treatment] + of_block[block] + of_plot[plot]
    design = strata_design(treatment, plot)
    values = whole_plot_map(design, treatment, plot, LEVEL) @ y
    expected = [effect[p % 2 == LEVEL].mean() + of_block[p // 2] + of_plot[p] for p in range(6)]
    assert values.tolist() == pytest.approx(expected)


def test_the_value_is_the_least_squares_estimate():
    random = np.random.default_rng(2)
    treatment, plot, _ = layout(lost=(1, 15))
    y = random.normal(size=treatment.size)
    found = whole_plot_map(strata_design(treatment, plot), treatment, plot, LEVEL) @ y
    x, z = np.eye(6)[treatment], np.eye(6)[plot]
    both = np.hstack([z, x])
    beta = np.linalg.lstsq(both, y, rcond=None)[0]
    for p in range(6):
        row = np.zeros(12)
        row[p] = 1.0
        row[6:][p % 2 == LEVEL] = 1.0 / 3.0
        assert found[p] == pytest.approx(row @ beta, abs=1e-10)


def test_treatments_that_are_not_connected_give_no_value():
    treatment, plot, _ = layout(2, lost=(0, 1, 8))  # at level 0, the third treatment never meets the others
    values = whole_plot_map(strata_design(treatment, plot), treatment, plot, LEVEL)
    assert np.isnan(values[[0, 2]]).all() and np.isfinite(values[[1, 3]]).all()


def test_replication_of_complete_layouts_only():
    treatment, plot, block = layout()
    assert replication(treatment, plot, block, LEVEL) == Replication(3, 1)
    twice = [np.concatenate([part, part]) for part in (treatment, plot, block)]
    assert replication(*twice, LEVEL) == Replication(3, 2)
    for lost in ((4,), (0, 1, 2), (0, 1, 2, 3, 4, 5, 6, 7, 8)):
        treatment, plot, block = layout(lost=lost)
        plot, block = (np.unique(part, return_inverse=True)[1] for part in (plot, block))
        assert replication(treatment, plot, block, LEVEL) is None


def test_both_strata_by_hand():
    """Mean squares 4 of three whole plots a level and 3 inside, three treatments: 4 + ⅔ · 3 = 6; SE² = ⅔ · 6."""
    found = mixed_variance(Replication(3, 1), 3, 4.0, 5, 3.0, 8)
    assert found.std_error == pytest.approx(2.0)
    assert found.df == pytest.approx(36.0 / (16.0 / 5.0 + 4.0 / 8.0))
    alone = mixed_variance(Replication(4, 1), 1, 4.0, 6, 3.0, 8)  # one treatment a whole plot: nothing but whole plots
    assert (alone.std_error, alone.df) == (pytest.approx(np.sqrt(2.0)), pytest.approx(6.0))


@pytest.mark.parametrize("whole_df", [1, 2, 3])
def test_few_whole_plots_take_fewer_df(whole_df):
    """Two thirds of the variance from whole plots; and the intervals hold where whole plots differ most."""
    found = mixed_variance(Replication(3, 1), 3, 4.0, whole_df, 3.0, 8)
    moments = 36.0 / (16.0 / whole_df + 4.0 / 8.0)
    weighted = 1.0 / ((4.0 / 6.0) / whole_df + (2.0 / 6.0) / 8.0)
    assert found.df == pytest.approx(1.0 if whole_df == 1 else weighted)
    assert whole_df <= found.df <= moments
    random = np.random.default_rng(whole_df)
    for spread in (0.0, 1.0, 2.0, 4.0):
        whole = (spread**2 + 1 / 3) * random.chisquare(whole_df, 600) / whole_df
        inside = random.chisquare(8, 600) / 8
        d = random.normal(size=600) * np.sqrt(2 * (spread**2 + 1) / 3)
        rules = [
            mixed_variance(Replication(3, 1), 3, float(w), whole_df, float(e), 8)
            for w, e in zip(whole, inside, strict=True)
        ]
        half = np.array([stats.t.ppf(0.975, rule.df) * rule.std_error for rule in rules])
        assert np.mean(np.abs(d) <= half) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 600)


def test_mixed_variance_is_unbiased():
    """Mean squares replaced by their expectations give 2(σ_w² + σ_e²/q)/R."""
    plots, bins, q, s = 1.7, 0.6, 2, 3
    found = mixed_variance(Replication(5, q), s, plots + bins / (s * q), 4, bins, 20)
    assert found.std_error**2 == pytest.approx(2.0 * (plots + bins / q) / 5)


def test_columns_of_full_rank():
    treatment, plot, block = layout(lost=(0, 1, 2, 9, 10, 11, 12, 13, 14))
    x, told = blocks_and_treatments(treatment, np.unique(block, return_inverse=True)[1], 6)
    assert np.linalg.matrix_rank(x) == x.shape[1]
    assert told[0, 1] and not told[0, 3]  # level 0 stands in one block only, level 1 in the others
    assert plot.size == treatment.size


def test_subplot_comparisons_ignore_whole_plots():
    random = np.random.default_rng(4)
    treatment, plot, _ = layout(lost=(3,))
    y = random.normal(size=treatment.size)
    design = strata_design(treatment, plot)
    one, other = fit_strata(design, y), fit_strata(design, y + 100.0 * np.arange(6)[plot])
    same = LEVEL[:, None] == LEVEL[None, :]
    assert np.allclose(one.differences[same], other.differences[same])
    assert float(one.error_mean_square) == pytest.approx(float(other.error_mean_square))
