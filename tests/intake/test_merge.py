"""Several rows for one bin and visit: what is averaged, summed, kept by rater, refused."""

import numpy as np
import pytest

from trialkit.intake import load_trial

BINS = "bin,treatment\nA,x\nB,y\n"


@pytest.fixture
def joined(write):
    def make(head, *rows, **more):
        files = {
            "bins.csv": BINS,
            "readings.csv": "\n".join([f"bin,day,{head}", *rows, "B,0" + "," * (head.count(",") + 1)]),
        }
        return load_trial(write({**files, **more}), control="x")

    return make


@pytest.fixture
def refused(write, said):
    def make(head, *rows, **more):
        files = {"bins.csv": BINS, "readings.csv": "\n".join([f"bin,day,{head}", *rows])}
        return [(severity, text) for severity, _, text in said(write({**files, **more}), "error", "warning")]

    return make


def column(trial, name):
    return trial.readings.columns[name][0]


def test_measured_numbers_are_averaged_over_the_rows_that_have_them(joined):
    trial = joined("moisture_pct,ph", "A,0,50,7", "A,0,56,", "A,0,53,8")
    assert column(trial, "moisture_pct") == 53
    assert column(trial, "ph") == 7.5
    assert len(trial.readings.day) == 1
    assert [f.found for f in trial.findings if f.code == "rows-joined"] == [
        "1 visit has several rows: measured numbers were averaged and amounts summed, yes/no and scores kept by rater"
    ]


@pytest.mark.parametrize(("probes", "warned"), [(3, False), (4, True)])
def test_rows_that_could_be_taken_for_bins_are_warned_of(joined, probes, warned):
    """From two rows a visit on average: three or four rows of A and one of B, at two visits."""
    trial = joined("moisture_pct", *[f"A,0,{50 + k}" for k in range(probes - 1)], "B,0,40")
    found = [f for f in trial.findings if f.code == "readings-are-no-bins"]
    assert [f.severity for f in found] == ["warning"] * warned
    if warned:
        assert found[0].found == "4 rows of readings come from 2 visits to 2 bins"


def test_amounts_and_scores_by_rater_are_no_rows_that_could_be_taken_for_bins(joined):
    trial = joined("water_added_l,odour_score,rater", "A,0,1,2,me", "A,0,1,3,you", "A,0,1,3,they")
    assert not [f for f in trial.findings if f.code == "readings-are-no-bins"]


def test_amounts_are_summed(joined):
    trial = joined("water_added_l,sample_removed_kg", "A,0,1.5,0.2", "A,0,2,")
    assert column(trial, "water_added_l") == 3.5
    assert column(trial, "sample_removed_kg") == 0.2


def test_what_was_added_is_summed_with_what_is_in_it(joined):
    # 2 kg with 50 % water and 3 kg with 80 %: 3.4 kg of water in 5 kg; dry 1.0 and 0.6 kg with 40 and 48 % carbon
    trial = joined("added_wet_mass_kg,added_moisture_pct,added_carbon_pct", "A,0,2,50,40", "A,0,3,80,48")
    assert column(trial, "added_wet_mass_kg") == 5
    assert column(trial, "added_moisture_pct") == pytest.approx(100 * 3.4 / 5, rel=1e-14)
    assert column(trial, "added_carbon_pct") == pytest.approx((1.0 * 40 + 0.6 * 48) / 1.6, rel=1e-14)


def test_the_make_up_of_additions_is_unknown_where_one_part_is(joined):
    trial = joined("added_wet_mass_kg,added_moisture_pct,added_carbon_pct", "A,0,2,50,40", "A,0,3,80,")
    assert np.isnan(column(trial, "added_carbon_pct"))
    assert column(trial, "added_moisture_pct") == pytest.approx(68, rel=1e-14)


def test_an_addition_beside_rows_without_one_keeps_its_make_up(joined):
    trial = joined("added_wet_mass_kg,added_moisture_pct,ph", "A,0,2,50,", "A,0,,,7")
    assert column(trial, "added_moisture_pct") == 50


