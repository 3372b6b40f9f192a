"""A trial that stands in a workbook and in text files: used once, nothing lost, and every difference told by place."""

import csv
import io
from dataclasses import replace

import numpy as np
import openpyxl
import pytest

from trialkit.errors import TemplateError, describe_findings
from trialkit.intake import check_trial, fill_workbook, load_trial, read_plan, sheet_texts, table_texts, workbook_bytes

DAYS = (0, 7, 14, 21, 28)


@pytest.fixture
def empty(trial_files):
    """The readings of the trial that fits, not yet filled in."""
    head, *rows = trial_files["readings.csv"].splitlines()
    return "\n".join([head, *(",".join(row.split(",")[:2]) + ",,,," for row in rows)]) + "\n"


@pytest.fixture
def both(trial_files, write):
    """A folder with text files and workbook: ``csv`` replaces readings.csv, ``book`` fills the sheet readings from CSV
    text, ``cells`` are typed into the workbook, ``change`` replaces texts in files."""
    plain = load_trial(write(trial_files, "plain"))
    blank = workbook_bytes(
        plain.plan, bins=plain.bins, days=DAYS, columns=("core_temp_c", "volume_l", "wet_mass_kg", "note")
    )

    def make(csv=None, book=None, cells=(), change=(), drop=()):
        raw = fill_workbook(blank, {"readings.csv": book}, "Leaves") if book else blank
        opened = openpyxl.load_workbook(io.BytesIO(raw))
        for sheet, cell, value in cells:
            opened[sheet][cell] = value
        out = io.BytesIO()
        opened.save(out)
        files = {**trial_files, "readings.csv": trial_files["readings.csv"] if csv is None else csv}
        for file, old, new in change:
            assert old in files[file]
            files[file] = files[file].replace(old, new)
        texts = {name: text for name, text in files.items() if name not in drop}
        return write({**texts, "trial.xlsx": out.getvalue()}, "both")

    make.plain = plain
    return make


def errors(place):
    return describe_findings([f for f in check_trial(place).findings if f.severity == "error"])


def notes(place):
    return {(f.code, f.file, f.found) for f in check_trial(place).findings if f.code.endswith("in-both")}


def assert_same_data(trial, plain):
    assert trial.plan == plain.plan and trial.bins == plain.bins
    assert trial.readings.day.tolist() == plain.readings.day.tolist()
    for name, values in plain.readings.columns.items():
        np.testing.assert_array_equal(trial.readings.columns[name], values, name)
    assert trial.rows_read == plain.rows_read and trial.rows_used == plain.rows_used


SHEET = "trial.xlsx, sheet readings"


def test_readings_in_the_files_only(both):
    place = both()
    assert_same_data(load_trial(place), both.plain)
    said = "the sheet holds no reading that does not stand in readings.csv; the readings are taken from there"
    assert notes(place) == {("readings-in-both", SHEET, said)}
    assert [source.file for source in load_trial(place).sources] == [
        "trial.xlsx", "trial.toml", "bins.csv", "readings.csv",
    ]  # fmt: skip


def test_readings_in_the_workbook_only(both, empty, trial_files):
    place = both(csv=empty, book=trial_files["readings.csv"])
    trial = load_trial(place)
    assert_same_data(trial, both.plain)
    said = "readings.csv holds no reading that does not stand here; the readings are taken from here"
    assert notes(place) == {("readings-in-both", SHEET, said)}
    assert [source.file for source in trial.sources] == ["trial.xlsx", "trial.toml", "bins.csv", SHEET]
    # a reading is traced to the sheet it was read from
    assert {trial.sources[file].file for file in trial.readings.row_file} == {SHEET}


def test_the_same_readings_in_both_count_once(both, trial_files):
    place = both(book=trial_files["readings.csv"])
    assert_same_data(load_trial(place), both.plain)
    said = "the same readings stand in readings.csv; they count once"
    assert notes(place) == {("readings-in-both", SHEET, said)}


def test_no_reading_in_either(both, empty):
    place = both(csv=empty)
    checked = check_trial(place)
    assert (checked.trial.rows_read, checked.trial.rows_used) == (20, 0)
    said = "no reading stands here or in readings.csv yet; fill in one of the two"
    assert notes(place) == {("readings-in-both", SHEET, said)}


