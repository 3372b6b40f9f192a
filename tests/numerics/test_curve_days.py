"""Days on which a one-pool curve passes named thresholds; computed by hand from k and the levels."""

import math

import numpy as np
import pytest

from trialkit.numerics.curve_days import day_of_level, day_of_share, named_days
from trialkit.numerics.decay import fit_decay


def test_half_of_the_achievable_and_half_of_the_start_are_weeks_apart():
    """V0 = 100, V∞ = 40, k = 0.05 per day: −ln(30/60)/k and −ln(10/60)/k, worked by hand."""
    days = named_days(0.05, 100.0, 40.0)
    assert days["days_to_half_of_achievable"] == pytest.approx(13.862944, abs=5e-7)
    assert days["days_to_half_of_start"] == pytest.approx(35.835189, abs=5e-7)
    assert days["days_to_nearly_done"] == pytest.approx(59.914645, abs=5e-7)
    assert days["days_to_first_softening"] == pytest.approx(-math.log(0.9) / 0.05)
    assert day_of_level(0.05, 100.0, 40.0, 70.0) == pytest.approx(days["days_to_half_of_achievable"])


def test_a_level_never_reached_is_never_and_left_out_of_the_named_days():
    assert day_of_level(0.05, 100.0, 60.0, 50.0) == math.inf
    assert day_of_level(0.05, 100.0, 40.0, 40.0) == math.inf
    assert day_of_level(0.05, 100.0, 40.0, 110.0) == math.inf
    assert day_of_level(0.05, 100.0, 40.0, 100.0) == 0.0
    assert "days_to_half_of_start" not in named_days(0.05, 100.0, 60.0)
    assert "days_to_half_of_start" not in named_days(0.05, 0.0, 60.0)


@pytest.mark.parametrize(("level", "ratio"), [(70.0, 0.893085), (60.0, 0.869744), (50.0, 0.818378), (45.0, 0.753269)])
def test_with_another_end_level_the_time_ratio_depends_on_the_threshold(level, ratio):
    """Control V∞ 40, k 0.04; treated the same k but V∞ 35; computed independently. With k × 1.25 and one V∞: 0.8."""
    control = day_of_level(0.04, 100.0, 40.0, level)
    assert day_of_level(0.04, 100.0, 35.0, level) / control == pytest.approx(ratio, abs=5e-7)
    assert day_of_level(0.05, 100.0, 40.0, level) / control == pytest.approx(0.8, abs=1e-12)


@pytest.mark.parametrize(("rate", "time"), [(1.1, 0.909091), (1.25, 0.8), (1.5, 0.666667), (2.0, 0.5)])
def test_with_one_end_level_the_time_ratio_is_the_inverse_of_the_rate_ratio(rate, time):
    assert day_of_share(0.04 * rate, 0.6) / day_of_share(0.04, 0.6) == pytest.approx(time, abs=5e-7)


def test_a_day_from_a_fitted_settling_curve():
    """Synthetic settling curve; three-parameter least squares computed independently: 60 L on day 23.79707."""
    days = np.array([0, 3, 7, 10, 14, 21, 28, 35], float)
    fit = fit_decay(days, np.array([100, 92, 83, 77, 71, 62, 57, 53], float))
    assert day_of_level(fit.rate, fit.start, fit.end, 60.0) == pytest.approx(23.79707, abs=5e-5)


@pytest.mark.parametrize("rate", [0.0, -0.1, math.nan, math.inf])
def test_a_rate_must_be_a_number_above_zero(rate):
    with pytest.raises(ValueError, match="expected a rate above 0"):
        day_of_level(rate, 100.0, 40.0, 70.0)
    if rate != math.inf:
        with pytest.raises(ValueError, match="expected a rate above 0"):
            day_of_share(rate, 0.5)