def test_scores_are_averaged_over_raters_and_kept_by_rater(joined):
    trial = joined("rater,odour_score,appearance_score", "A,0,Ann,3,4", "A,0,Bo,4,4")
    assert column(trial, "odour_score") == 3.5
    assert column(trial, "odour_score, rater Ann") == 3
    assert column(trial, "odour_score, rater Bo") == 4
    assert column(trial, "appearance_score") == 4


def test_finished_is_yes_once_every_rater_says_so(joined):
    trial = joined("rater,finished", "A,9,Ann,yes", "A,9,Bo,no", "A,12,Ann,yes", "A,12,Bo,yes")
    assert list(trial.readings.columns["finished"]) == [0, 1]
    assert [(f.code, f.line) for f in trial.findings if f.severity == "warning"] == [("raters-differ", 2)]


def test_raters_who_differ_by_two_are_asked_about(refused):
    assert refused("rater,odour_score", "A,3,Ann,1", "A,3,Bo,3", "A,5,Ann,2", "A,5,Bo,3") == [
        ("warning", "line 2, odour_score: raters differ on day 3: 1 and 3. The mean of the raters is used.")
    ]


def test_without_raters_scores_and_yes_or_no_must_agree(refused):
    assert refused("finished,odour_score", "A,3,yes,2", "A,3,no,2") == [
        (
            "error",
            "line 3, finished: found no; line 2 has yes for the same bin and day. Correct one, or name the raters.",
        ),
    ]
    assert refused("rater,odour_score", "A,3,Ann,2", "A,3,Ann,4") == [
        (
            "error",
            'line 3, odour_score: found 4; line 2 has 2 for the same bin and day of rater "Ann". '
            "Correct one, or name the raters.",
        )
    ]


def test_a_reading_in_two_files_is_refused_with_both_places(refused):
    more = {"readings_b.csv": "bin,day,ph\nB,0,7\nA,3,8\n"}
    assert refused("ph", "A,3,7.5", **more) == [
        (
            "error",
            'line 3, ph: bin "A", day 3 is read here; it is read in readings.csv, line 2 too. Delete one of the two.',
        )
    ]


def test_two_files_may_share_a_visit_with_different_columns(joined):
    trial = joined("ph", "A,3,7.5", **{"readings_b.csv": "bin,day,moisture_pct\nA,3,55\n"})
    assert (column(trial, "ph"), column(trial, "moisture_pct")) == (7.5, 55)


def test_two_raters_may_have_a_file_each(joined):
    trial = joined("rater,odour_score", "A,3,Ann,2", **{"readings_b.csv": "bin,day,rater,odour_score\nA,3,Bo,3\n"})
    assert column(trial, "odour_score") == 2.5


def test_a_row_copied_cell_for_cell_is_refused_where_it_would_pour_water_twice(refused):
    assert refused("ph,water_added_l,note", "A,3,7,2,x", "A,3,7,2,x") == [
        (
            "error",
            "line 3, bin: the row repeats line 2 cell for cell; its amounts would count twice. "
            "Delete one of the two, if it is a copy.",
        )
    ]
    assert refused("ph,water_added_l,note", "A,3,7,2,x", "A,3,7,2,y") == []


def test_a_copy_that_changes_nothing_is_a_warning(refused):
    assert refused("ph,moisture_pct", "A,3,7,50", "A,3,7,50") == [
        ("warning", "line 3, bin: the row repeats line 2 cell for cell. Delete one of the two, if it is a copy.")
    ]
    # two sub-samples that happen to agree
    assert refused("ph", "A,3,7", "A,3,7") == []


def test_visits_are_sorted_within_bins(write):
    readings = "bin,day,ph\nB,7,7.1\nA,7,7.2\nA,0,7.3\nB,0,7.4\n"
    trial = load_trial(write({"bins.csv": BINS, "readings.csv": readings}), control="x")
    assert list(trial.readings.bin) == [0, 0, 1, 1]
    assert list(trial.readings.day) == [0, 7, 0, 7]
    assert list(trial.readings.columns["ph"]) == [7.3, 7.2, 7.4, 7.1]
    assert list(trial.readings.row_line) == [4, 3, 5, 2]
