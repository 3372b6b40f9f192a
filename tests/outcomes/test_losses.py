"""Losses of organic matter, carbon and nitrogen: by ash, by masses, with soil, additions and samples."""

import pytest

from trialkit.errors import DesignError
from trialkit.outcomes import bin_values
from trialkit.records import Plan, Treatment

ASH = {"ash_pct": [12, 30], "carbon_pct": [44, 33], "nitrogen_pct": [1.0, 1.8]}
LOSSES = {"organic_matter_loss_pct": 68.181818, "carbon_loss_pct": 70.0, "nitrogen_loss_pct": 28.0}


def pair(course, days=(0, 90), **columns):
    return course("B1", days, **columns) + course("B2", days, **columns)


@pytest.mark.parametrize(("outcome", "loss"), LOSSES.items())
def test_by_ash_by_hand(trial, course, outcome, loss):
    # Paredes et al. 2000 by hand: 0.4 of the dry matter is left, 0.4·70/88 of the organic matter
    found = bin_values(trial(pair(course, **ASH)), outcome)
    assert [value.value for value in found.values] == pytest.approx([loss, loss], abs=1e-6)
    assert found.settings["from"] == "ash" and found.settings["day"] == 90.0
    assert found.notes[0] == "The loss is counted by conservation of ash."
    assert found.values[0].rows == (("readings.csv", 2), ("readings.csv", 3))
    assert found.outcome.better == (-1 if outcome == "nitrogen_loss_pct" else 1)


@pytest.mark.parametrize(("outcome", "loss"), LOSSES.items())
def test_masses_and_ash_give_one_answer(trial, course, outcome, loss):
    # 20 kg dry at the start, 8 kg at the end, as the ash says
    rows = pair(course, wet_mass_kg=[50, 16], moisture_pct=[60, 50], **ASH)
    by_mass = bin_values(trial(rows, settings={outcome: {"from": "mass"}}), outcome)
    assert by_mass.values[0].value == pytest.approx(loss, abs=1e-6)
    assert by_mass.notes[0] == "The loss is counted by masses, with all that was added and taken booked."
    default = bin_values(trial(rows), outcome).settings["from"]
    assert default == ("ash" if outcome == "organic_matter_loss_pct" else "mass")


def test_the_start_ash_of_the_bins_file(trial, course):
    rows = course("B1", [90], ash_pct=[30]) + course("B2", [90], ash_pct=[24])
    starts = {"B1": {"start_ash_pct": 12.0}, "B2": {"start_ash_pct": 12.0}}
    found = bin_values(trial(rows, starts=starts), "organic_matter_loss_pct")
    assert found.values[0].value == pytest.approx(68.181818, abs=1e-6)
    assert found.values[1].value == pytest.approx(100 * (1 - 0.5 * 76 / 88), abs=1e-9)
    # delta method, 0.5 points on the start and 1.5 on the end
    assert found.values[0].details["measurement_sd"] == pytest.approx(2.7267, abs=5e-5)
    assert found.notes[-1] == (
        "With errors of 0.5 points on the start ash and 1.5 on the later one (standard deviations), a loss is measured "
        "to 3.4 points; the later ash is the largest part of it."
    )


def test_the_error_of_organic_matter_by_masses(trial, course):
    rows = pair(course, wet_mass_kg=[50, 16], moisture_pct=[60, 50], ash_pct=[12, 30])
    found = bin_values(trial(rows, settings={"organic_matter_loss_pct": {"from": "mass"}}), "organic_matter_loss_pct")
    # relative errors of the two masses of organic matter by hand, on the 31.8 points kept
    relative = (0.2 / 50) ** 2 + (0.2 / 16) ** 2 + (2 / 40) ** 2 + (2 / 50) ** 2 + (0.5 / 88) ** 2 + (1.5 / 70) ** 2
    assert found.values[0].details["measurement_sd"] == pytest.approx(100 * 5.6 / 17.6 * relative**0.5, rel=1e-9)
    assert found.notes[-1] == (
        "With errors of 0.2 kg on a mass, 2 points on a moisture, 0.5 points on the start ash and 1.5 on the later one "
        "(standard deviations), a loss is measured to 2.2 points; moisture is the largest part of it."
    )


def test_nitrogen_with_additions_and_samples_booked(trial, course):
    # nitrogen: 200 g at the start, 2 kg dry of 5 % added (100 g), 0.5 kg dry of 1.5 % taken (7.5 g), 144 g left
    rows = course(
        "B1",
        [0, 20, 40, 90],
        wet_mass_kg=[50, 40, 36, 16],
        moisture_pct=[60, 55, 50, 50],
        nitrogen_pct=[1.0, 1.2, 1.5, 1.8],
        added_wet_mass_kg=[None, 4, None, None],
        added_moisture_pct=[None, 50, None, None],
        added_nitrogen_pct=[None, 5, None, None],
        sample_removed_kg=[None, None, 1, None],
    )
    rows += course("B2", [0, 90], wet_mass_kg=[50, 16], moisture_pct=[60, 50], nitrogen_pct=[1.0, 1.8])
    found = bin_values(trial(rows), "nitrogen_loss_pct")
    assert found.values[0].value == pytest.approx(100 * (1 - 151.5 / 300), abs=1e-9)
    assert found.values[1].value == pytest.approx(28.0, abs=1e-9)
    assert found.values[0].details["added_kg"] == pytest.approx(0.1)


def test_an_addition_without_its_nitrogen_cannot_be_booked(trial, course):
    rows = pair(course, [0, 20, 90], wet_mass_kg=[50, 40, 16], moisture_pct=[60, 55, 50], nitrogen_pct=[1, 1.2, 1.8])
    rows[1] |= {"added_wet_mass_kg": 4.0}
    found = bin_values(trial(rows), "nitrogen_loss_pct")
    assert found.values.values[0].reason == (
        "the 4 kg added on day 20 have no added_moisture_pct and added_nitrogen_pct and cannot be booked"
    )


