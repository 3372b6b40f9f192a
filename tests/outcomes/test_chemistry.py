"""C:N from its column or from the two percents, its change, and single columns on a day."""

import pytest

from trialkit.outcomes import bin_values


def test_cn_from_the_percents(trial, course):
    rows = course("B1", [60], carbon_pct=[18], nitrogen_pct=[1.28]) + course(
        "B2", [60], carbon_pct=[30], nitrogen_pct=[1.5]
    )
    found = bin_values(trial(rows), "cn_ratio")
    assert [value.value for value in found.values] == pytest.approx([14.0625, 20.0])
    assert found.notes[-1] == "C:N is carbon_pct over nitrogen_pct."
    assert found.outcome.scale == "log" and found.outcome.better == -1


def test_the_column_comes_first_and_a_mixture_is_said_aloud(trial, course):
    rows = course("B1", [60], cn_ratio=[14.0], carbon_pct=[30.0], nitrogen_pct=[1.5])
    rows += course("B2", [60], carbon_pct=[30], nitrogen_pct=[1.5]) + course("B3", [60], cn_ratio=[22])
    found = bin_values(trial(rows), "cn_ratio")
    assert [value.value for value in found.values] == pytest.approx([14.0, 20.0, 22.0])
    assert found.notes[-2:] == (
        "C:N is the column cn_ratio in B1 and B3 and carbon_pct over nitrogen_pct in B2.",
        "cn_ratio and carbon_pct over nitrogen_pct differ by more than 5 % in B1; cn_ratio counts.",
    )


def test_without_nitrogen_there_is_no_cn(trial, course):
    rows = course("B1", [60], carbon_pct=[18]) + course("B2", [60], carbon_pct=[20])
    assert bin_values(trial(rows), "cn_ratio").reasons == (
        "cn_ratio needs cn_ratio, or carbon_pct and nitrogen_pct at one visit, which no reading holds.",
    )
    rows = course("B1", [60], carbon_pct=[18], nitrogen_pct=[0]) + course("B2", [60], cn_ratio=[20])
    found = bin_values(trial(rows), "cn_ratio")
    assert found.reasons == (
        "Only bin B2 has a value of cn_ratio.",
        "B1: no cn_ratio or carbon_pct with nitrogen_pct at any visit.",
    )


def test_change_of_cn(trial, course):
    rows = course("B1", [0, 60], cn_ratio=[40, 18]) + course("B2", [60], cn_ratio=[20])
    starts = {"B2": {"start_carbon_pct": 45.0, "start_nitrogen_pct": 1.0}}
    found = bin_values(trial(rows, starts=starts), "cn_ratio_change")
    assert [value.value for value in found.values] == pytest.approx([-22.0, -25.0])
    assert found.values[0].details == {"start": 40.0, "end": 18.0, "start_day": 0.0}
    assert found.values[1].rows == (("readings.csv", 4),)
    one = bin_values(trial(course("B1", [60], cn_ratio=[18])), "cn_ratio_change")
    assert one.reasons == (
        "cn_ratio_change needs a C:N to start from: start_carbon_pct and start_nitrogen_pct, or an earlier visit with "
        "one.",
    )


@pytest.mark.parametrize(
    ("column", "scale"),
    [
        ("carbon_pct", "identity"),
        ("nitrogen_pct", "identity"),
        ("moisture_pct", "identity"),
        ("ph", "identity"),
        ("ec_ds_m", "log"),
    ],
)
def test_one_column_on_a_day(trial, course, column, scale):
    rows = course("B1", [0, 30, 60], **{column: [5, 6, 7]}) + course("B2", [0, 30, 60], **{column: [5, 6.5, None]})
    found = bin_values(trial(rows), column)
    assert [value.value for value in found.values] == [6.0, 6.5]
    assert found.values[0].rows == (("readings.csv", 3),)
    assert (found.outcome.scale, found.outcome.better) == (scale, 0)
    on_day = bin_values(trial(rows, settings={column: {"day": 0}}), column)
    assert [value.value for value in on_day.values] == [5.0, 5.0]


def test_zero_has_no_place_on_a_ratio_scale(trial, course):
    rows = [*course("B1", [60], ec_ds_m=[0.0]), *course("B2", [60], ec_ds_m=[2]), *course("B3", [60], ec_ds_m=[3])]
    found = bin_values(trial(rows), "ec_ds_m")
    assert found.values[0].reason == "ec_ds_m is 0, and a ratio needs values above 0"
