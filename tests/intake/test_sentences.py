"""What people mistype in readings and bins, and the exact sentence each fault is answered with."""

import pytest

ROW = "B2,7,42,166,40.25,"
BIN_NAMES = "expected one of B1, B2, B3, B4"


@pytest.mark.parametrize(
    ("new", "sentence"),
    [
        (
            "B2,7,42,166,-2.0,",
            'line 7, wet_mass_kg: found "-2.0"; expected a number above 0 kg. Check the sign, or leave the cell empty.',
        ),
        ("B 2,7,42,166,40.25,", f'line 7, bin: found "B 2"; {BIN_NAMES}. Remove the space.'),
        ("b2,7,42,166,40.25,", f'line 7, bin: found "b2"; {BIN_NAMES}. Nearest is "B2".'),
        (
            "Xy9,7,42,166,40.25,",
            f'line 7, bin: found "Xy9"; {BIN_NAMES}. Correct the name, or add the bin to the bins file.',
        ),
        (",7,42,166,40.25,", "line 7, bin: the cell is empty; expected the name of the bin. Fill it in."),
        (
            "B2,7,131,166,40.25,",
            'line 7, core_temp_c: found "131"; expected a number from -30 to 95 °C. '
            '131 °F would be 55 °C: if the column is in °F, name it "core_temp_f".',
        ),
        (
            "B2,7,NA,166,40.25,",
            'line 7, core_temp_c: found "NA"; expected a number (°C). Leave the cell empty where nothing was measured.',
        ),
        (
            "B2,7,nan,166,40.25,",
            'line 7, core_temp_c: found "nan"; expected a number (°C). '
            "Leave the cell empty where nothing was measured.",
        ),
        (
            "B2,7,42,inf,40.25,",
            'line 7, volume_l: found "inf"; expected a number (L). Leave the cell empty where nothing was measured.',
        ),
        (
            "B2,7,warm,166,40.25,",
            'line 7, core_temp_c: found "warm"; expected a number (°C). Correct it, or leave the cell empty.',
        ),
        (
            "B2,7,42,166 L,40.25,",
            'line 7, volume_l: found "166 L"; expected a number alone. Remove "L"; the heading says the unit.',
        ),
        (
            "B2,7,42,166,<40,",
            'line 7, wet_mass_kg: found "<40"; expected a number (kg). '
            "Write the value itself, or leave the cell empty.",
        ),
        (
            "B2,7,−4,166,40.25,",
            'line 7, core_temp_c: found "−4"; expected a number (°C). Type the minus sign of the keyboard.',
        ),
        (
            "B2,7,42,166,200000,",
            'line 7, wet_mass_kg: found "200000"; expected a number above 0 and up to 100 000 kg. '
            "Correct it, or leave the cell empty.",
        ),
        (
            'B2,7,42,"1,660",40.25,',
            'line 7, volume_l: found "1,660"; expected a number that reads one way; this is 1660 or 1.660. '
            "Write 1660, or 1,6600 if it is the small one.",
        ),
        ("B2,,42,166,40.25,", "line 7, day: the row has no day and no date; expected one of them. Fill it in."),
        (
            "B2,-7,42,166,40.25,",
            'line 7, day: found "-7"; expected a number of days from 0 to 3 650. '
            "Check the sign; days are counted from the start.",
        ),
        ("B2,inf,42,166,40.25,", 'line 7, day: found "inf"; expected a number (days). Count the days from the start.'),
        (
            "B2,3651,42,166,40.25,",
            'line 7, day: found "3651"; expected a number of days from 0 to 3 650. Correct it.',
        ),
        (
            "B2,46312,42,166,40.25,",
            'line 7, day: found "46312"; expected a number of days from 0 to 3 650. '
            "A spreadsheet keeps dates as such numbers: count the days from the start.",
        ),
        (
            "B2,2026-10-10,42,166,40.25,",
            'line 7, day: found "2026-10-10"; expected a number of days, not a date. '
            'Count the days from the start, or name the column "date".',
        ),
        (
            "B2,7,42,166,40.25,,9",
            'line 7: "9" stands in column G, beyond the last heading; expected at most 6 cells in a row. '
            "If decimal commas were typed, save the file with semicolons between the cells.",
        ),
        (
            "B2,7,42,166,40,25,",
            "line 7: an empty cell stands in column G, beyond the last heading; expected at most 6 cells in a row. "
            "If decimal commas were typed, save the file with semicolons between the cells.",
        ),
        ('B2,7,42,166,40.25,"open', 'line 7: a quotation mark is opened and never closed. Close it, or remove the ".'),
        (
            'B2,7,42,166,40.25,"a" b',
            'line 7: a quotation mark stands inside a quoted cell. Double it ("") or remove it.',
        ),
    ],
)
def test_a_fault_in_a_reading_is_told_in_one_sentence(spoil, new, sentence):
    assert spoil("readings.csv", ROW, new) == [sentence]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("core_temp_c", "coretemp", 'header: column "coretemp" is not known; nearest is "core_temp_c". Rename it.'),
        ("volume_l", "Volume", 'header: column "Volume" is not known; nearest is "volume_l". Rename it.'),
        ("wet_mass_kg", "wet_mas_kg", 'header: column "wet_mas_kg" is not known; nearest is "wet_mass_kg". Rename it.'),
        ("bin,day", "Bin,day", 'header: column "Bin" is not known; nearest is "bin". Rename it.'),
        ("bin,day", "box,day", 'header: no column "bin"; expected "bin". Add it.'),
        ("bin,day", "bin,when", 'header: no column "day" and no column "date"; expected one of them. Add it.'),
        (
            "core_temp_c,volume_l",
            "volume_l,volume_l",
            'header: "volume_l" stands over columns C and D; expected every heading once. '
            "Give sub-samples a row each, or turn the sheet with: trialkit reshape FILE",
        ),
        (
            "core_temp_c,volume_l",
            "volume_gal,volume_l",
            'header: "volume_gal" and "volume_l" are one quantity in two units; expected one of them. '
            "Leave one of the two out.",
        ),
        ("core_temp_c,", ",", "header: column C has cells but no heading. Name it, or empty it."),
    ],
)
def test_a_fault_in_the_heading_is_told_in_one_sentence(spoil, old, new, sentence):
    assert spoil("readings.csv", old, new) == [sentence]


