"""The curve with one shape more: an independent optimiser, exact curves, and the one-pool curve inside it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from trialkit.numerics.decay import fit_decay
from trialkit.numerics.stretched_decay import fit_stretched_decay

DAYS = np.array([0, 3, 7, 10, 14, 21, 28, 35.0])
VOLUMES = np.array([100, 92, 83, 77, 71, 62, 57, 53.0])


def stretched(t, start, end, k, c):
    return end + (start - end) * np.exp(-((k * t) ** c))


def test_against_an_independent_optimiser():
    # scipy's trust-region search from the one-pool answer, which stands near this optimum
    found, covariance = curve_fit(
        stretched, DAYS, VOLUMES, p0=(100, 44, 0.05, 1.02), bounds=([0, 0, 1e-3, 0.1], [200, 100, 1, 5]),
        x_scale=[100, 50, 0.05, 1], xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=10_000,
    )  # fmt: skip
    fit = fit_stretched_decay(DAYS, VOLUMES)
    assert (fit.start, fit.end, fit.rate, fit.shape) == pytest.approx(tuple(found), rel=1e-5)
    errors = np.sqrt(np.diag(covariance))
    assert (fit.rate_std_error, fit.shape_std_error) == pytest.approx((errors[2], errors[3]), rel=1e-4)
    assert fit.rss <= float(np.sum((VOLUMES - stretched(DAYS, *found)) ** 2)) * (1 + 1e-9)
    assert fit.has_dip and fit.df == 4
    assert fit.residuals == pytest.approx(VOLUMES - stretched(DAYS, fit.start, fit.end, fit.rate, fit.shape), abs=1e-9)


@settings(max_examples=8, deadline=None)
@given(k=st.floats(0.03, 0.3), c=st.floats(0.5, 2.0), share=st.floats(0.0, 0.7))
def test_an_exact_curve_is_recovered(k, c, share):
    t = np.array([0, 1, 2, 4, 7, 10, 14, 21, 28, 42, 56, 84.0])
    fit = fit_stretched_decay(t, stretched(t, 100.0, 100 * share, k, c))
    assert (fit.rate, fit.shape) == pytest.approx((k, c), rel=1e-4)
    assert stretched(fit.half_time, 100.0, 0.0, fit.rate, fit.shape) == pytest.approx(50.0)


def test_the_one_pool_curve_lies_inside():
    one, more = fit_decay(DAYS, VOLUMES), fit_stretched_decay(DAYS, VOLUMES)
    assert more.rss < one.rss
    t = np.array([0, 2, 4, 7, 10, 14, 21, 28, 42.0])
    exact = fit_stretched_decay(t, 40 + 60 * np.exp(-0.08 * t))
    assert (exact.rate, exact.shape) == pytest.approx((0.08, 1.0), rel=1e-5)
    assert exact.half_time == pytest.approx(np.log(2) / 0.08, rel=1e-5)


def test_two_pools_give_a_shape_below_one_and_a_better_fit():
    t = np.array([1, 2, 4, 7, 10, 15, 31, 45, 60, 90, 120, 150, 210.0])
    y = -1.0 * np.expm1(-0.3 * t) - 3.0 * np.expm1(-0.006 * t)
    one, more = fit_decay(t, y, start=0.0), fit_stretched_decay(t, y, start=0.0)
    assert more.shape < 0.9
    assert more.rss < 0.2 * one.rss
    assert more.start == 0.0


def test_the_unit_of_time_and_level():
    base = fit_stretched_decay(DAYS, VOLUMES)
    hours = fit_stretched_decay(24 * DAYS, VOLUMES)
    gallons = fit_stretched_decay(DAYS, VOLUMES / 3.785411784)
    assert 24 * hours.rate == pytest.approx(base.rate, rel=1e-6)
    assert hours.shape == pytest.approx(base.shape, rel=1e-6)
    assert gallons.rate == pytest.approx(base.rate, rel=1e-6)


def test_a_curve_without_a_shape_says_so():
    # a step between the first visits: the later the better, up to the end of the scan
    t = np.arange(0.0, 10.0)
    step = np.where(t < 4.5, 100.0, 50.0) + 0.01 * (-1.0) ** np.arange(10)
    assert not fit_stretched_decay(t, step).has_dip


def test_too_few_readings():
    with pytest.raises(ValueError, match="4 readings on 4 days cannot fit 4 parameters"):
        fit_stretched_decay(DAYS[:4], VOLUMES[:4])
