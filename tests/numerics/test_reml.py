"""Restricted maximum likelihood on arrays: the definition, closed forms, bounds."""

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.numerics.reml import fit_reml
from trialkit.numerics.residual_likelihood import Dense, Strata, residual_likelihood
from trialkit.numerics.variance_structures import DesignVariance, SlopeGroup, variance_structure


def by_definition(y, x, v):
    """The REML log-likelihood from V (n, n) in full."""
    n, p = x.shape
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    r = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
    return -0.5 * ((n - p) * np.log(2 * np.pi) + logs + r @ inverse @ r)


def contrast_basis(x):
    return np.linalg.qr(x, mode="complete")[0][:, x.shape[1] :]


@pytest.fixture
def blocks():
    """5 blocks × 3 treatments, two plots lost; y, x, codes of the blocks."""
    draw = np.random.default_rng(12)
    block, treatment = np.divmod(np.delete(np.arange(15), [4, 9]), 3)
    x = np.column_stack([np.ones(13), treatment == 0, treatment == 1]).astype(float)
    y = 10 + draw.normal(size=5)[block] * 2 + treatment + draw.normal(size=13)
    return y, x, block.astype(np.intp)


def test_log_likelihood_is_the_definition(blocks):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    fit = fit_reml(y, x, structure)
    assert fit.log_likelihood == pytest.approx(by_definition(y, x, structure.covariance(fit.theta)), abs=1e-10)
    for move in ([1.02, 1], [0.98, 1], [1, 1.02], [1, 0.98]):
        assert by_definition(y, x, structure.covariance(fit.theta * move)) < fit.log_likelihood


def test_beta_is_generalised_least_squares(blocks):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    fit = fit_reml(y, x, structure)
    inverse = np.linalg.inv(structure.covariance(fit.theta))
    phi = np.linalg.inv(x.T @ inverse @ x)
    assert fit.phi == pytest.approx(phi)
    assert fit.beta == pytest.approx(phi @ x.T @ inverse @ y)


def test_information_is_the_formula_of_the_paper(blocks):
    # I_rs = [tr(V⁻¹G_rV⁻¹G_s) − 2 tr(ΦQ_rs) + tr(ΦP_rΦP_s)] / 2, Kenward & Roger 1997.
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    fit = fit_reml(y, x, structure)
    inverse, phi, g = fit.v_inverse, fit.phi, structure.matrices
    p = [-x.T @ inverse @ part @ inverse @ x for part in g]
    for r in range(2):
        for s in range(2):
            q = x.T @ inverse @ g[r] @ inverse @ g[s] @ inverse @ x
            expected = np.trace(inverse @ g[r] @ inverse @ g[s]) - 2 * np.trace(phi @ q)
            expected += np.trace(phi @ p[r] @ phi @ p[s])
            assert fit.information[r, s] == pytest.approx(0.5 * expected, rel=1e-9)


def test_both_forms_of_the_likelihood_agree(blocks):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    basis = contrast_basis(x)
    z = basis.T @ y
    strata = residual_likelihood(z, basis, structure, 1.0)
    assert isinstance(strata, Strata)
    dense = Dense(structure, basis.T @ structure.matrices @ basis, None, z)
    for theta in (np.array([2.0, 0.7]), np.array([-0.1, 1.3]), np.array([0.0, 1.0])):
        a, b = strata.evaluate(theta), dense.evaluate(theta)
        assert a.log_determinant == pytest.approx(b.log_determinant)
        assert a.quadratic == pytest.approx(b.quadratic)
        assert a.traces == pytest.approx(b.traces)
        assert a.quadratics == pytest.approx(b.quadratics)
        assert strata.information(theta) == pytest.approx(dense.information(theta))
        assert strata.curvature(theta) == pytest.approx(dense.curvature(theta))
    assert strata.information_at_identity() == pytest.approx(dense.information_at_identity())
    assert strata.residual_only_mean_square() == pytest.approx(dense.residual_only_mean_square())
    assert strata.evaluate(np.array([-1.0, 1.0])) is None and dense.evaluate(np.array([-1.0, 1.0])) is None


@pytest.mark.parametrize("form", [Strata, Dense])
def test_derivatives_are_those_of_the_value(blocks, form):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    basis = contrast_basis(x)
    likelihood = residual_likelihood(basis.T @ y, basis, structure, 1.0)
    if form is Dense:
        likelihood = Dense(structure, basis.T @ structure.matrices @ basis, None, basis.T @ y)
    theta, h = np.array([1.5, 0.8]), 1e-5

    def score(at):
        found = likelihood.evaluate(at)
        return found.traces - found.quadratics

    for r in range(2):
        step = h * np.eye(2)[r]
        slope = (likelihood.minus_two_log(theta + step) - likelihood.minus_two_log(theta - step)) / (2 * h)
        assert score(theta)[r] == pytest.approx(slope, rel=1e-6)
        assert likelihood.curvature(theta)[r] == pytest.approx((score(theta + step) - score(theta - step)) / (2 * h))