def test_a_column_of_another_kind_is_kept_and_not_used(spoil):
    assert spoil("readings.csv", "note", "weather", "note") == [
        'header: column "weather" is not one of the template; it is kept and not used.'
    ]


def test_a_misspelt_column_beside_the_right_one_is_only_noted(spoil):
    # "notes" is one slip from "note", but nothing is missing
    assert spoil("readings.csv", "core_temp_c,volume_l", "notes,volume_l", "error") == []


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "B4,water only,2",
            "B4,Water only,2",
            'line 5, treatment: found "Water only"; expected one of "water only", "live starter". '
            'Nearest is "water only".',
        ),
        (
            "B4,water only,2",
            "B4,sand,2",
            'line 5, treatment: found "sand"; expected one of "water only", "live starter". '
            "Correct it, or declare it in trial.toml.",
        ),
        (
            "B4,water only,2",
            "B4,,2",
            "line 5, treatment: the cell is empty; expected the treatment of the bin. Fill it in.",
        ),
        (
            "B4,water only,2",
            "B4,water only,",
            'block: no block for B4; every bin of a layout "blocks" has one. Fill in the column.',
        ),
        (
            "B4,water only,2",
            "B4,water only,2\nB4,water only,2",
            'line 6, bin: bin "B4" stands already on line 5; expected every bin once. '
            "Give it another name, or delete the row.",
        ),
        (
            "B4,water only,2",
            "B4,water only,2\nb 4,water only,2",
            'line 6, bin: "b 4" differs from "B4" on line 5 only by blanks or capitals. Name the bins apart.',
        ),
    ],
)
def test_a_fault_in_the_bins_is_told_in_one_sentence(spoil, old, new, sentence):
    assert spoil("bins.csv", old, new) == [sentence]


def test_a_long_list_of_numbered_bins_shows_its_ends(trial_files, write, said):
    bins = "bin,treatment,block\n" + "".join(
        f"B{n},{'water only' if n % 2 else 'live starter'},{(n + 1) // 2}\n" for n in range(1, 13)
    )
    files = {**trial_files, "bins.csv": bins, "readings.csv": "bin,day,volume_l\nB 3,0,200\n"}
    assert [text for *_, text in said(write(files))] == [
        'line 2, bin: found "B 3"; expected one of B1 … B12. Remove the space.'
    ]


def test_every_fault_is_told_at_once(trial_files, write, said):
    files = dict(trial_files)
    files["readings.csv"] = (
        files["readings.csv"]
        .replace("B2,7,42,166,40.25,", "B 2,7,131,166,-1,")
        .replace("B3,14", "B3,soon")
        .replace("volume_l", "volum_l")
    )
    files["bins.csv"] = files["bins.csv"].replace("B4,water only", "B4,sand")
    files["trial.toml"] = files["trial.toml"].replace("decay_rate", "decay_rat", 1)
    found = [(code, text.split(":")[0]) for severity, code, text in said(write(files)) if severity == "error"]
    assert found == [
        ("outcome-unknown", "line 5, primary"),
        ("treatment-unknown", "line 5, treatment"),
        ("heading-unknown", "header"),
        ("bin-unknown", "line 7, bin"),
        ("value-out-of-range", "line 7, core_temp_c"),
        ("value-out-of-range", "line 7, wet_mass_kg"),
        ("not-a-number", "line 12, day"),
    ]


def test_the_trial_that_fits_has_no_finding(trial_files, write, said):
    assert said(write(trial_files)) == []
