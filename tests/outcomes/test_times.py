"""Days to a threshold and to the finish rule: windows between visits, bins that never got there, written rules."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.outcomes import bin_values
from trialkit.records import Plan, Refusal

HALF = {"days_to_threshold": {"from": "volume_l", "percent_of_start": 50}}
DAYS = [0, 3, 6, 9, 12]


def windows(values):
    return {v.bin: (v.low, v.high, v.censored) for v in values.values}


def finish(**rule):
    return Plan("water only", finish=rule)


# ---------------------------------------------------------------- thresholds
def test_a_window_runs_from_the_last_no_to_the_first_yes(trial, course):
    rows = course("B1", DAYS, volume_l=[100, 80, 60, 50, 45]) + course("B2", DAYS, volume_l=[200, 180, 160, 140, 120])
    found = bin_values(trial(rows, settings=HALF), "days_to_threshold")
    assert windows(found) == {"B1": (6.0, 9.0, False), "B2": (12.0, None, True)}
    assert found.values[0].value == 7.5
    assert found.values[1].value is None
    assert found.values[1].reason == "not at 50 % of the bin's starting volume_l by day 12; it counts as longer"
    assert found.values[0].details == {"start_level": 100.0, "threshold_level": 50.0}
    assert found.notes[0] == "The threshold is 50 % of the bin's starting volume_l."
    assert found.notes[1].startswith("Not at 50 % of the bin's starting volume_l by the last visit: B2 (1 of 2 bins).")


def test_half_of_the_achievable_loss_is_another_day_than_half_of_the_start(trial, course):
    days = [0, 4, 8, 12, 16, 24, 32, 40, 56]
    left = 40 + 60 * np.exp(-0.05 * np.array(days, float))
    rows = course("B1", days, volume_l=list(left)) + course("B2", days, volume_l=list(left))
    settings = {"days_to_threshold": {"percent_of_achievable": 50}}
    achievable = bin_values(trial(rows, settings=settings), "days_to_threshold")
    of_start = bin_values(trial(rows, settings=HALF), "days_to_threshold")
    assert windows(achievable)["B1"] == (12.0, 16.0, False)  # 13.86 by hand
    assert windows(of_start)["B1"] == (32.0, 40.0, False)  # 35.84 by hand
    assert achievable.values[0].details["threshold_level"] == pytest.approx(70.0)


def test_a_rising_quantity_has_no_percent_of_its_start(trial, course):
    days = [0, 4, 8, 12, 16, 24, 32]
    rows = []
    for bin_, k in (("B1", 0.1), ("B2", 0.2)):
        rows += course(bin_, days, respired_c_g_kg=list(50 * -np.expm1(-k * np.array(days, float))))
    own = {"days_to_threshold": {"from": "respired_c_g_kg", "percent_of_achievable": 50}}
    assert windows(bin_values(trial(rows, settings=own), "days_to_threshold")) == {
        "B1": (4.0, 8.0, False),  # ln 2 / 0.1 = 6.93
        "B2": (0.0, 4.0, True),  # ln 2 / 0.2 = 3.47
    }
    own["days_to_threshold"] = {"from": "respired_c_g_kg", "percent_of_start": 50}
    found = bin_values(trial(rows, settings=own), "days_to_threshold")
    assert found.reasons[0].startswith("respired_c_g_kg starts at nothing and rises")


def test_slow_bins_are_not_left_out_because_their_end_level_is_unknown(trial, course):
    days = [0, 4, 8, 12, 16, 24, 32, 40]
    t = np.array(days, float)
    rows = course("B1", days, volume_l=list(40 + 60 * np.exp(-0.08 * t)))
    rows += course("B2", days, volume_l=list(40 + 60 * np.exp(-0.07 * t)))
    rows += course("B3", days, volume_l=list(100 - 0.5 * t + 0.3 * (-1.0) ** np.arange(8)))
    found = bin_values(trial(rows, settings={"days_to_threshold": {"percent_of_achievable": 50}}), "days_to_threshold")
    assert isinstance(found, Refusal)
    assert "What a bin can lose is not known of B3" in found.reasons[0]
    assert "would make their treatment look fast" in found.reasons[0]


def test_a_threshold_must_be_named_and_only_once(trial, course):
    rows = course("B1", DAYS, volume_l=[100, 80, 60, 50, 45]) + course("B2", DAYS, volume_l=[100, 80, 60, 50, 45])
    found = bin_values(trial(rows, settings={}), "days_to_threshold")
    assert "needs its threshold named" in found.reasons[0]
    both = {"days_to_threshold": {"percent_of_start": 50, "percent_of_achievable": 50}}
    with pytest.raises(DesignError, match="expected one of them"):
        bin_values(trial(rows, settings=both), "days_to_threshold")
    with pytest.raises(DesignError, match="above 0 and below 100"):
        bin_values(trial(rows, settings={"days_to_threshold": {"percent_of_start": 100}}), "days_to_threshold")


def test_a_threshold_nobody_reached_keeps_every_bin_as_longer(trial, course):
    rows = course("B1", DAYS, volume_l=[100, 98, 96, 94, 92]) + course("B2", DAYS, volume_l=[100, 97, 95, 93, 90])
    found = bin_values(trial(rows, settings=HALF), "days_to_threshold")
    assert windows(found) == {"B1": (12.0, None, True), "B2": (12.0, None, True)}


def test_a_bin_lost_on_the_way_counts_up_to_its_last_reading(trial, course):
    rows = course("B1", [0, 3], volume_l=[100, 80]) + course("B2", DAYS, volume_l=[100, 80, 60, 50, 45])
    found = bin_values(trial(rows, settings=HALF, lost={"B1": 5}), "days_to_threshold")
    assert windows(found)["B1"] == (3.0, None, True)
    assert "lost on day 5" in found.values[0].reason
    assert any("B1 counted as unfinished up to the loss" in note for note in found.notes)


# ---------------------------------------------------------------- finish
def test_finish_as_recorded_with_a_bin_that_never_finished_and_one_at_its_first_look(trial, course):
    rows = course("B1", DAYS, finished=[0, 0, 1, 1, 1]) + course("B2", DAYS, finished=[0, 0, 0, 0, 0])
    rows += course("B3", [6, 9], finished=[1, 1])
    found = bin_values(trial(rows, plan=finish(rule="as recorded")), "days_to_finish")
    assert windows(found) == {"B1": (3.0, 6.0, False), "B2": (12.0, None, True), "B3": (0.0, 6.0, True)}
    assert "Already finished at the first look: B3" in " ".join(found.notes)


def test_a_yes_that_does_not_last_is_no_finish(trial, course):
    rows = course("B1", DAYS, finished=[0, 1, 0, 1, 1]) + course("B2", DAYS, finished=[0, 1, 1, 1, 0])
    found = bin_values(trial(rows, plan=finish()), "days_to_finish")
    assert windows(found) == {"B1": (6.0, 9.0, False), "B2": (12.0, None, True)}
    assert "B1 and B2 were seen finished once and later not; the last no counts." in found.notes


def test_a_written_rule_is_no_as_soon_as_one_part_fails_and_yes_only_when_all_hold(trial, course):
    rows = course("B1", DAYS, appearance_score=[1, 3, 4, 4, 5], odour_score=[1, 4, 2, 4, 4])
    rows += course("B2", DAYS, appearance_score=[1, 4, 4, 4, 4], odour_score=[1, 4, None, 4, 4])
    rule = finish(rule="all of", appearance_at_least=4.0, odour_at_least=3.0)
    found = bin_values(trial(rows, plan=rule), "days_to_finish")
    # B1: look good but smell bad on day 6; B2: day 3 is a yes, day 6 says nothing
    assert windows(found) == {"B1": (6.0, 9.0, False), "B2": (0.0, 3.0, True)}
    assert found.notes[0].startswith("Finished means: appearance 4 or more and smell 3 or more.")


def test_no_reheating_is_judged_days_after_a_turning(trial, course):
    rows = []
    for bin_ in ("B1", "B2"):
        rows += course(
            bin_,
            DAYS,
            core_temp_c=[50, 22, 24, 22, 20],
            ambient_temp_c=[15, 15, 15, 15, 15],
            turned=[0, 0, 1, 0, 0],
        )
    rule = finish(rule="all of", reheating_at_most_c=10.0, days_after_turning=3.0)
    found = bin_values(trial(rows, plan=rule), "days_to_finish")
    # cool on days 3 and 6, but not yet turned; the test after the turning of day 6 is that of day 9
    assert windows(found)["B1"] == (0.0, 9.0, True)
    plain = bin_values(trial(rows, plan=finish(rule="all of", reheating_at_most_c=10.0)), "days_to_finish")
    assert windows(plain)["B1"] == (0.0, 3.0, True)


def test_germination_and_carbon_to_nitrogen_and_moisture_have_limits(trial, course):
    rows = []
    for bin_ in ("B1", "B2"):
        rows += course(
            bin_,
            DAYS,
            germination_pct=[10, 60, 85, 90, 95],
            cn_ratio=[40, 30, 24, 26, 18],
            moisture_pct=[60, 55, 50, 50, 50],
        )
    rule = finish(rule="all of", germination_at_least_pct=80.0, cn_at_most=25.0, moisture_at_least_pct=45.0)
    assert windows(bin_values(trial(rows, plan=rule), "days_to_finish"))["B1"] == (9.0, 12.0, False)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ({"rule": "by feel"}, r'\[finish\] rule: found "by feel"; expected one of as recorded, all of'),
        ({"rule": "all of"}, "names no condition"),
        ({"rule": "all of", "cn_at_mots": 20}, 'Nearest is "cn_at_most"'),
        ({"rule": "all of", "cn_at_most": "20"}, "expected a number"),
        ({"rule": "as recorded", "cn_at_most": 20}, 'expected rule = "all of"'),
    ],
)
def test_a_rule_that_cannot_be_followed_is_told(trial, course, rule, said):
    rows = course("B1", DAYS, finished=[0, 0, 1, 1, 1], cn_ratio=[30, 25, 20, 19, 18])
    with pytest.raises(DesignError, match=said):
        bin_values(trial(rows, plan=finish(**rule)), "days_to_finish")


def test_a_rule_on_what_was_never_read_is_refused(trial, course):
    rows = course("B1", DAYS, finished=[0, 0, 1, 1, 1])
    found = bin_values(trial(rows, plan=finish(rule="all of", cn_at_most=20.0)), "days_to_finish")
    assert found.reasons == ("days_to_finish needs cn_ratio, which no reading holds.",)


def test_dry_and_cold_bins_that_look_finished_are_warned_about(trial, course):
    rows = course(
        "B1", DAYS, finished=[0, 0, 0, 1, 1], moisture_pct=[60, 50, 44, 38, 36], core_temp_c=[50, 40, 30, 20, 18]
    )
    rows += course(
        "B2", DAYS, finished=[0, 0, 0, 1, 1], moisture_pct=[60, 58, 55, 52, 50], core_temp_c=[50, 30, 15, 4, 3]
    )
    notes = " ".join(bin_values(trial(rows, plan=finish()), "days_to_finish").notes)
    assert "moisture was below 45 % when these were called finished: B1 (38 %)" in notes
    assert "the core was below 10 °C when these were called finished: B2 (4 °C)" in notes


def test_different_inspection_days_are_a_warning_that_names_the_treatments(trial, course):
    rows = course("B1", [0, 3, 6, 9, 12, 15], finished=[0, 0, 0, 0, 1, 1])
    rows += course("B2", [0, 7, 14], finished=[0, 0, 1])
    same = bin_values(trial(rows, plan=finish()), "days_to_finish")
    assert not any("different days" in note for note in same.notes)  # both bins have one treatment
    other = trial(rows, plan=finish(), treatments={"B2": "live starter"})
    (note,) = [note for note in bin_values(other, "days_to_finish").notes if "different days" in note]
    assert note.startswith("Warning: treatments were inspected on different days up to day 14")
    assert "water only on 4 days (every 3 days, as a rule)" in note
    assert "live starter on 2 days (7 and 14)" in note


def test_two_raters_are_compared_by_cohens_kappa(trial, course):
    """Cohen's 2 × 2 example of 50 judgements, 20 and 15 alike, 5 and 10 apart: κ = 0.40 (computed independently)."""
    first = [1] * 25 + [0] * 25
    second = [1] * 20 + [0] * 5 + [1] * 10 + [0] * 15
    rows = []
    for i, (a, b) in enumerate(zip(first, second, strict=True)):
        rows += course(
            f"B{i}", [3], **{"finished": [min(a, b)], "finished, rater Ana": [a], "finished, rater Ben": [b]}
        )
    notes = bin_values(trial(rows, plan=finish()), "days_to_finish").notes
    (note,) = [note for note in notes if "kappa" in note]
    assert note.startswith("Ana and Ben agreed at 70 % of 50 bin visits judged by both (Cohen's kappa 0.40;")


def test_raters_who_only_say_yes_leave_nothing_to_compare(trial, course):
    rows = []
    for bin_ in ("B1", "B2"):
        rows += course(bin_, [3], **{"finished": [1], "finished, rater Ana": [1], "finished, rater Ben": [1]})
    notes = " ".join(bin_values(trial(rows, plan=finish()), "days_to_finish").notes)
    assert "gave all 2 bin visits judged by both the same answer" in notes
