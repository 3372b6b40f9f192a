"""Parametric fits to windows: published data, known answers, refusals."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import DesignError
from trialkit.numerics.censored_likelihood import _likelihood, fit_lifetimes

REFERENCE = Path(__file__).parents[1] / "reference"
COSMESIS = json.loads((REFERENCE / "censored_breast_cosmesis.json").read_text(encoding="utf-8"))
SMALL = json.loads((REFERENCE / "censored_small_bins.json").read_text(encoding="utf-8"))


def windows(rows):
    table = np.array([[low, np.inf if high is None else high] for low, high in rows], dtype=float)
    return table[:, 0], table[:, 1]


def cosmesis():
    first, second = COSMESIS["data"].values()
    low, high = windows(first + second)
    x = np.column_stack([np.ones(low.size), np.repeat([0.0, 1.0], [len(first), len(second)])])
    return low, high, x


def small(two_never):
    rows = [list(row) for row in SMALL["data"]["control"] + SMALL["data"]["treated"]]
    if two_never:
        for place in SMALL["data"]["never_finished"]:
            rows[place][1] = None
    low, high = windows(rows)
    return low, high, np.column_stack([np.ones(10), np.repeat([0.0, 1.0], 5)])


def agrees(found, expected, tolerance):
    for value, published in zip(np.atleast_1d(found), np.atleast_1d(np.array(expected, dtype=object)), strict=True):
        if published is not None:
            assert value == pytest.approx(float(published), abs=tolerance)


@pytest.mark.parametrize("distribution", ["weibull", "log-normal", "log-logistic", "exponential"])
def test_breast_cosmesis_of_finkelstein_and_wolfe(distribution):
    low, high, x = cosmesis()
    fit = fit_lifetimes(low, high, x, distribution=distribution)
    expected = COSMESIS["expected"][distribution]
    tolerance = COSMESIS["tolerance"]["six_decimals"]
    agrees(fit.coefficients, expected["coefficients"], tolerance)
    agrees(fit.log_likelihood, expected["log_likelihood"], tolerance)
    if "std_errors" in expected:
        agrees(fit.std_errors, expected["std_errors"], tolerance)
    if "log_sigma" in expected:
        agrees(np.log(fit.sigma), expected["log_sigma"], tolerance)
    if "sigma" in expected:
        agrees(fit.sigma, expected["sigma"], tolerance)
    if "log_sigma_std_error" in expected:
        agrees(fit.log_sigma_std_error, expected["log_sigma_std_error"], tolerance)
    if "ratio" in expected:
        agrees(fit.ratio(1), expected["ratio"], tolerance)
    if distribution == "exponential":
        assert fit.sigma == 1.0


def test_likelihood_ratio_of_the_weibull_fit():
    low, high, x = cosmesis()
    both = fit_lifetimes(low, high, x, distribution="weibull").log_likelihood
    one = fit_lifetimes(low, high, x[:, :1], distribution="weibull").log_likelihood
    assert 2 * (both - one) == pytest.approx(COSMESIS["expected"]["weibull"]["likelihood_ratio"], abs=1e-5)


@pytest.mark.parametrize("distribution", ["log-normal", "weibull"])
def test_ten_bins(distribution):
    fit = fit_lifetimes(*small(False), distribution=distribution)
    expected = SMALL["expected"]["all_finished"][distribution]
    agrees(fit.ratio(1), expected["ratio"], SMALL["tolerance"])
    agrees(fit.log_likelihood, expected["log_likelihood"], SMALL["tolerance"])


def test_two_bins_that_never_finished_are_kept():
    low, high, x = small(True)
    fit = fit_lifetimes(low, high, x, distribution="log-normal")
    expected = SMALL["expected"]["two_never"]["log-normal"]
    agrees(fit.ratio(1), expected["ratio"], SMALL["tolerance"])
    agrees(fit.log_likelihood, expected["log_likelihood"], SMALL["tolerance"])
    kept = np.isfinite(high)
    dropped = fit_lifetimes(low[kept], high[kept], x[kept], distribution="log-normal")
    assert dropped.ratio(1)[0] > fit.ratio(1)[0] + 0.03


def test_exact_times_give_the_normal_sample_mean_and_spread():
    day = np.array([20.0, 24.0, 31.0, 28.0, 22.0])
    fit = fit_lifetimes(day, day, np.ones((5, 1)), distribution="log-normal")
    assert fit.coefficients[0] == pytest.approx(np.log(day).mean(), abs=1e-9)
    assert fit.sigma == pytest.approx(np.log(day).std(), abs=1e-9)
    assert fit.log_likelihood == pytest.approx(
        stats.norm.logpdf(np.log(day), np.log(day).mean(), np.log(day).std()).sum()
    )


def test_exponential_with_exact_and_unfinished_times_has_its_closed_form():
    low = np.array([10.0, 12.0, 30.0, 40.0])
    high = np.array([10.0, 12.0, np.inf, np.inf])
    fit = fit_lifetimes(low, high, np.ones((4, 1)), distribution="exponential")
    assert np.exp(fit.coefficients[0]) == pytest.approx(low.sum() / 2, rel=1e-9)
    assert fit.std_errors[0] == pytest.approx(1 / np.sqrt(2), rel=1e-6)


@pytest.mark.parametrize("distribution", ["weibull", "log-normal", "log-logistic", "exponential"])
def test_derivatives_are_those_of_the_likelihood(distribution):
    low = np.log([5.0, 8.0, 20.0, 14.0, 9.0])
    high = np.log([9.0, 13.0, np.inf, 14.0, 12.0])
    low[0] = -np.inf
    x = np.column_stack([np.ones(5), [0.0, 1.0, 0.0, 1.0, 1.0]])
    theta = np.array([2.4, 0.2, -0.5])[: 2 if distribution == "exponential" else 3]
    _, gradient, hessian = _likelihood(theta, low, high, x, distribution)
    step = 1e-5
    for i, way in enumerate(np.eye(theta.size) * step):
        up, down = (_likelihood(theta + sign * way, low, high, x, distribution) for sign in (1, -1))
        assert gradient[i] == pytest.approx((up[0] - down[0]) / (2 * step), abs=1e-7)
        assert hessian[i] == pytest.approx((up[1] - down[1]) / (2 * step), abs=1e-6)


def test_days_or_hours_give_one_ratio():
    low, high, x = small(True)
    days = fit_lifetimes(low, high, x, distribution="weibull")
    hours = fit_lifetimes(24 * low, 24 * high, x, distribution="weibull")
    assert hours.ratio(1) == pytest.approx(days.ratio(1), rel=1e-8)


@pytest.mark.parametrize("distribution", ["weibull", "log-normal", "log-logistic"])
def test_windows_that_all_overlap_are_refused(distribution):
    with pytest.raises(DesignError, match="no maximum: they cannot tell a spread or a ratio"):
        fit_lifetimes([24] * 4, [27] * 4, np.ones((4, 1)), distribution=distribution)


def test_a_treatment_that_never_finished_is_refused():
    x = np.column_stack([np.ones(6), np.repeat([0.0, 1.0], 3)])
    low, high = [20, 24, 30, 40, 40, 40], [24, 30, 33, np.inf, np.inf, np.inf]
    with pytest.raises(DesignError, match="Every treatment needs finished bins"):
        fit_lifetimes(low, high, x, distribution="log-normal")


def test_input_that_contradicts_itself_is_refused():
    with pytest.raises(DesignError, match="ends before it starts"):
        fit_lifetimes([10.0, 9.0], [12.0, 8.0], np.ones((2, 1)), distribution="weibull")
    with pytest.raises(DesignError, match=r"expected n, n and \(n, p\)"):
        fit_lifetimes([10.0], [12.0, 8.0], np.ones((2, 1)), distribution="weibull")
    with pytest.raises(DesignError, match="repeat one another"):
        fit_lifetimes([10.0, 9.0], [12.0, 18.0], np.ones((2, 2)), distribution="weibull")