def test_readings_that_differ_are_told_with_both_values_and_both_places(both, trial_files):
    changed = trial_files["readings.csv"].replace("B2,7,42,166,", "B2,7,42,165,").replace("B4,28,24,", "B4,28,29,")
    place = both(book=changed)
    assert errors(place) == [
        "trial.xlsx, sheet readings does not fit (2 problems):",
        '  line 7, volume_l (column D): found 165; readings.csv, line 7, has 166 for the same visit. '
        "Correct one of the two, or empty it.",
        '  line 21, core_temp_c (column C): found 29; readings.csv, line 21, has 24 for the same visit. '
        "Correct one of the two, or empty it.",
    ]  # fmt: skip
    with pytest.raises(TemplateError):
        load_trial(place)


def test_later_readings_in_the_workbook_replace_the_files_they_hold_whole(both, trial_files):
    head, *rows = trial_files["readings.csv"].splitlines()
    place = both(csv="\n".join([head, *rows[:8]]) + "\n", book=trial_files["readings.csv"])
    assert_same_data(load_trial(place), both.plain)


def test_readings_begun_in_one_and_ended_in_the_other_are_read_together(both, trial_files):
    head, *rows = trial_files["readings.csv"].splitlines()
    place = both(csv="\n".join([head, *rows[:8]]) + "\n", book="\n".join([head, *rows[8:]]) + "\n")
    trial = load_trial(place)
    for name, values in both.plain.readings.columns.items():
        np.testing.assert_array_equal(trial.readings.columns[name], values, name)
    assert trial.rows_used == 20
    said = "some readings stand here and others in readings.csv; they are read together"
    assert notes(place) == {("readings-in-both", SHEET, said)}
    # one visit in both, and neither holds all: the same rule as for two files of readings
    overlap = both(csv="\n".join([head, *rows[:9]]) + "\n", book="\n".join([head, *rows[8:]]) + "\n")
    assert 'bin "B1", day 14 is read here; it is read in readings.csv, line 10 too. Delete one of the two.' in "".join(
        errors(overlap)
    )


def test_a_remark_alone_is_no_reason_to_lose_it(both, empty, trial_files):
    csv_text = empty.replace("B3,7,,,,", "B3,7,,,,rain")
    trial = load_trial(both(csv=csv_text, book=trial_files["readings.csv"]))
    assert trial.rows_used == 20 and "readings.csv" in [source.file for source in trial.sources]


def test_scores_of_raters_are_held_against_the_same_rater(trial_files, write):
    head = "bin,day,volume_l,rater,odour_score\n"
    text = head + "".join(
        f"B{n},{day},{100 + n},{rater},{score}\n"
        for n in range(1, 5)
        for day in (0, 7)
        for rater, score in (("Ann", 3), ("Bo", 4))
    )
    plain = load_trial(write({**trial_files, "readings.csv": text}, "plain"))
    book = workbook_bytes(plain)
    place = write({**trial_files, "readings.csv": text, "trial.xlsx": book}, "raters")
    assert load_trial(place).rows_used == 16
    swapped = text.replace("B1,0,101,Ann,3", "B1,0,101,Ann,4").replace("B1,0,101,Bo,4", "B1,0,101,Bo,3")
    (place / "readings.csv").write_text(swapped, "utf-8")
    (first, second) = errors(place)[1:]
    assert "found 3 of rater Ann; readings.csv, line 2, has 4 for the same visit" in first
    assert "found 4 of rater Bo; readings.csv, line 2, has 3 for the same visit" in second


# ---------------------------------------------------------------- the plan and the bins
def test_a_plan_that_differs_is_told_by_value_and_place(both):
    place = both(change=[("trial.toml", 'title = "Leaves"', 'title = "Straw"'), ("trial.toml", "= 2.0", "= 3.0")])
    told = "\n".join(errors(place))
    assert 'value (column B): found "Leaves"; trial.toml, line 1, has "Straw". ' in told
    assert "times_as_fast (column E): found 2.0; trial.toml, line 25, has 3.0. " in told
    assert told.count("Make both say the same, or take one of the two files away.") == 2
    with pytest.raises(TemplateError, match="Straw"):
        read_plan(place)


NO_CLAIM = [("claims", cell, None) for cell in ("A2", "B2", "C2", "D2", "E2", "I2")]


def test_a_claim_that_was_added_to_one_counts(both):
    place = both(cells=NO_CLAIM)
    assert load_trial(place).plan == both.plain.plan
    said = "trial.toml says more of the plan (claim 1, text), so it is used"
    assert ("plan-in-both", "trial.xlsx", said) in notes(place)


