"""Degree-days, hours above a temperature and the peak, over the days that all bins share."""

import pytest

from trialkit.errors import DesignError
from trialkit.outcomes import bin_values
from trialkit.records import Refusal

DAYS = [0, 1, 2, 4]
CORE = [20, 40, 60, 50]


def pair(course, days=DAYS, core=CORE, ambient=(20, 20, 20, 20)):
    columns = {"core_temp_c": core, "ambient_temp_c": list(ambient)}
    return course("B1", days, **columns) + course("B2", days, **columns)


@pytest.mark.parametrize(
    ("outcome", "value"),
    [
        # by hand: 10 + 30 + 70; 2.75 and 1.25 days; 40 is passed on day 1
        ("degree_days", 110.0),
        ("hours_above_40", 72.0),
        ("hours_above_45", 66.0),
        ("hours_above_55", 30.0),
        ("peak_temp_c", 60.0),
        ("days_to_peak", 2.0),
    ],
)
def test_by_hand(trial, course, outcome, value):
    found = bin_values(trial(pair(course)), outcome)
    assert [v.value for v in found.values] == pytest.approx([value, value], abs=1e-9)
    assert found.values[0].rows == tuple(("readings.csv", line) for line in (2, 3, 4, 5))
    assert found.settings["day"] == 4.0 and found.settings["first_day"] == 0.0
    assert found.outcome.better == 0
    if outcome != "days_to_peak":
        assert found.outcome.cannot_tell.startswith("More heat is not faster finishing")


def test_still_hot_at_the_end_is_said_aloud(trial, course):
    found = bin_values(trial(pair(course)), "hours_above_45")
    assert found.notes == (
        "Summed from day 0 to day 4, the days that all bins share.",
        "Still above at the last of these days: B1 and B2; more was to come.",
    )
    assert len(bin_values(trial(pair(course)), "hours_above_55").notes) == 1


def test_ambient_is_needed_and_not_guessed(trial, course):
    rows = course("B1", DAYS, core_temp_c=CORE) + course("B2", DAYS, core_temp_c=CORE)
    assert bin_values(trial(rows), "degree_days").reasons == (
        "degree_days needs ambient_temp_c, which no reading holds.",
    )
    partly = pair(course, ambient=(20, None, 20, 20))
    found = bin_values(trial(partly), "degree_days")
    assert found.values[0].value == pytest.approx(40 + 70)
    assert found.values[0].readings_used == 3
    assert found.notes[-1] == "Visits with core_temp_c but no ambient_temp_c are not used (B1 and B2)."


def test_a_gap_is_unknown_and_not_below(trial, course):
    days = [0, 1, 5, 6]
    rows = pair(course, days, [60, 60, 60, 60]) + course(
        "B3", [0, 2, 4, 6], core_temp_c=[60] * 4, ambient_temp_c=[20] * 4
    )
    found = bin_values(trial(rows), "hours_above_55")
    assert isinstance(found, Refusal)
    assert found.values.values[2].value == pytest.approx(144.0)
    assert found.reasons == (
        "Only bin B3 has a value of hours_above_55.",
        "B1 and B2: not read between day 1 and day 5: 4 days are unknown, beside 48 hours known.",
    )
    heat = bin_values(trial(rows), "degree_days").values.values[0]
    assert heat.reason == "not read between day 1 and day 5: 4 days are unknown, beside 80 degree-days known"
    allowed = bin_values(trial(rows, settings={"hours_above_55": {"max_gap_days": 4}}), "hours_above_55")
    assert [value.value for value in allowed.values] == pytest.approx([144.0] * 3)
    assert allowed.settings["max_gap_days"] == 4.0


def test_every_bin_is_summed_over_the_same_days(trial, course):
    rows = course("B1", [0, 1, 2, 3, 4], core_temp_c=[50] * 5) + course("B2", [1, 2, 3], core_temp_c=[50] * 3)
    found = bin_values(trial(rows), "hours_above_40")
    assert [value.value for value in found.values] == pytest.approx([48.0, 48.0])
    assert found.values[0].rows == tuple(("readings.csv", line) for line in (3, 4, 5))
    assert found.notes[0] == "Summed from day 1 to day 3, the days that all bins share."


