"""Names of bins by hand: classes of self-heating (Brinton et al. 1995) and ratings (California council, 2001)."""

import pytest

from trialkit.outcomes import bin_maturity


def one(trial, rows, **more):
    (found,) = bin_maturity(trial(rows, **more))
    return found


@pytest.mark.parametrize(
    ("rise", "expected"), [(4, "V"), (10, "V"), (15, "IV"), (27, "III"), (33, "II"), (48, "I"), (-5, "V"), (65, "I")]
)
def test_the_class_is_of_the_last_rise(trial, course, rise, expected):
    found = one(trial, course("B1", [20, 40, 60], self_heating_rise_c=[60, rise, None], volume_l=[90, 80, 70]))
    assert (found.heating_class, found.day, found.readings) == (expected, 40.0, {"rise_c": rise})
    assert found.rows == (("readings.csv", 3),)


@pytest.mark.parametrize(("fahrenheit", "expected"), [(18, "V"), (36, "IV"), (54, "III"), (72, "II"), (117, "I")])
def test_a_limit_typed_in_fahrenheit_is_the_limit(trial, course, fahrenheit, expected):
    rise = fahrenheit * (5 / 9)  # 18 and 117 come out a hair above 10 and 65
    assert one(trial, course("B1", [60], self_heating_rise_c=[rise])).heating_class == expected


@pytest.mark.parametrize(
    ("cn", "rise", "germination", "rating"),
    [
        (18, 15, 92, "mature"),  # the worst of both groups counts
        (18, 4, 92, "very mature"),
        (18, 21, 92, "immature"),
        (18, 4, 79, "immature"),
        (25, 4, 95, "very mature"),
    ],
)
def test_the_worst_of_stability_and_toxicity_is_the_rating(trial, course, cn, rise, germination, rating):
    rows = course("B1", [60], cn_ratio=[cn], self_heating_rise_c=[rise], germination_pct=[germination])
    found = one(trial, rows)
    assert (found.rating, found.reason) == (rating, "")
    assert set(found.by_test) == {"rise_c", "germination_pct"}


def test_above_25_of_carbon_to_nitrogen_nothing_is_rated(trial, course):
    rows = course("B1", [60], cn_ratio=[31], self_heating_rise_c=[4], germination_pct=[95])
    found = one(trial, rows)
    assert (found.rating, found.reason) == (None, "C:N is 31, above 25, so maturity is not rated.")
    assert (found.heating_class, found.by_test["germination_pct"]) == ("V", "very mature")


def test_carbon_over_nitrogen_stands_in_for_the_ratio(trial, course):
    columns = {"self_heating_rise_c": [15], "germination_pct": [92]}
    found = one(trial, course("B1", [60], carbon_pct=[36], nitrogen_pct=[2], **columns))
    assert (found.rating, found.readings["cn_ratio"]) == ("mature", 18)
    without_carbon = one(trial, course("B1", [60], carbon_pct=[0], nitrogen_pct=[2], **columns))
    assert without_carbon.reason == "C:N was not measured, so maturity is not rated."


def test_what_was_not_measured_is_said_bin_by_bin(trial, course):
    rows = [
        *course("B1", [60], self_heating_rise_c=[15], germination_pct=[92]),
        *course("B2", [60], self_heating_rise_c=[15], cn_ratio=[18]),
        *course("B3", [60], germination_pct=[92], cn_ratio=[18]),
        *course("B4", [60], volume_l=[80]),
    ]
    found = bin_maturity(trial(rows))
    assert [item.reason for item in found] == [
        "C:N was not measured, so maturity is not rated.",
        "No test of toxicity was made, so maturity is not rated.",
        "No test of stability was made, so maturity is not rated.",
        "Self-heating, C:N and germination were not measured.",
    ]
    assert [item.heating_class for item in found] == ["IV", "IV", None, None]
    assert {item.rating for item in found} == {None}
    assert (found[3].day, found[3].rows) == (None, ())


@pytest.mark.parametrize(("day", "rating"), [(53, "mature"), (52, None)])
def test_readings_more_than_a_week_apart_rate_nothing(trial, course, day, rating):
    rows = course(
        "B1", [day, 60], cn_ratio=[None, 18], self_heating_rise_c=[None, 15], germination_pct=[92, None], ph=[7, None]
    )
    found = one(trial, rows)
    assert (found.rating, found.heating_class, found.day) == (rating, "IV", 60)
    assert found.reason == (
        ""
        if rating
        else "Self-heating on day 60, C:N on day 60 and germination on day 52 were read more than a week apart, so "
        "maturity is not rated."
    )


def test_a_lost_bin_counts_up_to_its_last_day(trial, course):
    rows = course("B1", [30, 40, 60], cn_ratio=[18] * 3, self_heating_rise_c=[33, 27, 4], germination_pct=[70, 85, 99])
    found = one(trial, rows, lost={"B1": 40})
    assert (found.heating_class, found.rating, found.day) == ("III", "immature", 40)
    assert bin_maturity(trial(rows, lost={"B1": 20})) == ()


def test_the_ph_beside_the_rise_is_kept(trial, course):
    rows = course("B1", [50, 56, 63, 70], self_heating_rise_c=[None, None, 4, None], ph=[4.8, 5.2, None, 7.4])
    found = one(trial, rows)
    assert (found.readings["ph"], found.days["ph"], found.day) == (5.2, 56, 63)
    assert "ph" not in one(trial, course("B1", [50, 63], self_heating_rise_c=[None, 4], ph=[4.8, None])).readings


def test_nothing_is_named_without_a_rise(trial, course):
    rows = course("B1", [60], cn_ratio=[18], germination_pct=[92])
    assert bin_maturity(trial(rows)) == ()


def test_carbon_respired_is_no_test_of_stability(trial, course):
    """A sum over the bin's own days and temperatures, not a laboratory rate per gram of organic matter."""
    columns = {"cn_ratio": [18, 18], "germination_pct": [92, 92], "respired_c_g_kg": [100, 107], "ash_pct": [20, 20]}
    rows = course("B1", [59, 60], **columns) + course("B2", [60], self_heating_rise_c=[15])
    assert bin_maturity(trial(rows))[0].reason == "No test of stability was made, so maturity is not rated."