def test_a_plan_that_was_filled_in_further_in_the_workbook_counts(both):
    place = both(change=[("trial.toml", 'title = "Leaves"\n', "")])
    assert load_trial(place).plan == both.plain.plan
    said = "trial.xlsx says more of the plan (title), so it is used"
    assert ("plan-in-both", "trial.xlsx", said) in notes(place)


def test_plans_that_both_say_more_are_told_apart(both):
    place = both(cells=NO_CLAIM, change=[("trial.toml", 'title = "Leaves"\n', "")])
    told = "\n".join(errors(place))
    assert 'claim 1, text: nothing is said; trial.toml, line 20, has "twice as fast". ' in told
    assert 'value (column B): found "Leaves"; trial.toml says nothing of it. ' in told
    with pytest.raises(TemplateError):
        load_trial(place)


def test_bins_that_differ(both):
    place = both(cells=[("bins", "B3", "water only")], change=[("bins.csv", "B4,", "B5,")])
    told = "\n".join(errors(place))
    assert 'line 3, treatment (column B): found "water only"; bins.csv, line 3, has "live starter".' in told
    assert 'line 5, bin (column A): found the bin "B4"; bins.csv has no such bin.' in told
    assert 'line 5, bin: found the bin "B5"; trial.xlsx, sheet bins has no such bin.' in told


def test_what_is_filled_in_for_a_bin_later_may_stand_in_one_only(both):
    heads = {cell.value: cell.column_letter for cell in openpyxl.load_workbook(both() / "trial.xlsx")["bins"][1]}
    loss = [("bins", f"{heads['lost_on_day']}3", 20), ("bins", f"{heads['lost_reason']}3", "storm")]
    place = both(cells=loss)
    trial = load_trial(place)
    assert trial.bins == tuple(
        replace(item, lost_on_day=20.0, lost_reason="storm") if item.bin == "B2" else item for item in both.plain.bins
    )
    assert ("bins-in-both", "trial.xlsx, sheet bins",
            "more is filled in here than in bins.csv, so these bins are used") in notes(place)  # fmt: skip
    assert "trial.xlsx, sheet bins" in [source.file for source in trial.sources]
    assert "bins.csv" not in [source.file for source in trial.sources]
    more = [
        ("bins.csv", "bin,treatment,block\n", "bin,treatment,block,start_volume_l\n"),
        ("bins.csv", "B1,water only,1\n", "B1,water only,1,200\n"),
    ]
    told = "\n".join(errors(both(cells=loss, change=more)))
    assert "start_volume_l: the cell is empty; bins.csv, line 2, has 200.0." in told
    assert 'found "storm"; bins.csv, line 3, has nothing.' in told


# ---------------------------------------------------------------- tables as text, and filled in
def test_tables_come_as_text_from_wherever_they_stand(both, trial_files):
    place = both()
    assert table_texts(place)["bins.csv"] == trial_files["bins.csv"]
    (place / "bins.csv").unlink()
    rows = list(csv.DictReader(io.StringIO(table_texts(place)["bins.csv"])))
    assert [(row["bin"], row["treatment"], row["block"]) for row in rows][:2] == [
        ("B1", "water only", "1"), ("B2", "live starter", "1"),
    ]  # fmt: skip
    assert sheet_texts(place / "trial.xlsx")["readings.csv"].splitlines()[:2] == [
        "bin,day,core_temp_c,volume_l,wet_mass_kg,note", "B1,0,,,,",
    ]  # fmt: skip


def test_filling_keeps_what_is_there_and_adds_columns(both):
    place = both(cells=[("readings", "C2", 15.5)])
    book = openpyxl.load_workbook(place / "trial.xlsx")
    book.create_sheet("weather")["A1"] = "rain"
    book.save(place / "trial.xlsx")
    text = "bin,day,volume_l,ph\nB1,0,200,7.1\nB9,0,1,1\n"
    filled = openpyxl.load_workbook(
        io.BytesIO(fill_workbook((place / "trial.xlsx").read_bytes(), {"readings.csv": text}, "New"))
    )
    assert filled["weather"]["A1"].value == "rain"
    sheet = filled["readings"]
    assert [cell.value for cell in sheet[1]][:7] == [
        "bin", "day", "core_temp_c", "volume_l", "wet_mass_kg", "note", "ph",
    ]  # fmt: skip
    assert [cell.value for cell in sheet[2]][:7] == ["B1", 0, 15.5, 200, None, None, 7.1]
    assert [row[1].value for row in filled["trial"].iter_rows() if row[0].value == "title"] == ["New"]