def test_search_in_full_finds_the_same_maximum_as_strata(blocks):
    # A known variance that differs between rows by 1e-9 breaks the strata, not the answer.
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    uneven = variance_structure(13, design=[DesignVariance("block", block)], known=1e-9 * np.arange(13.0))
    a, b = fit_reml(y, x, structure), fit_reml(y, x, uneven)
    assert b.theta == pytest.approx(a.theta, rel=1e-6)
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-6)


def test_balanced_one_way_is_the_analysis_of_variance():
    y = np.array([1.0, 3, 4, 6, 8, 8])
    structure = variance_structure(6, design=[DesignVariance("group", np.repeat([0, 1, 2], 2))])
    fit = fit_reml(y, np.ones((6, 1)), structure)
    assert fit.theta == pytest.approx([25 / 3, 4 / 3])
    assert fit.information_condition >= 1
    assert fit.min_eigenvalue == pytest.approx(1.0)
    assert fit.residual_df == 5


def test_zero_is_found_exactly():
    y = np.array([1.0, 9.0, 2.0, 8.0, 1.5, 8.5])
    structure = variance_structure(6, design=[DesignVariance("group", np.repeat([0, 1, 2], 2))])
    fit = fit_reml(y, np.ones((6, 1)), structure)
    assert fit.theta[0] == 0.0 and fit.at_bound and fit.converged
    assert fit.theta[1] == pytest.approx(np.var(y, ddof=1))


def test_negative_where_allowed():
    y = np.array([1.0, 8.0, 2.0, 8.0, 1.5, 8.5])
    structure = variance_structure(6, design=[DesignVariance("group", np.repeat([0, 1, 2], 2))])
    fit = fit_reml(y, np.ones((6, 1)), structure, bounded=False)
    means = y.reshape(3, 2).mean(axis=1)
    between, within = 2 * np.var(means, ddof=1), np.sum((y.reshape(3, 2) - means[:, None]) ** 2) / 3
    assert between < within
    assert fit.theta == pytest.approx([(between - within) / 2, within])
    assert fit.min_eigenvalue == pytest.approx(between / within)


def test_the_whole_axis_is_searched():
    # Unbalanced groups whose likelihood is checked on a fine grid from far below to far above the answer.
    draw = np.random.default_rng(5)
    for _ in range(20):
        sizes = draw.integers(1, 6, size=5)
        group = np.repeat(np.arange(5), sizes)
        y = draw.normal(size=group.size) + draw.normal(size=5)[group] * draw.choice([0.0, 0.3, 3.0])
        structure = variance_structure(group.size, design=[DesignVariance("group", group)])
        x = np.ones((group.size, 1))
        fit = fit_reml(y, x, structure)
        for ratio in np.concatenate([[0.0], np.logspace(-4, 3, 60)]):
            shape = structure.covariance(np.array([ratio, 1.0]))
            inverse = np.linalg.inv(shape)
            r = y - x[:, 0] * (x[:, 0] @ inverse @ y) / (x[:, 0] @ inverse @ x[:, 0])
            sigma = r @ inverse @ r / (y.size - 1)
            assert by_definition(y, x, sigma * shape) <= fit.log_likelihood + 1e-9


def test_random_slopes_satisfy_the_score_equations():
    draw = np.random.default_rng(9)
    group = np.repeat(np.arange(8), 5)
    day = np.tile([0.0, 40, 80, 130, 200], 8) + np.repeat(draw.integers(0, 9, 8), 5)
    y = draw.normal(0, 3, 8)[group] + draw.normal(1, 0.05, 8)[group] * day + draw.normal(size=40)
    columns = np.column_stack([np.ones(40), day])
    structure = variance_structure(40, slopes=[SlopeGroup(("intercept", "day"), group, columns)])
    fit = fit_reml(y, columns, structure)
    assert fit.converged and not fit.at_bound
    v = structure.covariance(fit.theta)
    assert fit.log_likelihood == pytest.approx(by_definition(y, columns, v), abs=1e-8)
    for r in range(4):
        step = np.zeros(4)
        step[r] = 1e-4 * abs(fit.theta[r])
        up = by_definition(y, columns, structure.covariance(fit.theta + step))
        down = by_definition(y, columns, structure.covariance(fit.theta - step))
        assert abs(up - down) < 1e-7


def test_a_large_constant_costs_no_digits(blocks):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    plain, moved = fit_reml(y, x, structure), fit_reml(y + 1e7, x, structure)
    assert moved.theta == pytest.approx(plain.theta, rel=1e-7)


def test_shapes_and_numbers_are_checked(blocks):
    y, x, block = blocks
    structure = variance_structure(13, design=[DesignVariance("block", block)])
    with pytest.raises(ValueError, match=r"found y of shape \(12,\)"):
        fit_reml(y[:12], x, structure)
    with pytest.raises(ValueError, match="expected finite numbers only"):
        fit_reml(np.where(np.arange(13) == 2, np.nan, y), x, structure)
    with pytest.raises(DesignError, match="The fixed terms have 4 coefficients of which these 13 rows cannot separate"):
        fit_reml(y, np.column_stack([x, x[:, 1] + x[:, 2]]), structure)
