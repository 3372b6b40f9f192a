"""Heat integrals: exact by hand, gaps, ends, and laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.numerics.heat import clip_course, excess_area, first_peak, time_at_or_above

DAYS = np.array([0, 1, 2, 4.0])
CORE = np.array([20, 40, 60, 50.0])


def test_area_by_hand():
    # excess 0, 20, 40, 30: ½·20 + ½·(20 + 40) + 2·½·(40 + 30) = 10 + 30 + 70
    found = excess_area(DAYS, CORE - 20.0, max_gap=2.0)
    assert found.amount == pytest.approx(110.0, abs=1e-12)
    assert (found.unknown_days, found.gaps, found.above_at_end) == (0.0, (), True)


def test_area_stops_at_the_crossing():
    # +10 to -10 over a day: a triangle of base ½ and height 10; clipping at the readings would give 5
    assert excess_area(np.array([0, 1.0]), np.array([10, -10.0]), 2.0).amount == pytest.approx(2.5, abs=1e-12)
    assert excess_area(np.array([0, 1.0]), np.array([-10, 10.0]), 2.0).amount == pytest.approx(2.5, abs=1e-12)
    assert excess_area(np.array([0, 1.0]), np.array([-10, -1.0]), 2.0).amount == 0.0
    assert excess_area(np.array([0, 1.0]), np.array([0.0, 0.0]), 2.0).amount == 0.0


@pytest.mark.parametrize(("threshold", "days"), [(45.0, 2.75), (55.0, 1.25), (60.0, 0.0), (61.0, 0.0), (20.0, 4.0)])
def test_time_above_by_hand(threshold, days):
    # 45 is passed at day 1.25; 55 at day 1.75 and again at day 3; 60 is touched at one instant
    assert time_at_or_above(DAYS, CORE, threshold, 2.0).amount == pytest.approx(days, abs=1e-12)


def test_still_above_at_the_end():
    assert time_at_or_above(DAYS, CORE, 45.0, 2.0).above_at_end
    assert time_at_or_above(DAYS, CORE, 50.0, 2.0).above_at_end
    assert not time_at_or_above(DAYS, CORE, 55.0, 2.0).above_at_end


def test_a_gap_is_unknown_and_not_below():
    found = time_at_or_above(np.array([0, 1, 5, 6.0]), np.array([60, 60, 60, 60.0]), 55.0, max_gap=2.0)
    assert (found.amount, found.unknown_days, found.gaps) == (2.0, 4.0, ((1.0, 5.0),))
    allowed = time_at_or_above(np.array([0, 1, 5, 6.0]), np.array([60, 60, 60, 60.0]), 55.0, max_gap=4.0)
    assert (allowed.amount, allowed.unknown_days) == (6.0, 0.0)


def test_the_first_of_equal_peaks():
    assert first_peak(DAYS, CORE) == (60.0, 2.0)
    assert first_peak(np.array([0, 2, 5.0]), np.array([50, 58, 58.0])) == (58.0, 2.0)


def test_a_course_cut_between_readings():
    days, values = clip_course(DAYS, CORE, 0.5, 3.0)
    assert days.tolist() == [0.5, 1.0, 2.0, 3.0]
    assert values.tolist() == [30.0, 40.0, 60.0, 55.0]
    with pytest.raises(ValueError, match="runs from day 0 to 4, asked for 0 to 5"):
        clip_course(DAYS, CORE, 0.0, 5.0)


@pytest.mark.parametrize(
    ("days", "values", "message"),
    [
        ([0, 1, 1], [1, 2, 3], "must ascend"),
        ([0, 1], [1, np.nan], "must be finite"),
        ([0, 1], [1], "two vectors of one length"),
        ([], [], "one length above 0"),
    ],
)
def test_what_is_refused(days, values, message):
    with pytest.raises(ValueError, match=message):
        excess_area(np.array(days, float), np.array(values, float), 2.0)


courses = st.lists(st.tuples(st.floats(0.1, 2.0), st.floats(-40.0, 60.0)), min_size=2, max_size=12)


@settings(max_examples=80, deadline=None)
@given(course=courses)
def test_area_equals_a_fine_sum(course):
    t = np.cumsum([step for step, _ in course])
    x = np.array([value for _, value in course])
    fine = np.linspace(t[0], t[-1], 100_001)
    level = np.maximum(np.interp(fine, t, x), 0.0)
    area = float(np.sum(0.5 * (level[1:] + level[:-1])) * (fine[1] - fine[0]))
    assert excess_area(t, x, 2.1).amount == pytest.approx(area, abs=2e-3)
    above = float(np.mean(np.interp(fine, t, x) >= 10.0) * (t[-1] - t[0]))
    assert time_at_or_above(t, x, 10.0, 2.1).amount == pytest.approx(above, abs=2e-3)


@settings(max_examples=50, deadline=None)
@given(course=courses, cut=st.floats(0.05, 0.95))
def test_area_adds_up_over_a_cut_and_scales(course, cut):
    t = np.cumsum([step for step, _ in course])
    x = np.array([value for _, value in course])
    where = t[0] + cut * (t[-1] - t[0])
    whole = excess_area(t, x, 2.1).amount
    parts = sum(
        excess_area(*clip_course(t, x, first, last), 2.1).amount
        for first, last in ((t[0], where), (where, t[-1]))
        if last > first
    )
    assert parts == pytest.approx(whole, abs=1e-9 * (1 + whole))
    assert excess_area(24 * t, x, 2.1 * 24).amount == pytest.approx(24 * whole, rel=1e-12)
    assert excess_area(t, 1.8 * x, 2.1).amount == pytest.approx(1.8 * whole, rel=1e-12, abs=1e-12)