def test_ash_after_an_addition(trial, course):
    rows = pair(course, [0, 20, 90], ash_pct=[12, 18, 30])
    rows += course("B3", [0, 20, 90], ash_pct=[12, 18, 30])
    rows[1] |= {"added_wet_mass_kg": 4.0}
    found = bin_values(trial(rows), "organic_matter_loss_pct")
    assert found.values[0].reason == (
        "material was added on day 20, so ash no longer shows the loss; masses booked would"
    )
    assert found.values[1].value == pytest.approx(68.181818, abs=1e-6)
    # with masses in the files every bin goes by masses instead
    for row in rows:
        row |= {"wet_mass_kg": {0: 50, 20: 40, 90: 16}[row["day"]], "moisture_pct": {0: 60, 20: 55, 90: 50}[row["day"]]}
    rows[1] |= {"added_moisture_pct": 50.0, "added_ash_pct": 10.0}
    weighed = bin_values(trial(rows), "organic_matter_loss_pct")
    assert weighed.settings["from"] == "mass"
    assert weighed.values[0].value == pytest.approx(100 * (1 - 5.6 / (17.6 + 1.8)), abs=1e-9)
    assert weighed.values[1].value == pytest.approx(100 * (1 - 5.6 / 17.6), abs=1e-9)


def soil_plan():
    treatments = (Treatment("water only", "water"), Treatment("soil", "soil", amounts={"soil_kg": 1.0}))
    return Plan("water only", treatments=treatments)


def test_soil_is_warned_about(trial, course):
    # 20 kg leaves (ash 8 %) with 1 kg soil (ash 95 %): start ash 12.142857, end 21.610169 when half the leaves are gone
    rows = course("B1", [90], ash_pct=[14.814815]) + course("B2", [90], ash_pct=[21.610169])
    arms = {"B1": "water only", "B2": "soil"}
    right = {"B1": {"start_ash_pct": 8.0}, "B2": {"start_ash_pct": 12.142857}}
    found = bin_values(trial(rows, starts=right, treatments=arms, plan=soil_plan()), "organic_matter_loss_pct")
    assert found.values[0].value == pytest.approx(50.0, abs=1e-5)
    assert found.values[1].value == pytest.approx(49.8645, abs=5e-5)
    note = next(note for note in found.notes if note.startswith("Soil is part of a recipe here."))
    assert note.endswith("turns a loss of 50 % into 68 %.")
    wrong = {"B1": {"start_ash_pct": 8.0}, "B2": {"start_ash_pct": 8.0}}
    found = bin_values(trial(rows, starts=wrong, treatments=arms, plan=soil_plan()), "organic_matter_loss_pct")
    assert found.values[1].value == pytest.approx(68.457, abs=5e-4)
    note = next(note for note in found.notes if note.startswith("Soil is part of a recipe here."))
    assert note.endswith(
        "All bins carry one and the same start ash although only some got soil, so it cannot be that of each."
    )
    without = bin_values(trial(rows, starts=right), "organic_matter_loss_pct")
    assert not [note for note in without.notes if "Soil" in note]


def test_ash_that_falls_or_does_not_balance_is_said_aloud(trial, course):
    falling = bin_values(trial(pair(course, ash_pct=[12, 10])), "organic_matter_loss_pct")
    assert falling.values[0].value < 0
    assert "Ash fell in B1 and B2, where loss makes it rise; the sample or the start ash is off." in falling.notes
    rows = course("B1", [0, 90], wet_mass_kg=[50, 16], moisture_pct=[60, 50], ash_pct=[12, 30])
    rows += course("B2", [0, 90], wet_mass_kg=[50, 24], moisture_pct=[60, 50], ash_pct=[12, 30])
    found = bin_values(trial(rows), "organic_matter_loss_pct")
    assert (
        "The mass of ash moved by more than 15 % in B2: soil or grit came or went, or a reading is off." in found.notes
    )


def test_ash_that_cannot_show_a_loss(trial, course):
    rows = pair(course, ash_pct=[12, 30]) + course("B3", [0, 90], ash_pct=[0, 30])
    found = bin_values(trial(rows), "organic_matter_loss_pct")
    assert found.values[2].reason == "ash of 0 % at the start and 30 % on the day cannot show a loss"
    rows = pair(course, **ASH) + course("B3", [0, 90], ash_pct=[12, 30], nitrogen_pct=[0, 1], carbon_pct=[40, 30])
    found = bin_values(trial(rows), "nitrogen_loss_pct")
    assert found.values[2].reason == "nitrogen_pct is 0 at the start, so nothing to lose"


def test_what_is_missing_is_named(trial, course):
    rows = course("B1", [0], ash_pct=[12]) + course("B2", [0], ash_pct=[12])
    assert bin_values(trial(rows), "organic_matter_loss_pct").reasons == (
        "organic_matter_loss_pct needs ash_pct at the start (bins file or first visit) and at a later visit, which "
        "these files do not hold.",
    )
    assert bin_values(trial(rows), "carbon_loss_pct").reasons == (
        "carbon_loss_pct needs ash_pct and carbon_pct, or wet_mass_kg, moisture_pct and carbon_pct, at the start (bins "
        "file or first visit) and at a later visit, which these files do not hold.",
    )


def test_a_basis_that_does_not_exist(trial, course):
    with pytest.raises(DesignError, match='from: found "weight"; expected one of ash, mass'):
        bin_values(trial(pair(course, **ASH), settings={"carbon_loss_pct": {"from": "weight"}}), "carbon_loss_pct")
