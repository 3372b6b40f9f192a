"""One-pool curves: certified values, an independent optimiser, exact curves, laws, and what cannot be told."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, curve_fit
from scipy.stats import f as f_distribution

from trialkit.numerics.decay import fit_decay
from trialkit.numerics.serial_pattern import serial_pattern_p

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
# an invented settling curve, whole litres, start near 100, end near 44
DAYS = np.array([0, 3, 7, 10, 14, 21, 28, 35.0])
VOLUMES = np.array([100, 92, 83, 77, 71, 62, 57, 53.0])


def read_case(name):
    case = json.loads((REFERENCE / name).read_text(encoding="utf-8"))
    return np.array(case["days"], float), np.array(case["levels"], float), case


def falling(t, start, end, k):
    return end + (start - end) * np.exp(-k * t)


@pytest.mark.parametrize("name", ["decay_boxbod.json", "decay_misra1a.json"])
def test_certified_values(name):
    # no start values are handed over, so both of NIST's starting points are the same case here
    days, levels, case = read_case(name)
    fit = fit_decay(days, levels, start=0.0)
    for what, value in case["expected"].items():
        assert getattr(fit, what) == pytest.approx(value, rel=case["relative_tolerance"]), what
    assert fit.identified
    assert np.isnan(fit.start_std_error)


def test_profile_limits_of_boxbod_by_another_route():
    days, levels, _ = read_case("decay_boxbod.json")

    def rss(k):  # the best b1 at this k, by least squares of numpy
        column = (1.0 - np.exp(-k * days))[:, None]
        return float(np.linalg.lstsq(column, levels, rcond=None)[1][0])

    fit = fit_decay(days, levels, start=0.0)
    cut = rss(fit.rate) * (1.0 + f_distribution.ppf(0.95, 1, 4) / 4)
    low, high = brentq(lambda k: rss(k) - cut, 0.05, 0.5), brentq(lambda k: rss(k) - cut, 0.6, 3.0)
    assert (fit.low, fit.high) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))
    # worked out beforehand with another program
    assert (fit.low, fit.high) == (pytest.approx(0.30259, abs=1e-5), pytest.approx(1.07305, abs=1e-5))
    # a symmetric interval from the standard error is another one: 0.257 to 0.838
    assert fit.rate - 2.776445 * fit.rate_std_error == pytest.approx(0.25693, abs=1e-5)


def test_three_parameters_against_an_independent_optimiser():
    found, covariance = curve_fit(falling, DAYS, VOLUMES, p0=(100, 40, 0.05), ftol=1e-15, xtol=1e-15, gtol=1e-15)
    fit = fit_decay(DAYS, VOLUMES)
    # Levenberg–Marquardt stops where the sum of squares stops moving: half the digits of the parameters
    assert (fit.start, fit.end, fit.rate) == pytest.approx(tuple(found), rel=1e-7)
    errors = (fit.start_std_error, fit.end_std_error, fit.rate_std_error)
    assert errors == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-6)
    assert fit.rss == pytest.approx(0.451487, abs=5e-7)
    assert fit.df == 5
    assert fit.residuals == pytest.approx(VOLUMES - falling(DAYS, *found), abs=1e-5)


def test_the_same_readings_give_another_rate_under_another_end_level():
    free, none = fit_decay(DAYS, VOLUMES), fit_decay(DAYS, VOLUMES, end=0.0)
    fixed_start = fit_decay(DAYS, VOLUMES, start=100.0)
    found, _ = curve_fit(lambda t, start, k: falling(t, start, 0.0, k), DAYS, VOLUMES, p0=(100, 0.02), xtol=1e-14)
    assert (none.start, none.rate) == pytest.approx(tuple(found), rel=1e-7)
    assert (none.start, none.rate, none.rss) == pytest.approx((96.60983, 0.01941591, 49.6071), rel=1e-6)
    assert np.isnan(none.end_std_error) and none.end == 0.0
    assert (fixed_start.end, fixed_start.rate) == pytest.approx((43.976905, 0.05254932), rel=1e-6)
    assert fixed_start.rss == pytest.approx(0.482814, abs=5e-7)
    assert free.rate / none.rate == pytest.approx(2.734, abs=0.001)


def test_both_levels_given_leaves_the_rate_alone():
    found, covariance = curve_fit(lambda t, k: falling(t, 100.0, 44.0, k), DAYS, VOLUMES, p0=(0.05,), xtol=1e-14)
    fit = fit_decay(DAYS, VOLUMES, start=100.0, end=44.0)
    assert fit.rate == pytest.approx(found[0], rel=1e-7)
    assert fit.rate_std_error == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-6)
    assert (fit.df, fit.parameters) == (7, 1)


def test_an_exact_curve_by_hand():
    # start 100, end 40, k 0.05: 76.391840, 62.072766, 53.387810, 42.987224 on days 10, 20, 30, 60
    fit = fit_decay(np.array([0, 10, 20, 30, 60.0]), np.array([100, 76.391840, 62.072766, 53.387810, 42.987224]))
    assert (fit.start, fit.end, fit.rate) == pytest.approx((100.0, 40.0, 0.05), rel=1e-6)
    assert fit.low == pytest.approx(0.05, rel=1e-5)
    assert fit.high == pytest.approx(0.05, rel=1e-5)


def test_one_point_rate_of_litter():
    # Olson 1963, Ecology 44:322: X = X0 exp(-k t); 20 -> 12.5 in 60 days, with the end at zero and the start exact
    fit = fit_decay(np.array([30, 60.0]), np.array([20 * np.sqrt(12.5 / 20), 12.5]), start=20.0, end=0.0)
    assert fit.rate == pytest.approx(0.00783339, rel=1e-6)
    assert np.log(2) / fit.rate == pytest.approx(88.4862, rel=1e-6)


def test_no_day_zero_and_a_fast_rate():
    t = np.array([40, 40.5, 41, 42, 44, 60.0])
    fit = fit_decay(t, falling(t - 40, 10.0, 3.0, 1.2))
    assert fit.rate == pytest.approx(1.2, rel=1e-8)
    assert fit.end == pytest.approx(3.0, rel=1e-8)
    assert fit.start == pytest.approx(3.0 + 7.0 * np.exp(48.0), rel=1e-6)


def test_the_start_is_carried_back_with_its_error():
    found, covariance = curve_fit(falling, DAYS[2:], VOLUMES[2:], p0=(100, 40, 0.05), ftol=1e-15, xtol=1e-15)
    fit = fit_decay(DAYS[2:], VOLUMES[2:])
    assert (fit.start, fit.end, fit.rate) == pytest.approx(tuple(found), rel=1e-6)
    errors = (fit.start_std_error, fit.end_std_error, fit.rate_std_error)
    assert errors == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-5)


def test_a_start_too_far_back_has_no_number():
    t = np.arange(3000.0, 3008.0)
    fit = fit_decay(t, falling(t - 3000, 10.0, 3.0, 0.8) + 0.01 * (-1.0) ** np.arange(8))
    assert fit.rate == pytest.approx(0.8, rel=0.02)
    assert (fit.start, fit.start_std_error) == (np.inf, np.inf)
    assert np.all(np.abs(fit.residuals) < 0.02)


@pytest.mark.parametrize("start", [None, 0.0, 2.0])
@pytest.mark.parametrize("end", [None, 0.0, 50.0])
def test_no_series_ends_in_a_warning_or_a_rate_outside_its_limits(start, end):
    random = np.random.default_rng(17)
    for scale in (1e-6, 1.0, 1e5):
        for t in (np.arange(6.0), np.sort(random.uniform(0, 3650, 6)), 3000 + np.arange(6.0), 1e-3 * np.arange(6)):
            for y in (random.normal(size=6), np.array([1.0, 0, 0, 0, 0, 0]), np.arange(6.0), np.array([5.0] * 5 + [6])):
                fit = fit_decay(t, scale * y, start=start, end=end)
                assert 0.0 < fit.rate < np.inf
                assert fit.low <= fit.rate * (1 + 1e-9) and fit.high >= fit.rate * (1 - 1e-9)


def test_the_deepest_of_several_dips_is_found():
    # two scales of fall: a local search from a slow start ends in the shallow dip
    t = np.array([0, 0.1, 0.2, 0.4, 10, 20, 40, 80, 160.0])
    y = np.array([100, 80, 66, 52, 49, 44, 49, 44, 47.0])
    fit = fit_decay(t, y)
    candidates = np.exp(np.linspace(np.log(1e-4), np.log(50), 4000))
    sums = []
    for k in candidates:
        design = np.column_stack([np.ones_like(t), np.exp(-k * t)])
        sums.append(float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2)))
    assert fit.rss <= min(sums) * (1 + 1e-12)


# ---------------------------------------------------------------- what cannot be told
def test_a_straight_line_has_no_rate():
    t = np.arange(0, 15, 2.0)
    fit = fit_decay(t, 100 - 1.5 * t + np.array([0.2, -0.3, 0.1, 0.25, -0.2, 0.05, 0.1, -0.2]))
    assert fit.low < fit.slowest == pytest.approx(0.1 / 14)
    assert not fit.identified


def test_a_fall_before_the_second_visit_has_no_rate():
    t = np.array([0, 7, 14, 21, 28.0])
    fit = fit_decay(t, np.array([100, 50.3, 49.8, 50.1, 49.9]))
    assert fit.high > fit.fastest == pytest.approx(10 / 7)
    assert not fit.identified


def test_limits_widen_with_the_level():
    narrow, wide = fit_decay(DAYS, VOLUMES, level=0.80), fit_decay(DAYS, VOLUMES, level=0.99)
    assert wide.low < narrow.low < narrow.rate < narrow.high < wide.high


@pytest.mark.parametrize(
    ("days", "levels", "arguments", "message"),
    [
        ([0, 3, 7], [100, 90, 80], {}, "3 readings on 3 days cannot fit 3 parameters; 4 readings on 3 days are the"),
        ([0, 0, 3, 3], [100, 99, 90, 91], {}, "4 readings on 2 days cannot fit 3 parameters"),
        ([0, 3, 7, 9], [50, 50, 50, 50], {}, "all levels are equal"),
        ([0, 3, 7, np.nan], [100, 90, 80, 70], {}, "must be finite"),
        ([-1, 3, 7, 9], [100, 90, 80, 70], {}, "cannot be negative"),
        ([0, 3, 7], [100, 90], {}, "two vectors of one length"),
    ],
)
def test_what_is_refused(days, levels, arguments, message):
    with pytest.raises(ValueError, match=message):
        fit_decay(np.array(days, float), np.array(levels, float), **arguments)


# ---------------------------------------------------------------- laws
@settings(max_examples=12, deadline=None)
@given(scale=st.floats(1e-3, 1e3), seed=st.integers(0, 2**32 - 1))
def test_laws_of_units_and_order(scale, seed):
    random = np.random.default_rng(seed)
    y = VOLUMES + random.normal(0.0, 0.5, VOLUMES.size)
    base = fit_decay(DAYS, y)
    in_other_litres = fit_decay(DAYS, scale * y)
    in_hours = fit_decay(24.0 * DAYS, y)
    lifted = fit_decay(DAYS, y + 30.0)
    order = random.permutation(DAYS.size)
    shuffled = fit_decay(DAYS[order], y[order])
    assert in_other_litres.rate == pytest.approx(base.rate, rel=1e-8)
    assert in_other_litres.end == pytest.approx(scale * base.end, rel=1e-7)
    assert 24.0 * in_hours.rate == pytest.approx(base.rate, rel=1e-8)
    assert (24 * in_hours.low, 24 * in_hours.high) == pytest.approx((base.low, base.high), rel=1e-6)
    assert lifted.end == pytest.approx(base.end + 30.0, rel=1e-7)
    assert shuffled.rate == base.rate
    assert base.low < base.rate < base.high
    mirrored = fit_decay(DAYS, 200.0 - y)
    assert mirrored.rate == pytest.approx(base.rate, rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(
    k=st.floats(0.02, 0.5),
    start=st.floats(20.0, 500.0),
    share=st.floats(0.0, 0.8),
)
def test_an_exact_curve_is_recovered(k, start, share):
    t = np.array([0, 2, 4, 7, 10, 14, 21, 28, 42, 56.0])
    fit = fit_decay(t, falling(t, start, share * start, k))
    assert fit.rate == pytest.approx(k, rel=1e-6)
    assert fit.end == pytest.approx(share * start, abs=1e-6 * start)


# ---------------------------------------------------------------- the pattern of the residuals
def test_pattern_of_a_line_against_simulation():
    # independent route: the share of simulated normal errors with a smaller ratio, for a straight-line design
    x = np.column_stack([np.ones(9), np.arange(9.0)])
    residual_maker = np.eye(9) - x @ np.linalg.solve(x.T @ x, x.T)
    random = np.random.default_rng(5)
    draws = random.normal(size=(200_000, 9)) @ residual_maker
    ratios = np.sum(np.diff(draws, axis=1) ** 2, axis=1) / np.sum(draws**2, axis=1)
    for i in (0, 1, 2, 3):
        expected = float(np.mean(ratios <= ratios[i]))
        assert serial_pattern_p(draws[i], x) == pytest.approx(expected, abs=4 * np.sqrt(0.25 / 200_000))


def test_pattern_of_a_long_series_agrees_with_the_exact_one(monkeypatch):
    from trialkit.numerics import serial_pattern

    random = np.random.default_rng(8)
    x = np.column_stack([np.ones(100), np.arange(100.0), np.exp(-np.arange(100.0) / 20)])
    for correlation in (-0.2, 0.0, 0.1, 0.2):
        errors = random.normal(size=101)
        y = errors[1:] + correlation * errors[:-1]
        residuals = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        exact = serial_pattern.serial_pattern_p(residuals, x)
        with monkeypatch.context() as patch:
            patch.setattr(serial_pattern, "EXACT_UP_TO", 50)
            # the normal law leaves out skewness and kurtosis: a few thousandths at a hundred visits
            assert serial_pattern.serial_pattern_p(residuals, x) == pytest.approx(exact, abs=0.006)


def test_pattern_needs_three_degrees_of_freedom():
    assert np.isnan(serial_pattern_p(np.array([1.0, -2.0, 1.0]), np.column_stack([np.ones(3)])))
    assert np.isfinite(serial_pattern_p(np.array([1.0, -2.0, 1.0, 0.0]), np.column_stack([np.ones(4)])))


def test_two_pools_leave_a_pattern_and_alternating_errors_do_not():
    t = np.array([1, 2, 4, 7, 10, 15, 31, 45, 60, 90, 120, 150, 210.0])
    two_pools = 1.0 * -np.expm1(-0.3 * t) + 3.0 * -np.expm1(-0.006 * t)
    assert fit_decay(t, two_pools, start=0.0).serial_p < 1e-4
    one_pool = -3.0 * np.expm1(-0.03 * t) + 0.02 * (-1.0) ** np.arange(t.size)
    assert fit_decay(t, one_pool, start=0.0).serial_p > 0.5


@pytest.mark.calibration
def test_pattern_keeps_its_level_and_limits_cover():
    # k free, both levels free, 6 to 12 visits, noise 1.5 % of the start; the p-value is exact for a linear design only
    trials = 20_000 if os.environ.get("TRIALKIT_CALIBRATION") == "full" else 250
    random = np.random.default_rng(20_261)
    alarms, covered = 0, 0
    for _ in range(trials):
        t = np.linspace(0.0, 60.0, int(random.integers(6, 13)))
        k = float(random.lognormal(np.log(0.05), 0.2))
        fit = fit_decay(t, falling(t, 100.0, 42.0, k) + random.normal(0.0, 1.5, t.size))
        alarms += fit.serial_p <= 0.05
        covered += fit.low <= k <= fit.high
    error = 3.5 * np.sqrt(0.05 * 0.95 / trials)
    assert abs(alarms / trials - 0.05) < error + 0.005
    assert abs(covered / trials - 0.95) < error + 0.01
