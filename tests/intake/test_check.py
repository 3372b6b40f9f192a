"""What ``check`` counts and prints while a trial runs."""

import json
from dataclasses import asdict

from trialkit.intake import check_trial, summarise_check


def test_a_trial_that_fits(trial_files, write):
    place = write(trial_files)
    assert summarise_check(check_trial(place)).splitlines() == [
        f"{place} fits.",
        "Rows: 20 read, 20 used, 0 set aside.",
        "Visits (5 visits, day 0 to 28): 20 of 20 bin visits are in.",
        "No bin looks odd.",
    ]


def test_missing_visits_are_told_by_bin(trial_files, write):
    rows = trial_files["readings.csv"].splitlines()
    kept = [row for row in rows if not row.startswith(("B2,14", "B2,21", "B4,28"))]
    checked = check_trial(write({**trial_files, "readings.csv": "\n".join(kept)}))
    progress = checked.progress
    assert (progress.expected, progress.read) == (20, 17)
    assert progress.visit_days == (0, 7, 14, 21, 28)
    assert dict(progress.missing) == {"B2": (14, 21), "B4": (28,)}
    assert summarise_check(checked).splitlines()[-4:] == [
        "Visits (5 visits, day 0 to 28): 17 of 20 bin visits are in.",
        "  bin B2: no reading on day 14, 21",
        "  bin B4: no reading on day 28",
        "No bin looks odd.",
    ]


def test_a_lost_bin_is_not_expected_any_more(trial_files, write):
    bins = (
        trial_files["bins.csv"]
        .replace("block\n", "block,lost_on_day,lost_reason\n")
        .replace("only,1\n", "only,1,14,fell\n")
    )
    bins = bins.replace("r,1\n", "r,1,,\n").replace(",2\n", ",2,,\n")
    progress = check_trial(write({**trial_files, "bins.csv": bins})).progress
    assert (progress.expected, progress.read, dict(progress.missing)) == (18, 18, {})


def test_a_reading_a_day_late_counts_for_its_visit(trial_files, write):
    readings = trial_files["readings.csv"].replace("B2,14", "B2,15")
    progress = check_trial(write({**trial_files, "readings.csv": readings})).progress
    assert (progress.expected, progress.read) == (20, 20)


def test_odd_bins_are_named_with_what_was_seen(trial_files, write):
    readings = trial_files["readings.csv"].replace("B2,7,42,166,40.25,", "B2,7,42,16.6,40.25,")
    text = summarise_check(check_trial(write({**trial_files, "readings.csv": readings})))
    assert text.splitlines()[-2:] == ["Bins that look odd:", "  bin B2: found 16.6 L (readings.csv, line 7)"]
    assert "live starter" not in text


def test_a_trial_that_does_not_fit_says_how_many_problems(trial_files, write):
    readings = trial_files["readings.csv"].replace("B2,7,42,166,40.25,", "B2,7,42,-1,-1,")
    place = write({**trial_files, "readings.csv": readings})
    checked = check_trial(place)
    assert summarise_check(checked).splitlines()[-1] == f"{place} does not fit yet: 2 problems to put right."
    assert checked.trial is None
    assert checked.progress.odd["B2"] == (
        'found "-1" (readings.csv, line 7)', 'found "-1" (readings.csv, line 7)',
    )  # fmt: skip


def test_the_summary_is_plain_data(trial_files, write):
    for change in ("B2,7,42,166,40.25,", "B2,7,42,-1,40.25,"):
        readings = trial_files["readings.csv"].replace("B2,7,42,166,40.25,", change)
        summary = asdict(check_trial(write({**trial_files, "readings.csv": readings})).summary())
        again = json.loads(json.dumps(summary))
        fits = change == "B2,7,42,166,40.25,"
        assert again["fits"] is fits
        assert again["rows"] == {"read": 20, "used": 20 if fits else 0, "set_aside": 0}
        assert again["files"] == {"bins.csv": 4, "readings.csv": 20}
        assert bool(again["findings"]) is not fits


def test_check_needs_no_control(write):
    checked = check_trial(write({"a.csv": "bin,treatment,day,volume_l\nA,x,0,9\nB,y,0,9\n"}) / "a.csv")
    assert checked.findings == () and checked.trial.plan.control is None


def planned(trial_files, read):
    """The readings with every visit from day 14 on still empty, but for those of the bins that were ``read``."""
    head, *rows = trial_files["readings.csv"].splitlines()
    cells = [row.split(",") for row in rows]
    empty = [
        ",".join([*row[:2], *("" for _ in row[2:])])
        if int(row[1]) >= 14 and (row[0], row[1]) not in read
        else ",".join(row)
        for row in cells
    ]
    return "\n".join([head, *empty])


def test_planned_visits_that_are_still_to_come(trial_files, write):
    checked = check_trial(write({**trial_files, "readings.csv": planned(trial_files, ())}))
    progress = checked.progress
    assert (progress.expected, progress.read, progress.to_come, progress.next_day) == (8, 8, 12, 14)
    assert "12 bin visits are still to come, the first on day 14." in summarise_check(checked).splitlines()


def test_a_planned_visit_that_has_begun_says_which_bins_wait(trial_files, write):
    progress = check_trial(write({**trial_files, "readings.csv": planned(trial_files, {("B1", "14")})})).progress
    assert progress.visit_days == (0, 7, 14)
    assert dict(progress.missing) == {"B2": (14,), "B3": (14,), "B4": (14,)}
    assert (progress.to_come, progress.next_day) == (8, 21)


def test_visits_are_told_while_the_files_do_not_fit(trial_files, write):
    readings = trial_files["readings.csv"].replace("B2,14,", "B2,x,")
    checked = check_trial(write({**trial_files, "readings.csv": readings}))
    assert summarise_check(checked).splitlines()[-3:-1] == [
        "Visits (5 visits, day 0 to 28): 19 of 20 bin visits are in.",
        "  bin B2: no reading on day 14",
    ]
