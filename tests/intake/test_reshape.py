"""Sheets with one heading several times: replicate jars side by side, sub-samples side by side."""

import pytest

from trialkit.errors import DesignError, TemplateError
from trialkit.intake import load_trial, reshape_wide

JARS = "Day,Variable,clay,clay,sand,sand\n1,carbon,0.12,0.19,0.27,\n"
JARS += "2,carbon,0.39,0.42,0.36,0.34\n4,carbon,0.5,0.6,0.7,0.8\n"


def test_jars_side_by_side_become_bins(write):
    place = write({"lab.csv": JARS})
    reshaped = reshape_wide(place / "lab.csv", "respired_c_g_kg", out=place / "readings.csv")
    assert reshaped.text.splitlines()[:4] == [
        "bin,treatment,day,respired_c_g_kg",
        "clay 1,clay,1,0.12",
        "clay 2,clay,1,0.19",
        "sand 1,sand,1,0.27",
    ]
    assert reshaped.done == (
        "4 columns under 2 headings became 4 bins, numbered from the left: clay 1 … sand 2.",
        "3 rows became 11, one per bin and visit, with the cells as respired_c_g_kg.",
        "Left out: Variable.",
        "1 empty cell makes no row.",
    )
    trial = load_trial(place / "readings.csv", control="clay")
    assert trial.rows_used == 11 == reshaped.rows
    assert list(trial.readings.columns["respired_c_g_kg"][:3]) == [0.12, 0.39, 0.5]


def test_sub_samples_side_by_side_become_rows(write):
    text = "bin,day,moisture_pct,moisture_pct,moisture_pct,water_added_l\nA,0,50,52,54,2\nB,0,60,,,\n"
    place = write({"wide.csv": text, "bins.csv": "bin,treatment\nA,x\nB,y\n"})
    reshaped = reshape_wide(place / "wide.csv", out=place / "readings.csv")
    assert reshaped.text.splitlines() == [
        "bin,day,water_added_l,moisture_pct",
        "A,0,2,50",
        "A,0,,52",
        "A,0,,54",
        "B,0,,60",
    ]
    trial = load_trial(place, control="x")
    assert list(trial.readings.columns["moisture_pct"]) == [52, 60]
    assert trial.readings.columns["water_added_l"][0] == 2


@pytest.mark.parametrize(
    ("text", "column", "sentence"),
    [
        ("day,a,b\n1,2,3\n", "ph", "lab.csv has every heading once; there is nothing to reshape."),
        ("when,a,a\n1,2,3\n", "ph", 'lab.csv has no column "day" or "date". Name the column of days so.'),
        (
            "day,a,a\n1,2,3\n",
            None,
            'Say what the cells are readings of: column = "respired_c_g_kg" in a notebook, '
            "--column respired_c_g_kg at the command.",
        ),
        ("day,a,a\n1,2,3\n", "respired", '"respired" is no column of readings. The nearest is "respired_c_g_kg".'),
        ("day,=a,=a\n1,2,3\n", "ph", 'lab.csv holds "=a 1", which a spreadsheet would run. Change it first.'),
        ("bin,day,day,ph,ph\nA,1,2,3,4\n", None, 'lab.csv: "bin" and the day must stand once.'),
    ],
)
def test_a_sheet_of_another_form_is_refused(write, text, column, sentence):
    with pytest.raises(DesignError) as caught:
        reshape_wide(write({"lab.csv": text}) / "lab.csv", column)
    assert str(caught.value) == sentence


def test_a_sheet_that_cannot_be_read_is_told_like_any_file(write):
    with pytest.raises(TemplateError, match="the file is a zip archive or a workbook"):
        reshape_wide(write({"lab.csv": b"PK\x03\x04"}) / "lab.csv", "ph")
    with pytest.raises(TemplateError, match="the file has not one row of data"):
        reshape_wide(write({"lab.csv": "day,a,a\n"}) / "lab.csv", "ph")


def test_nothing_is_written_over(write):
    place = write({"lab.csv": JARS, "readings.csv": "mine"})
    with pytest.raises(DesignError, match="is there already"):
        reshape_wide(place / "lab.csv", "respired_c_g_kg", out=place / "readings.csv")
    assert (place / "readings.csv").read_text() == "mine"


def test_a_formula_is_not_copied_because_it_begins_with_a_digit(write):
    place = write({"lab.csv": JARS.replace("0.12", "=1+cmd").replace("0.19", "-0.19")})
    with pytest.raises(DesignError, match=r'lab.csv holds "=1\+cmd", which a spreadsheet would run'):
        reshape_wide(place / "lab.csv", "respired_c_g_kg")


def test_rows_of_two_quantities_are_not_mixed(write):
    place = write({"lab.csv": JARS + "1,water,50,51,52,53\n"})
    with pytest.raises(DesignError) as caught:
        reshape_wide(place / "lab.csv", "respired_c_g_kg")
    assert str(caught.value) == (
        'lab.csv has several rows for one day, and Variable tells them apart ("carbon" and "water"). '
        "Save the rows of each quantity as a file of their own, and reshape it."
    )
