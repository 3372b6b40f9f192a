"""The catalogue, what a trial allows, roles, and that treatments never touch a value."""

import dataclasses

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.outcome_names import OUTCOMES, SETTINGS
from trialkit.outcomes import available_outcomes, bin_values, catalogue
from trialkit.records import Claim, Plan, Refusal

HALF = {"days_to_threshold": {"percent_of_start": 60}}


def full_trial(trial, course, **arguments):
    days = [0, 2, 4, 6, 8, 10, 12, 14]
    t = np.array(days, float)
    rows = []
    for i in range(6):
        left = np.exp(-(0.1 + 0.02 * i) * t)
        rows += course(
            f"B{i + 1}",
            days,
            volume_l=list(40 + 60 * left + 0.1 * (-1.0) ** np.arange(8)),
            wet_mass_kg=list(20 + 30 * left),
            moisture_pct=[60.0] * 8,
            ash_pct=list(12 + 20 * (1 - left)),
            carbon_pct=list(30 + 15 * left),
            nitrogen_pct=list(2 - left),
            ph=[7.0 + 0.1 * i] * 8,
            ec_ds_m=[2.0 + i] * 8,
            core_temp_c=list(20 + 40 * left),
            ambient_temp_c=[15.0] * 8,
            germination_pct=[80.0 + i] * 8,
            root_length_pct=[90.0] * 8,
            appearance_score=[3.0] * 8,
            odour_score=[2.0] * 8,
            finished=[0.0] * (4 + i % 3) + [1.0] * (4 - i % 3),
        )
    return trial(rows, **arguments)


def test_every_name_is_measured(trial, course):
    assert list(catalogue()) == list(OUTCOMES)
    whole = full_trial(trial, course)
    assert available_outcomes(whole) == tuple(name for name in catalogue() if name not in HALF)
    whole = full_trial(trial, course, plan=Plan("water only", outcome_settings=HALF, declared=False))
    assert available_outcomes(whole) == tuple(catalogue())
    for name in catalogue():
        found = bin_values(whole, name)
        assert not isinstance(found, Refusal), found
        assert [value.bin for value in found.values] == [f"B{i}" for i in range(1, 7)]
        assert all(value.value is not None and value.rows for value in found.values), name
        assert found.role == "exploratory"


@pytest.mark.parametrize("name", sorted(OUTCOMES))
def test_every_entry_is_complete(name):
    outcome = catalogue()[name]
    assert (outcome.better, outcome.scale) == OUTCOMES[name]
    assert outcome.unit and outcome.label and outcome.applies
    assert outcome.cannot_tell.endswith(".") and outcome.cannot_tell[0].isupper()
    assert not outcome.measures.endswith(".")
    assert outcome.measures[0].islower() or outcome.measures[:2] == "C:"
    assert name in SETTINGS


def test_a_plan_says_what_is_worked_out_and_in_which_order(trial, course):
    claim = Claim("x", "live", "water only", "cn_ratio", "at_least", 1.0)
    plan = Plan(
        "water only",
        primary="decay_rate",
        secondary=("wet_mass_kg", "cn_ratio"),
        claims=(claim, dataclasses.replace(claim, outcome="days_to_finish")),
        outcome_settings={"decay_rate": {}, "degree_days": {"day": 14}},
    )
    whole = full_trial(trial, course, plan=plan)
    assert available_outcomes(whole) == ("decay_rate", "wet_mass_kg", "cn_ratio", "days_to_finish", "degree_days")
    assert [bin_values(whole, n).role for n in ("decay_rate", "cn_ratio", "degree_days")] == [
        "primary", "secondary", "exploratory",
    ]  # fmt: skip


def test_what_was_planned_and_not_measured_is_refused_aloud(trial, course):
    plan = Plan("water only", primary="ph", claims=())
    found = bin_values(trial(course("B1", [0], volume_l=[1]), plan=plan), "ph")
    assert found == Refusal("outcomes", ("ph needs ph, which no reading holds.",), "ph")
    assert available_outcomes(trial(course("B1", [0], volume_l=[1]), plan=plan)) == ("ph",)


def test_a_plan_that_names_nothing_gets_all_that_applies(trial, course):
    rows = course("B1", [60], cn_ratio=[14]) + course("B2", [60], cn_ratio=[16])
    assert available_outcomes(trial(rows, plan=Plan("water only"))) == ("cn_ratio",)
    assert available_outcomes(trial(rows)) == ("cn_ratio",)


def test_a_column_of_empty_cells_counts_as_absent(trial, course):
    rows = course("B1", [60], ph=[float("nan")], cn_ratio=[14]) + course("B2", [60], ph=[float("nan")], cn_ratio=[15])
    assert available_outcomes(trial(rows)) == ("cn_ratio",)


def test_a_bin_never_visited_stays_in_the_table(trial, course):
    rows = course("B1", [60], ph=[7]) + course("B2", [60], ph=[8])
    found = bin_values(trial(rows, bins=["B1", "B2", "B3"]), "ph")
    assert found.values[2].reason == "no ph at any visit"
    assert found.values[2].rows == () and found.values[2].readings_used == 0
    gone = bin_values(trial(rows, bins=["B1", "B2", "B3"], lost={"B3": 0.0}), "ph")
    assert gone.values[2].reason == "lost on day 0, before it was read on day 60"


@pytest.mark.parametrize("name", sorted(OUTCOMES))
def test_treatments_never_touch_a_value(trial, course, name):
    plan = Plan("water only", outcome_settings=HALF, declared=False)
    one = bin_values(full_trial(trial, course, plan=plan), name)
    arms = {
        f"B{i}": arm for i, arm in zip(range(1, 7), ("live", "killed", "live", "dead", "killed", "live"), strict=True)
    }
    other = bin_values(full_trial(trial, course, treatments=arms, plan=plan), name)
    assert [value.value for value in one.values] == [value.value for value in other.values]
    assert one.notes == other.notes
    assert [value.treatment for value in other.values] == list(arms.values())


def test_a_reason_shared_by_all_bins_is_said_once(trial, course):
    rows = [row for i in range(9) for row in course(f"B{i}", [0, 9], core_temp_c=[20, 30])]
    assert bin_values(trial(rows), "hours_above_40").reasons == (
        "No bin has a value of hours_above_40.",
        "All 9 bins: not read between day 0 and day 9: 9 days are unknown, beside 0 hours known.",
    )


def test_names_that_are_no_outcome(trial, course):
    with pytest.raises(DesignError, match=r'"decay_rates" is not an outcome\. Nearest is "decay_rate"'):
        bin_values(full_trial(trial, course), "decay_rates")
    with pytest.raises(DesignError, match=r'"colour" is not an outcome\. Outcomes are decay_rate, '):
        bin_values(full_trial(trial, course), "colour")


@pytest.mark.parametrize("day", ["28", True, float("inf")])
def test_a_day_must_be_a_number(trial, course, day):
    with pytest.raises(DesignError, match=r"\[outcome.ph\] day: found .*; expected a number"):
        bin_values(full_trial(trial, course, settings={"ph": {"day": day}}), "ph")


def test_the_tables_that_come_back_cannot_be_written_to():
    with pytest.raises(TypeError):
        catalogue()["mine"] = catalogue()["ph"]
