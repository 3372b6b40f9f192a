"""Kenward & Roger 1997: exact cases, the paper's formulas, and where no number is given."""

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import DesignError
from trialkit.numerics.kenward_roger import (
    contrast_estimate,
    contrast_estimates,
    df_with_one_inside,
    joint_test,
    small_sample,
)
from trialkit.numerics.reml import fit_reml
from trialkit.numerics.variance_structures import DesignVariance, variance_structure


def block_fit(values, keep=None, bounded=True):
    """values (blocks, treatments); keep: which cells are there. Indicator columns, no intercept."""
    width = values.shape[1]
    there = np.ones(values.size, bool) if keep is None else np.asarray(keep, bool).ravel()
    block, treatment = np.divmod(np.flatnonzero(there), width)
    x = np.equal.outer(treatment, np.arange(width)).astype(float)
    structure = variance_structure(there.sum(), design=[DesignVariance("block", block)])
    return fit_reml(values.ravel()[there], x, structure, bounded=bounded)


VALUES = np.random.default_rng(3).normal(size=(6, 3)) + np.random.default_rng(4).normal(size=(6, 1)) * 2


def test_ordinary_regression_is_exact():
    draw = np.random.default_rng(1)
    x = np.column_stack([np.ones(9), draw.normal(size=9), draw.normal(size=9)])
    y = draw.normal(size=9)
    small = small_sample(fit_reml(y, x, variance_structure(9)))
    beta, rss, *_ = np.linalg.lstsq(x, y, rcond=None)
    covariance = rss[0] / 6 * np.linalg.inv(x.T @ x)
    one = contrast_estimate(small, [0, 1, 0])
    assert (one.estimate, one.std_error, one.df) == pytest.approx((beta[1], np.sqrt(covariance[1, 1]), 6.0))
    test = joint_test(small, np.eye(3)[1:])
    f = beta[1:] @ np.linalg.solve(covariance[1:, 1:], beta[1:]) / 2
    assert (test.f, test.df_num, test.df_den) == (pytest.approx(f), 2, pytest.approx(6.0))
    assert test.p == pytest.approx(stats.f.sf(f, 2, 6))


@pytest.mark.parametrize("blocks", [2, 3, 6])
def test_complete_blocks_have_the_exact_integer_df(blocks):
    # At 2 blocks × 3 treatments the paper's formulas are 0/0.
    small = small_sample(block_fit(VALUES[:blocks], bounded=False))
    assert contrast_estimate(small, [1, -1, 0]).df == pytest.approx(2 * (blocks - 1))
    test = joint_test(small, [[1, -1, 0], [0, 1, -1]])
    assert test.df_den == pytest.approx(2 * (blocks - 1))
    residual = VALUES[:blocks] - VALUES[:blocks].mean(axis=1, keepdims=True)
    effect = residual.mean(axis=0)
    error = np.sum((residual - effect) ** 2) / (2 * (blocks - 1))
    assert test.f == pytest.approx(blocks * np.sum(effect**2) / 2 / error)


def test_lost_plots_follow_the_paper_term_by_term():
    keep = np.ones((6, 3), bool)
    keep[0, 1] = keep[3, 2] = keep[4, 2] = False
    fit = block_fit(VALUES, keep)
    small = small_sample(fit)
    inverse, phi, x, g = fit.v_inverse, fit.phi, fit.x, fit.structure.matrices
    w = np.linalg.inv(fit.information)
    p = [-x.T @ inverse @ part @ inverse @ x for part in g]
    middle = np.zeros((3, 3))
    for r in range(2):
        for s in range(2):
            q = x.T @ inverse @ g[r] @ inverse @ g[s] @ inverse @ x
            middle += w[r, s] * (q - p[r] @ phi @ p[s])
    assert small.adjusted == pytest.approx(phi + 2 * phi @ middle @ phi)
    contrasts = np.array([[1.0, -1, 0], [0, 1, -1]])
    theta = contrasts.T @ np.linalg.inv(contrasts @ phi @ contrasts.T) @ contrasts
    a1 = a2 = 0.0
    for r in range(2):
        for s in range(2):
            left, right = theta @ phi @ p[r] @ phi, theta @ phi @ p[s] @ phi
            a1 += w[r, s] * np.trace(left) * np.trace(right)
            a2 += w[r, s] * np.trace(left @ right)
    count = 2
    b = (a1 + 6 * a2) / (2 * count)
    g_ = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    below = 3 * count + 2 * (1 - g_)
    c1, c2, c3 = g_ / below, (count - g_) / below, (count + 2 - g_) / below
    mean = 1 / (1 - a2 / count)
    variance = 2 / count * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    rho = variance / (2 * mean**2)
    m = 4 + (count + 2) / (count * rho - 1)
    scale = m / (mean * (m - 2))
    estimate = contrasts @ fit.beta
    plain = estimate @ np.linalg.solve(contrasts @ small.adjusted @ contrasts.T, estimate) / count
    test = joint_test(small, contrasts)
    assert (test.df_den, test.f) == pytest.approx((m, scale * plain))
    assert not np.isclose(scale, 1.0, rtol=1e-6)


