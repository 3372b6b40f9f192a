"""Day 0, dates to days, rows that stay out, and the row accounting."""

from datetime import date

import pytest

from trialkit.errors import TemplateError
from trialkit.intake import load_trial

HEAD = "bin,date,volume_l\n"
DATED = HEAD + "B1,2026-10-03,200\nB2,2026-10-04,200\nB1,2026-10-10,150\nB2,2026-10-11,150\n"
BINS = "bin,treatment\nB1,x\nB2,y\n"


def days(trial):
    return {
        item.bin: [
            float(day) for bin_, day in zip(trial.readings.bin, trial.readings.day, strict=True) if bin_ == index
        ]
        for index, item in enumerate(trial.bins)
    }


def test_day_0_is_the_start_of_the_trial_file(write):
    trial = load_trial(
        write({"trial.toml": 'control = "x"\nstart = 2026-10-01', "bins.csv": BINS, "readings.csv": DATED})
    )
    assert days(trial) == {"B1": [2, 9], "B2": [3, 10]}


def test_a_start_date_of_the_bin_goes_before_it(write):
    bins = "bin,treatment,start_date\nB1,x,\nB2,y,2026-10-04\n"
    trial = load_trial(
        write({"trial.toml": 'control = "x"\nstart = 2026-10-01', "bins.csv": bins, "readings.csv": DATED})
    )
    assert days(trial) == {"B1": [2, 9], "B2": [0, 7]}
    assert trial.bins[1].start_date == date(2026, 10, 4)


def test_without_either_it_is_the_first_date_of_each_bin(write):
    trial = load_trial(write({"bins.csv": BINS, "readings.csv": DATED}), control="x")
    assert days(trial) == {"B1": [0, 7], "B2": [0, 7]}
    assert [(f.code, f.found) for f in trial.findings] == [
        ("start-from-first-date", "the trial has no start; day 0 is the first date of each bin")
    ]


def test_a_day_and_a_date_must_agree(write, said):
    readings = "bin,day,date,volume_l\nB1,0,2026-10-03,200\nB1,7,2026-10-11,150\nB2,0,,200\n"
    place = write({"trial.toml": 'control = "x"\nstart = 2026-10-03', "bins.csv": BINS, "readings.csv": readings})
    assert [text for *_, text in said(place)] == [
        "line 3, date: day 7 and 2026-10-11 do not agree; 2026-10-11 is day 8. Correct one of the two."
    ]


def test_days_and_dates_may_be_mixed(write):
    readings = "bin,day,date,volume_l\nB1,0,2026-10-03,200\nB1,,2026-10-10,150\nB2,0,,200\nB2,7,,150\n"
    trial = load_trial(write({"bins.csv": BINS, "readings.csv": readings}), control="x")
    assert days(trial) == {"B1": [0, 7], "B2": [0, 7]}


@pytest.mark.parametrize(
    ("start", "sentence"),
    [
        (
            "2026-10-04",
            "line 2, date: found 2026-10-03; expected a date on or after the start, 2026-10-04. "
            "Correct the date or the start.",
        ),
        (
            "2010-10-04",
            "line 2, date: found 2026-10-03; expected a date within 3 650 days of the start, 2010-10-04. "
            "Correct the date or the start.",
        ),
    ],
)
def test_a_date_outside_the_trial_is_refused(write, said, start, sentence):
    place = write({"trial.toml": f'control = "x"\nstart = {start}', "bins.csv": BINS, "readings.csv": DATED})
    assert said(place, "error")[0][2] == sentence


def test_readings_after_a_loss_are_set_aside_and_the_bin_stays(trial_files, write):
    bins = "bin,treatment,block,lost_on_day,lost_reason\nB1,water only,1,14,tipped over\nB2,live starter,1,,\n"
    bins += "B3,live starter,2,,\nB4,water only,2,,\n"
    trial = load_trial(write({**trial_files, "bins.csv": bins}))
    assert [(item.line, item.reason) for item in trial.set_aside] == [
        (14, "after day 14, on which bin B1 was lost (tipped over)"),
        (18, "after day 14, on which bin B1 was lost (tipped over)"),
    ]
    assert (trial.rows_read, trial.rows_used) == (20, 18)
    assert days(trial)["B1"] == [0, 7, 14]
    assert len(trial.bins) == 4
    assert [finding.found for finding in trial.findings] == [
        "2 rows are set aside, the first on this line: after day 14, on which bin B1 was lost (tipped over)"
    ]


