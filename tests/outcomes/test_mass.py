"""Volume lost, dry matter lost with bookings, and masses on a day: exact by hand."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.outcomes import bin_values
from trialkit.records import BinValues, Refusal


def one_of(found, bin_="B1"):
    return next(value for value in found.values if value.bin == bin_)


# ---------------------------------------------------------------- volume
def test_volume_loss_on_the_last_common_day(trial, course):
    rows = course("B1", [0, 14, 28, 35], volume_l=[200, 150, 120, 100])
    rows += course("B2", [0, 14, 28, 35], volume_l=[200, 140, 110, None])
    found = bin_values(trial(rows), "volume_loss_pct")
    assert [value.value for value in found.values] == pytest.approx([40.0, 45.0])
    assert found.settings["day"] == 28.0
    assert found.values[0].rows == (("readings.csv", 2), ("readings.csv", 4))
    assert found.notes == (
        "Compared on day 28, the last day on which every bin has volume_l after a known start. "
        "1 of 2 bins were read later still (B2 not); a day fixed in the trial file, [outcome.volume_loss_pct] day = …, "
        "would be kept.",
    )


def test_the_day_of_the_plan_and_the_volume_of_the_bins_file(trial, course):
    rows = course("B1", [14, 28], volume_l=[150, 120]) + course("B2", [14, 28], volume_l=[150, None])
    starts = {"B1": {"start_volume_l": 240.0}, "B2": {"start_volume_l": 200.0}}
    found = bin_values(trial(rows, starts=starts, settings={"volume_loss_pct": {"day": 14}}), "volume_loss_pct")
    assert [value.value for value in found.values] == pytest.approx([37.5, 25.0])
    assert found.notes == ()
    late = bin_values(trial(rows, starts=starts, settings={"volume_loss_pct": {"day": 28}}), "volume_loss_pct")
    assert isinstance(late, Refusal)
    assert late.reasons == (
        "Only bin B1 has a value of volume_loss_pct.",
        "B2: no volume_l after a known start on day 28; the nearest is day 14.",
    )
    assert late.values.values[0].value == pytest.approx(50.0)


def test_two_starts_that_differ_are_said_aloud(trial, course):
    rows = course("B1", [0, 14], volume_l=[200, 150]) + course("B2", [0, 14], volume_l=[200, 150])
    found = bin_values(trial(rows, starts={"B1": {"start_volume_l": 240.0}}), "volume_loss_pct")
    assert one_of(found).value == pytest.approx(37.5)
    assert found.notes[0] == (
        "start_volume_l and the day-0 reading differ by more than 2 % in B1; start_volume_l counts."
    )


def test_a_lost_bin_keeps_its_place_and_does_not_move_the_day(trial, course):
    rows = course("B1", [0, 14, 28], volume_l=[200, 150, 120]) + course("B2", [0, 14, 28], volume_l=[200, 150, 110])
    rows += course("B3", [0, 14], volume_l=[200, 160])
    found = bin_values(trial(rows, lost={"B3": 20.0}), "volume_loss_pct")
    assert found.settings["day"] == 28.0
    assert one_of(found, "B3").value is None
    assert one_of(found, "B3").reason == "lost on day 20, before it was read on day 28"
    assert found.notes == (
        "Compared on day 28, the last day on which every bin that was not lost has volume_l after a known start.",
    )
    early = bin_values(trial(rows, lost={"B3": 20.0}, settings={"volume_loss_pct": {"day": 14}}), "volume_loss_pct")
    assert one_of(early, "B3").value == pytest.approx(20.0)


def test_without_a_start_there_is_no_loss(trial, course):
    rows = course("B1", [7, 28], volume_l=[150, 120]) + course("B2", [7, 28], volume_l=[150, 110])
    found = bin_values(trial(rows), "volume_loss_pct")
    assert found.reasons == (
        "volume_loss_pct needs a volume to start from: start_volume_l in the bins file, or volume_l on day 0, and a "
        "later volume_l.",
    )
    partly = bin_values(trial(rows, starts={"B1": {"start_volume_l": 200.0}}), "volume_loss_pct")
    assert partly.reasons[0] == "Only bin B1 has a value of volume_loss_pct."
    assert bin_values(trial(course("B1", [0], height_cm=[3])), "volume_loss_pct").reasons == (
        "volume_loss_pct needs volume_l, which no reading holds.",
    )


def test_no_common_day_is_refused_with_the_remedy(trial, course):
    rows = course("B1", [0, 7, 21], wet_mass_kg=[50, 45, 40]) + course("B2", [1, 8, 22], wet_mass_kg=[50, 44, 39])
    found = bin_values(trial(rows), "wet_mass_kg")
    assert found.reasons == (
        "There is no day on which every bin has wet_mass_kg. Name one in the trial file: [outcome.wet_mass_kg] day "
        "= …; bins read on it are then compared.",
    )


# ---------------------------------------------------------------- dry matter
def test_dry_matter_loss_by_hand(trial, course):
    # 50 kg at 60 % holds 20 kg dry, 24 kg at 55 % holds 10.8 kg
    rows = course("B1", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    rows += course("B2", [0, 60], wet_mass_kg=[50, 30], moisture_pct=[60, 55])
    found = bin_values(trial(rows), "dry_matter_loss_pct")
    first = one_of(found)
    assert first.value == pytest.approx(46.0, abs=1e-12)
    assert one_of(found, "B2").value == pytest.approx(32.5, abs=1e-12)
    assert first.details["end_dry_kg"] == pytest.approx(10.8)
    # delta method, 0.2 kg and 2 points
    assert first.details["measurement_sd"] == pytest.approx(3.65, abs=0.005)
    assert found.notes[-1] == (
        "With errors of 0.2 kg on a mass and 2 points on a moisture (standard deviations), a loss is measured to 4.1 "
        "points; moisture is the larger part of it."
    )


def test_the_start_of_the_bins_file_comes_first(trial, course):
    rows = course("B1", [0, 60], wet_mass_kg=[49, 24], moisture_pct=[None, 55])
    rows += course("B2", [60], wet_mass_kg=[24], moisture_pct=[55])
    starts = {"B1": {"start_moisture_pct": 60.0, "start_wet_mass_kg": 50.0}, "B2": {"start_wet_mass_kg": 50.0}}
    found = bin_values(trial(rows, starts=starts, settings={"dry_matter_loss_pct": {"day": 60}}), "dry_matter_loss_pct")
    values = found.values.values
    assert values[0].value == pytest.approx(46.0, abs=1e-12)
    assert values[0].rows == (("readings.csv", 3),)
    assert values[1].reason == "no wet_mass_kg and moisture_pct after a known start at any visit"


def test_a_start_is_pieced_together_from_one_day_only(trial, course):
    rows = course("B1", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[None, 55])
    rows += course("B2", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    found = bin_values(trial(rows, starts={"B1": {"start_moisture_pct": 60.0}}), "dry_matter_loss_pct")
    assert one_of(found).value == pytest.approx(46.0, abs=1e-12)
    assert one_of(found).rows == (("readings.csv", 2), ("readings.csv", 3))


def test_a_late_first_weighing_is_said_aloud(trial, course):
    rows = course("B1", [2, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    rows += course("B2", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    found = bin_values(trial(rows), "dry_matter_loss_pct")
    assert "Counted from day 2, the first weighing, in B1." in found.notes


def test_additions_and_samples_are_booked(trial, course):
    # 20 kg dry at the start, 10 kg at 60 % added (4 kg dry), a 1 kg sample at 50 % taken (0.5 kg dry), 13.5 kg left
    rows = course(
        "B1",
        [0, 10, 20, 60],
        wet_mass_kg=[50, 48, 50, 30],
        moisture_pct=[60, 58, 50, 55],
        added_wet_mass_kg=[None, 10, None, 7],
        added_moisture_pct=[None, 60, None, 60],
        sample_removed_kg=[None, None, 1, 2],
    )
    rows += course("B2", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    found = bin_values(trial(rows, settings={"dry_matter_loss_pct": {"day": 60}}), "dry_matter_loss_pct")
    value = one_of(found)
    # what the visit of day 60 adds and takes comes after its weighing
    assert value.value == pytest.approx(100 * (1 - 14 / 24), abs=1e-12)
    assert value.details["added_dry_kg"] == pytest.approx(4.0)
    assert value.details["taken_dry_kg"] == pytest.approx(0.5)
    assert value.rows == tuple(("readings.csv", line) for line in (2, 3, 4, 5))
    assert found.notes[0] == (
        "Booked: additions to B1 and samples from B1. What a visit adds or takes counts after that visit's weighing."
    )


def test_what_cannot_be_booked_leaves_no_value(trial, course):
    rows = course("B1", [0, 10, 60], wet_mass_kg=[50, 48, 24], moisture_pct=[60, 58, 55], added_wet_mass_kg=[0, 10, 0])
    rows += course(
        "B2", [0, 10, 60], wet_mass_kg=[50, None, 24], moisture_pct=[60, None, 55], sample_removed_kg=[0, 1, 0]
    )
    rows += course("B3", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    rows += course("B4", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55])
    found = bin_values(trial(rows), "dry_matter_loss_pct")
    assert one_of(found, "B1").reason == "the 10 kg added on day 10 have no added_moisture_pct and cannot be booked"
    assert one_of(found, "B2").reason == "the 1 kg taken on day 10 has no moisture_pct and cannot be booked"
    assert one_of(found, "B3").value is not None


def test_small_masses_get_no_assumed_scale_error(trial, course):
    rows = course("B1", [0, 60], wet_mass_kg=[0.5, 0.24], moisture_pct=[60, 55])
    rows += course("B2", [0, 60], wet_mass_kg=[0.5, 0.24], moisture_pct=[60, 55])
    found = bin_values(trial(rows), "dry_matter_loss_pct")
    assert "measurement_sd" not in one_of(found).details
    assert not [note for note in found.notes if "errors of" in note]
    stated = bin_values(trial(rows, settings={"dry_matter_loss_pct": {"mass_sd_kg": 0.002}}), "dry_matter_loss_pct")
    assert one_of(stated).details["measurement_sd"] == pytest.approx(3.65, abs=0.005)


def test_one_visit_has_no_loss(trial, course):
    rows = course("B1", [0], wet_mass_kg=[50], moisture_pct=[60])
    assert bin_values(trial(rows), "dry_matter_loss_pct").reasons == (
        "dry_matter_loss_pct needs a start before the weighing: start_wet_mass_kg and start_moisture_pct, or both read "
        "on day 0.",
    )
    assert bin_values(trial(course("B1", [0, 9], wet_mass_kg=[50, 30])), "dry_matter_loss_pct").reasons == (
        "dry_matter_loss_pct needs moisture_pct, which no reading holds.",
    )


@settings(max_examples=30, deadline=None)
@given(scale=st.floats(0.01, 100), end=st.floats(5, 45), moisture=st.floats(20, 80))
def test_the_unit_of_mass_does_not_matter(scale, end, moisture, trial_builder):
    build, course = trial_builder

    def loss(factor):
        rows = course("B1", [0, 60], wet_mass_kg=[50 * factor, end * factor], moisture_pct=[60, moisture])
        rows += course("B2", [0, 60], wet_mass_kg=[50 * factor, 30 * factor], moisture_pct=[60, 55])
        return bin_values(build(rows), "dry_matter_loss_pct").values[0].value

    assert loss(scale) == pytest.approx(loss(1.0), abs=1e-9)


# ---------------------------------------------------------------- masses
def test_masses_on_a_day(trial, course):
    rows = course("B1", [0, 60], wet_mass_kg=[50, 24], moisture_pct=[60, 55], sample_removed_kg=[None, 1])
    rows += course("B2", [0, 60], wet_mass_kg=[50, 30], moisture_pct=[60, 50], sample_removed_kg=[0.5, None])
    wet, dry = (bin_values(trial(rows), name) for name in ("wet_mass_kg", "dry_mass_kg"))
    assert [value.value for value in wet.values] == [24.0, 30.0]
    assert [value.value for value in dry.values] == pytest.approx([10.8, 15.0])
    assert wet.outcome.scale == "log" and wet.outcome.better == -1
    assert "water moves" in wet.outcome.cannot_tell
    assert wet.notes[-1] == "Material was added to or taken from B2 before that day; the mass holds it."
    assert wet.values[0].rows == (("readings.csv", 3),)
    # 24 kg at 55 %: 0.45 · 0.2 kg by the scale, 24 · 0.02 kg by moisture; 30 kg at 50 %: 0.1 and 0.6 kg
    assert [value.details["measurement_sd"] for value in dry.values] == pytest.approx([0.4884, 0.6083], abs=1e-4)
    assert dry.notes[1] == (
        "With errors of 0.2 kg on a mass and 2 points on a moisture (standard deviations), a dry mass is measured to "
        "0.55 kg; moisture is the larger part of it."
    )


def test_one_visit_is_enough_for_a_mass(trial, course):
    found = bin_values(
        trial(course("B1", [60], wet_mass_kg=[24]) + course("B2", [60], wet_mass_kg=[30])), "wet_mass_kg"
    )
    assert isinstance(found, BinValues)
    assert found.notes == ("Compared on day 60, the last day on which every bin has wet_mass_kg.",)