def test_a_day_of_the_plan_between_two_readings(trial, course):
    found = bin_values(trial(pair(course), settings={"degree_days": {"day": 3}}), "degree_days")
    # day 3 reads 55 on the straight line: 10 + 30 + ½·(40 + 35)
    assert found.values[0].value == pytest.approx(77.5)
    assert found.values[0].readings_used == 4
    rows = pair(course, [0, 1, 2, 6], CORE)
    cut = bin_values(trial(rows, settings={"degree_days": {"day": 3}}), "degree_days")
    assert cut.reasons[1] == "B1 and B2: not read between day 2 and day 6, across an end of the sum."


def test_a_lost_bin_has_a_reason_and_does_not_shorten_the_sum(trial, course):
    rows = pair(course) + course("B3", [0, 1], core_temp_c=[20, 40], ambient_temp_c=[20, 20])
    for outcome in ("degree_days", "hours_above_40", "peak_temp_c", "days_to_peak"):
        found = bin_values(trial(rows, lost={"B3": 1.5}), outcome)
        assert found.settings["day"] == 4.0
        assert found.values[2].value is None
        assert found.values[2].reason == "lost on day 1.5, before day 4"


def test_a_bin_read_too_late_or_not_at_all(trial, course):
    rows = pair(course) + course("B3", [0, 4], height_cm=[3, 2])
    found = bin_values(trial(rows), "degree_days")
    assert found.values[2].reason == "no core_temp_c and ambient_temp_c at any visit"
    rows = pair(course) + course("B3", [2, 4], core_temp_c=[50, 50], ambient_temp_c=[20, 20])
    found = bin_values(trial(rows, lost={"B3": 5.0}), "degree_days")
    assert found.values[2].reason == ("no core_temp_c and ambient_temp_c before day 2; the sum begins on day 0")


def test_a_peak_on_the_last_reading_is_said_aloud(trial, course):
    rows = course("B1", [0, 1, 2], core_temp_c=[20, 40, 50]) + course("B2", [0, 1, 2], core_temp_c=[20, 50, 40])
    found = bin_values(trial(rows), "days_to_peak")
    assert [value.value for value in found.values] == [2.0, 1.0]
    assert found.notes[-1] == "The highest reading is the last one in B1; the peak may lie later."


def test_a_peak_between_distant_readings_may_be_missed(trial, course):
    rows = course("B1", [0, 3, 4, 6], core_temp_c=[20, 50, 40, 30]) + course("B2", [0, 2, 4, 6], core_temp_c=[20] * 4)
    found = bin_values(trial(rows), "peak_temp_c")
    assert [value.value for value in found.values] == [50.0, 20.0]
    assert found.notes == (
        "Read from day 0 to day 6; a peak between two readings is not seen.",
        "Readings lie more than 2 days apart in B1; the peak may be higher.",
    )


def test_one_visit_frames_nothing(trial, course):
    found = bin_values(trial(pair(course, [3], [50], [20])), "degree_days")
    assert found.reasons == ("No two days frame a stretch over which every bin has core_temp_c and ambient_temp_c.",)


def test_settings_that_mean_nothing(trial, course):
    for gap in (0, -1, "two"):
        with pytest.raises(DesignError, match=r"max_gap_days: found .*; expected a number above 0"):
            bin_values(trial(pair(course), settings={"degree_days": {"max_gap_days": gap}}), "degree_days")


def test_raising_both_temperatures_leaves_the_heat_alone(trial, course):
    base = bin_values(trial(pair(course)), "degree_days").values[0].value
    lifted = [value + 7.3 for value in CORE]
    warmer = bin_values(trial(pair(course, core=lifted, ambient=[27.3] * 4)), "degree_days").values[0].value
    assert warmer == pytest.approx(base, rel=1e-12)
