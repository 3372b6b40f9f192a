"""In what arms differ, with sizes: before the effects, triggered by file and readings."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from trialkit import report
from trialkit.records import Bin, Treatment, read_only
from trialkit.report.arm_facts import facts_of
from trialkit.report.arms_apart import exaggeration_sentence, fairness_sentences
from trialkit.report.certainty import BASE_RATE


def two_arms(make: SimpleNamespace, mine: dict[str, float], other: dict[str, float], **starts: float):  # type: ignore[no-untyped-def]
    plan = make.plan(
        treatments=(Treatment("water only", "water", {}, other), Treatment("live starter", "live", {}, mine))
    )
    trial = make.trial(plan)
    keep = [item for item in trial.bins if item.treatment != "killed starter"]
    bins = tuple(replace(item, starts=starts) for item in keep)
    place = np.arange(len(bins)).repeat(2)
    readings = replace(
        trial.readings, bin=read_only(place.astype(np.intp)), day=read_only(np.tile([0.0, 7.0], len(bins))), columns={}
    )
    return make.analysis(plan=plan, bins=bins, readings=readings)


def test_one_litre_more_on_dry_leaves_is_put_into_size(make: SimpleNamespace) -> None:
    # Haug 1993 (from memory): 38 to 40.95 % moisture multiplies the rate by 1.31; 1 L on 20 kg of leaves at 38 %
    analysis = two_arms(make, {"water_l": 1.0}, {}, start_wet_mass_kg=20.0, start_moisture_pct=38.0)
    assert fairness_sentences(analysis)[0] == (
        "Live starter got 1 L more water in each bin than water only. Moisture 41.0 % beside 38.0 % could alone "
        "multiply the rate by 1.31."
    )


def test_water_without_a_known_heap_gets_the_usual_sizes(make: SimpleNamespace) -> None:
    # 45 to 50 % ×1.2051, 40 to 50 % ×1.7016 by the same curve
    assert (
        "from 45 to 50 % could alone multiply the rate by 1.21, from 40 to 50 % by 1.70."
        in (fairness_sentences(two_arms(make, {"water_l": 1.0}, {}))[0])
    )


def test_every_other_difference_has_its_sentence(make: SimpleNamespace) -> None:
    text = "\n".join(
        fairness_sentences(
            two_arms(make, {"sugar_g": 100.0, "nitrogen_g": 2.3, "soil_kg": 1.0, "turns_per_week": 3.0},
                     {"turns_per_week": 1.0}, start_wet_mass_kg=20.0, start_moisture_pct=50.0, start_carbon_pct=48.0,
                     start_nitrogen_pct=0.8)
        )
    )  # fmt: skip
    # 42.1 g carbon in 100 g sugar of 4,800 g; C:N 4,842 ÷ 82.3 = 58.8 beside 60
    assert "got 100 g more sugar in each bin than water only, 0.9 % of the heap's carbon." in text
    assert "got 2.3 g more nitrogen in each bin than water only (C:N 59 beside 60)." in text
    assert "got 1 kg more soil in each bin than water only (5.0 % of the mass)." in text
    assert "was turned twice a week more than water only." in text


def test_a_warmer_place_and_a_moister_start_are_seen(make: SimpleNamespace) -> None:
    analysis = two_arms(make, {"water_l": 1.0}, {"water_l": 1.0})
    trial = analysis.trial
    warm = np.array([15.0 + 3.0 * (trial.bins[place].treatment == "live starter") for place in trial.readings.bin])
    bins = tuple(
        replace(item, starts={"start_moisture_pct": 50.0 if item.treatment == "live starter" else 40.0})
        for item in trial.bins
    )
    readings = replace(trial.readings, columns={"ambient_temp_c": read_only(warm)})
    lines = fairness_sentences(replace(analysis, trial=replace(trial, bins=bins, readings=readings)))
    # rate doubling every 10 °C: 3 °C ×1.2311, and its root 1.1096; 40 to 50 % moisture ×1.7016
    assert (
        "Live starter stood 3.0 °C warmer on average than water only. That could alone multiply the rate by "
        "1.11 to 1.23." in lines
    )
    assert (
        "Live starter was moister at the start than water only, 50.0 % beside 40.0 %. That could alone multiply the "
        "rate by 1.70." in lines
    )


def test_arms_alike_are_said_to_be(make: SimpleNamespace) -> None:
    lines = fairness_sentences(make.analysis())
    assert "Live starter and killed starter got the same; they differ in what is alive." in lines
    assert "Alike in every arm, by the trial file: water." in lines


def test_water_booked_in_the_readings_counts_where_the_file_is_silent(make: SimpleNamespace) -> None:
    trial = make.trial(make.plan(treatments=()))
    water = np.where([trial.bins[place].treatment == "live starter" for place in trial.readings.bin], 0.5, np.nan)
    trial = replace(trial, readings=replace(trial.readings, columns={"water_added_l": read_only(water)}))
    assert facts_of(trial, Treatment("live starter")).amounts["water_l"] == 2.0  # four visits of half a litre
    assert facts_of(trial, Treatment("water only")).amounts["water_l"] == 0.0


def test_a_mean_is_not_made_of_some_bins_only(make: SimpleNamespace) -> None:
    trial = make.trial()
    bins: tuple[Bin, ...] = (replace(trial.bins[0], starts={"start_wet_mass_kg": 20.0}), *trial.bins[1:])
    assert "start_wet_mass_kg" not in facts_of(replace(trial, bins=bins), Treatment("water only")).amounts


def test_small_trials_flatter(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    live = replace(make.comparison(1.5, 1.05, 2.1429), std_error=0.1458)
    analysis = replace(analysis, answers=(replace(analysis.answers[0], comparisons=(live,)),))
    sentence = exaggeration_sentence(analysis)
    assert sentence.startswith(
        "Small trials flatter what they find. If the truth for live starter were only 1.22 times, then those trials "
        "like this one whose range lies clear of “no difference” would on average show 1."
    )
    shown = float(sentence.rsplit("show ", 1)[1].split(" ")[0])
    assert 1.4 < shown < 1.9  # beyond the half-width of 1.43 times, on average
    open_one = make.comparison(1.1, 0.9, 1.35)
    assert (
        exaggeration_sentence(replace(analysis, answers=(replace(analysis.answers[0], comparisons=(open_one,)),))) == ""
    )


def test_fairness_stands_before_the_effects_with_the_base_rate(make: SimpleNamespace) -> None:
    text = report.fairness(make.analysis()).text
    assert BASE_RATE in text
    assert "nothing here was corrected by them" in text
    plan = make.plan(treatments=(Treatment("water only", "water"), Treatment("turned", "other")))
    assert BASE_RATE not in report.fairness(make.analysis(plan=plan)).text