def test_a_loss_without_a_reason_is_asked_about_and_a_reason_without_a_day_refused(trial_files, write, said):
    bins = "bin,treatment,block,lost_on_day,lost_reason\nB1,water only,1,14,\nB2,live starter,1,,wasps\n"
    bins += "B3,live starter,2,,\nB4,water only,2,,\n"
    place = write({**trial_files, "bins.csv": bins})
    assert [text for *_, text in said(place, "error", "warning")] == [
        'line 2, lost_reason: bin "B1" was lost on day 14 and no reason is given. '
        "Say why: a loss that has to do with the treatment changes the answer.",
        'line 3, lost_on_day: bin "B2" has a reason for its loss and no day; '
        "expected the day from which it no longer counts. Fill it in, or empty lost_reason.",
    ]


def test_rows_without_a_value_are_set_aside(trial_files, write):
    readings = trial_files["readings.csv"].replace("B2,7,42,166,40.25,", "B2,7,,,,it rained")
    trial = load_trial(write({**trial_files, "readings.csv": readings}))
    assert [(item.file, item.line, item.reason) for item in trial.set_aside] == [
        ("readings.csv", 7, "nothing was measured")
    ]
    assert trial.rows_read == trial.rows_used + len(trial.set_aside) == 20


def test_a_row_with_an_event_alone_is_used(trial_files, write):
    readings = trial_files["readings.csv"].replace("core_temp_c", "water_added_l") + "B2,9,1.5,,,\n"
    trial = load_trial(write({**trial_files, "readings.csv": readings}))
    assert trial.set_aside == ()
    assert trial.rows_read == 21


def test_every_used_row_can_be_traced_to_its_line(trial_files, write):
    more = "bin,day,moisture_pct\nB1,0,55\nB2,7,52\n"
    trial = load_trial(write({**trial_files, "readings_2.csv": more}))
    readings = trial.readings
    assert len(readings.row_line) == trial.rows_used == 22
    names = [source.file for source in trial.sources]
    assert names == ["trial.toml", "bins.csv", "readings.csv", "readings_2.csv"]
    traced = {
        (names[file], int(line)): (trial.bins[readings.bin[visit]].bin, float(readings.day[visit]))
        for file, line, visit in zip(readings.row_file, readings.row_line, readings.row_visit, strict=True)
    }
    assert traced["readings.csv", 7] == ("B2", 7)
    assert traced["readings_2.csv", 3] == ("B2", 7)
    assert len(traced) == 22


def test_sources_carry_the_digest_of_the_bytes(trial_files, write):
    import hashlib

    trial = load_trial(write(trial_files))
    for source in trial.sources:
        assert source.sha256 == hashlib.sha256(trial_files[source.file].encode()).hexdigest()
    assert [source.rows for source in trial.sources] == [0, 4, 20]


def test_the_arrays_cannot_be_written_to(trial_files, write):
    readings = load_trial(write(trial_files)).readings
    for array in (readings.bin, readings.day, readings.columns["volume_l"], readings.row_line):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


def test_a_single_file_takes_its_control_from_the_command(write):
    place = write({"a.csv": "bin,treatment,block,day,volume_l\nA,x,1,0,9\nB,y,1,0,9\n"}) / "a.csv"
    plan = load_trial(place, control="y").plan
    assert (plan.control, plan.declared, plan.layout.kind, plan.stated_before_data) == ("y", False, "blocks", False)
    assert [item.name for item in plan.treatments] == ["x", "y"]
    with pytest.raises(TemplateError) as caught:
        load_trial(place)
    assert str(caught.value) == (
        "a.csv does not fit (2 rows read, 1 problem):\n  nothing says which treatment is the control; "
        'expected one of x, y. Name it: --control NAME, or control = "NAME" in a trial.toml.'
    )
    with pytest.raises(
        TemplateError, match=r'the control "Y" is no treatment of the trial; expected one of x, y\. Nearest is "y"'
    ):
        load_trial(place, control="Y")