def test_one_row_is_the_square_of_its_t():
    keep = np.ones((6, 3), bool)
    keep[0, 1] = keep[3, 2] = False
    small = small_sample(block_fit(VALUES, keep))
    one = contrast_estimate(small, [1, -1, 0])
    test = joint_test(small, [[1, -1, 0]])
    assert (test.f, test.df_den) == pytest.approx(((one.estimate / one.std_error) ** 2, one.df))


def test_adjustment_never_shrinks_and_vanishes_in_complete_blocks():
    complete = block_fit(VALUES, bounded=False)
    small = small_sample(complete)
    c = np.array([1.0, -1, 0])
    assert c @ small.adjusted @ c == pytest.approx(c @ complete.phi @ c)
    keep = np.ones((6, 3), bool)
    keep[0, 1] = keep[3, 2] = False
    lost = block_fit(VALUES, keep)
    assert c @ small_sample(lost).adjusted @ c > c @ lost.phi @ c


def test_df_stay_finite_with_the_block_variance_at_zero():
    flat = np.random.default_rng(30).normal(size=(5, 3))
    flat -= flat.mean(axis=1, keepdims=True)
    fit = block_fit(flat)
    assert fit.at_bound
    assert contrast_estimate(small_sample(fit), [1, -1, 0]).df == pytest.approx(8.0)  # not the 12 of pooled rows


def test_satterthwaite_agrees_where_layouts_are_complete():
    # An independent route to df: 2 v² / var(v), var from the gradient of the contrast's variance in θ.
    fit = block_fit(VALUES, bounded=False)
    structure, x = fit.structure, fit.x
    c = np.full(3, 1 / 3)

    def variance(theta):
        return c @ np.linalg.inv(x.T @ np.linalg.inv(structure.covariance(theta)) @ x) @ c

    gradient = []
    for r in range(2):
        step = np.zeros(2)
        step[r] = 1e-5 * abs(fit.theta[r])
        gradient.append((variance(fit.theta + step) - variance(fit.theta - step)) / (2 * step[r]))
    satterthwaite = 2 * variance(fit.theta) ** 2 / (gradient @ np.linalg.inv(fit.information) @ gradient)
    assert contrast_estimate(small_sample(fit), c).df == pytest.approx(satterthwaite, rel=1e-6)


def test_several_contrasts_at_once_are_the_single_ones():
    small = small_sample(block_fit(VALUES))
    rows = np.array([[1.0, -1, 0], [1, 0, 0], [0, 1, -1]])
    for row, found in zip(rows, contrast_estimates(small, rows), strict=True):
        assert contrast_estimate(small, row) == found


def test_nothing_to_compare_is_refused():
    small = small_sample(block_fit(VALUES))
    with pytest.raises(DesignError, match="compares something with itself"):
        contrast_estimate(small, [0, 0, 0])


def test_a_tenth_fewer_df_but_never_below_one():
    """By hand; what has no df stays without."""
    np.testing.assert_allclose(df_with_one_inside([1.0, 1.05, 2.0, 2.4]), [1.0, 1.0, 1.8, 2.16], rtol=1e-12)
    assert np.isnan(df_with_one_inside(np.nan))