def test_without_a_block_column_the_layout_is_completely_random(write):
    place = write({"a.csv": "bin,treatment,day,volume_l\nA,x,0,9\nB,y,0,9\n"}) / "a.csv"
    assert load_trial(place, control="x").plan.layout.kind == "completely random"


def test_a_bin_keeps_its_treatment_in_all_rows(write, said):
    place = write({"a.csv": "bin,treatment,day,volume_l\nA,x,0,9\nB,y,0,9\nA,y,7,8\n"}) / "a.csv"
    assert [text for *_, text in said(place)] == [
        'line 4, treatment: found "y"; bin "A" has "x" on line 2. A bin keeps one treatment in all its rows.'
    ]


def test_readings_that_repeat_the_treatment_must_agree_with_the_bins_file(trial_files, write, said):
    readings = (
        trial_files["readings.csv"]
        .replace("note\n", "treatment\n")
        .replace("B2,7,42,166,40.25,", "B2,7,42,166,40.25,water only")
    )
    assert [text for *_, text in said(write({**trial_files, "readings.csv": readings}))] == [
        'line 7, treatment: found "water only"; the bins file has "live starter" for bin "B2". Correct one of the two.'
    ]


def test_readings_may_carry_the_treatments_beside_a_trial_file(trial_files, write, said):
    arms = {"B1": "water only,1", "B2": "live starter,1", "B3": "live starter,2", "B4": "water only,2"}
    head, *rows = trial_files["readings.csv"].splitlines()
    carried = "\n".join([f"treatment,block,{head}", *(f"{arms[row[:2]]},{row}" for row in rows)])
    trial = load_trial(write({**trial_files, "bins.csv": None, "readings.csv": carried}))
    assert [(item.bin, item.treatment, item.block) for item in trial.bins] == [
        (name, *arm.split(",")) for name, arm in arms.items()
    ]
    spoiled = carried.replace("live starter,2,B3,14", "Live starter,2,B3,14")
    found = [text for *_, text in said(write({**trial_files, "bins.csv": None, "readings.csv": spoiled}))]
    assert found == [
        'line 12, treatment: found "Live starter"; bin "B3" has "live starter" on line 4. '
        "A bin keeps one treatment in all its rows.",
        'line 12, treatment: found "Live starter"; expected one of "water only", "live starter". '
        'Nearest is "live starter".',
    ]


@pytest.mark.parametrize(
    ("kind", "columns", "bins"),
    [
        ("latin square", "row,column", ("1,1", "1,2", "2,1", "2,2")),
        ("split plot", "whole_plot,site", ("W1,north", "W1,north", "W2,south", "W2,south")),
    ],
)
def test_layouts_take_their_columns_from_the_bins(trial_files, write, said, kind, columns, bins):
    arms = ("water only", "live starter", "live starter", "water only")
    table = [f"bin,treatment,block,{columns}", *(f"B{n},{arms[n - 1]},1,{cells}" for n, cells in enumerate(bins, 1))]
    toml = trial_files["trial.toml"].replace('kind = "blocks"', f'kind = "{kind}"\nwhole_plot_factor = "culture"')
    toml = toml.replace("water_l = 1.0", 'water_l = 1.0\nfactors = {culture = "without"}')
    files = {**trial_files, "trial.toml": toml, "bins.csv": "\n".join(table)}
    trial = load_trial(write(files))
    assert trial.plan.layout.kind == kind
    names = columns.split(",")
    assert [",".join(getattr(item, name) for name in names) for item in trial.bins] == list(bins)
    spoiled = "\n".join(table).replace(f"B2,live starter,1,{bins[1]}", "B2,live starter,1,,")
    assert said(write({**files, "bins.csv": spoiled}), "error")[0][2] == (
        f"{names[0]}: no {names[0].replace('_', ' ')} for B2; "
        f'every bin of a layout "{kind}" has one. Fill in the column.'
    )
