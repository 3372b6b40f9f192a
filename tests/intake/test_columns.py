"""The catalogue: ranges of every column, other units, and the published table schema. Ranges are common practice."""

import json

import numpy as np
import pytest

from trialkit.intake import BINS, READINGS, load_trial
from trialkit.intake.columns import headings_of, show_number
from trialkit.intake.schema import datapackage
from trialkit.shipped import shipped

# column, allowed ends, refused just outside: written out here so that the catalogue is held to something
HARD = [
    ("core_temp_c", (-30, 95), (-30.1, 95.1)),
    ("ambient_temp_c", (-60, 60), (-60.1, 60.1)),
    ("height_cm", (0.1, 1000), (0, 1000.1)),
    ("volume_l", (0.1, 100000), (0, 100000.1)),
    ("wet_mass_kg", (0.1, 100000), (0, 100000.1)),
    ("moisture_pct", (0, 99.9), (-0.1, 100)),
    ("ash_pct", (0, 100), (-0.1, 100.1)),
    ("carbon_pct", (0, 60), (-0.1, 60.1)),
    ("nitrogen_pct", (0, 20), (-0.1, 20.1)),
    ("cn_ratio", (3, 1000), (2.9, 1000.1)),
    ("respired_c_g_kg", (0, 1000), (-0.1, 1000.1)),
    ("ph", (2, 12), (1.9, 12.1)),
    ("ec_ds_m", (0, 60), (-0.1, 60.1)),
    ("appearance_score", (0, 5), (-1, 6)),
    ("odour_score", (0, 5), (-1, 6)),
    ("germination_pct", (0, 1000), (-0.1, 1000.1)),
    ("seedlings_pct", (0, 1000), (-0.1, 1000.1)),
    ("root_length_pct", (0, 1000), (-0.1, 1000.1)),
    ("self_heating_rise_c", (-5, 65), (-5.1, 65.1)),
    ("water_added_l", (0, 100000), (-0.1, 100000.1)),
    ("sample_removed_kg", (0, 100000), (-0.1, 100000.1)),
    ("added_wet_mass_kg", (0, 100000), (-0.1, 100000.1)),
    ("added_moisture_pct", (0, 100), (-0.1, 100.1)),
    ("added_ash_pct", (0, 100), (-0.1, 100.1)),
    ("added_carbon_pct", (0, 100), (-0.1, 100.1)),
    ("added_nitrogen_pct", (0, 50), (-0.1, 50.1)),
    ("day", (0, 3650), (-0.1, 3650.1)),
]
SOFT = [
    ("core_temp_c", (70,), (70.1,)),
    ("moisture_pct", (30, 70), (29.9, 70.1)),
    ("nitrogen_pct", (6,), (6.1,)),
    ("cn_ratio", (8, 100), (7.9, 100.1)),
    ("ph", (5, 9.2), (4.9, 9.3)),
    ("ec_ds_m", (10,), (10.1,)),
    ("germination_pct", (220,), (220.1,)),
    ("self_heating_rise_c", (0, 50), (-0.1, 50.1)),
]


def codes(write, said, column, value):
    day = f"{value}" if column == "day" else "7"
    head = "bin,treatment,day,volume_l" if column == "day" else f"bin,treatment,day,{column}"
    cell = "5" if column == "day" else f"{value}"
    place = write({"one.csv": f"{head}\nA,x,{day},{cell}\nB,y,7,\n"}) / "one.csv"
    return [code for _, code, _ in said(place, "error", "warning")]


def test_every_column_with_a_range_is_in_the_table_above():
    with_range = {column.name for column in READINGS if column.hard is not None}
    assert {name for name, *_ in HARD} == with_range
    assert {name for name, *_ in SOFT} | {"seedlings_pct", "root_length_pct"} == {
        column.name for column in READINGS if column.soft is not None
    }


@pytest.mark.parametrize(("column", "inside", "outside"), HARD)
def test_the_impossible_is_refused(write, said, column, inside, outside):
    assert [codes(write, said, column, value).count("value-out-of-range") for value in (*inside, *outside)] == [
        0, 0, 1, 1,
    ]  # fmt: skip


@pytest.mark.parametrize(("column", "inside", "outside"), SOFT)
def test_the_unlikely_is_a_warning(write, said, column, inside, outside):
    assert all(codes(write, said, column, value) == [] for value in inside)
    assert all(codes(write, said, column, value) == ["value-unlikely"] for value in outside)


def test_an_unlikely_value_stays_in_the_data(write):
    place = write({"one.csv": "bin,treatment,day,ph\nA,x,7,9.5\nB,y,7,7\n"}) / "one.csv"
    trial = load_trial(place, control="x")
    assert list(trial.readings.columns["ph"]) == [9.5, 7]
    assert [finding.code for finding in trial.findings] == ["value-unlikely"]


@pytest.mark.parametrize(
    ("heading", "typed", "column", "value"),
    [
        # definitions: US gallon 3.785411784 L, inch 2.54 cm, pound 0.45359237 kg, cubic foot 28.316846592 L
        ("core_temp_f", 104, "core_temp_c", 40.0),
        ("core_temp_f", 131, "core_temp_c", 55.0),
        ("core_temp_f", 160, "core_temp_c", 71.1111),
        ("ambient_temp_f", 59, "ambient_temp_c", 15.0),
        # a difference of temperatures: 5/9 without the 32
        ("self_heating_rise_f", 18, "self_heating_rise_c", 10.0),
        ("self_heating_rise_f", 0, "self_heating_rise_c", 0.0),
        ("volume_gal", 50, "volume_l", 189.2706),
        ("volume_ft3", 7, "volume_l", 198.2179),
        ("volume_m3", 0.2, "volume_l", 200.0),
        ("height_in", 30, "height_cm", 76.2),
        ("wet_mass_lb", 90, "wet_mass_kg", 40.8233),
        ("wet_mass_g", 40500, "wet_mass_kg", 40.5),
        ("water_added_gal", 1, "water_added_l", 3.785412),
        ("added_wet_mass_lb", 1, "added_wet_mass_kg", 0.4535924),
    ],
)
def test_other_units_are_converted_by_their_suffix(write, heading, typed, column, value):
    place = write({"one.csv": f"bin,treatment,day,{heading}\nA,x,0,{typed}\nB,y,0,{typed}\n"}) / "one.csv"
    trial = load_trial(place, control="x")
    assert trial.readings.columns[column] == pytest.approx([value, value], abs=5e-5)


def test_starts_of_bins_are_converted_too(trial_files, write):
    bins = (
        trial_files["bins.csv"]
        .replace("block\n", "block,start_wet_mass_lb,capacity_gal\n")
        .replace(",1\n", ",1,100,60\n")
    )
    bins = bins.replace(",2\n", ",2,,\n")
    trial = load_trial(write({**trial_files, "bins.csv": bins}))
    assert trial.bins[0].starts == pytest.approx({"start_wet_mass_kg": 45.359237, "capacity_l": 227.12470704})
    assert dict(trial.bins[3].starts) == {}


def test_a_range_is_told_in_the_unit_that_was_typed(write, said):
    place = write({"one.csv": "bin,treatment,day,core_temp_f\nA,x,0,220\nB,y,0,203\n"}) / "one.csv"
    assert [text for *_, text in said(place, "error")] == [
        'line 2, core_temp_f: found "220"; expected a number from -22 to 203 °F. Correct it, or leave the cell empty.'
    ]


def test_a_ratio_by_mass_is_not_taken_for_a_mass():
    assert "respired_c_g_g" not in headings_of(READINGS)
    assert "respired_c_g_lb" not in headings_of(READINGS)


def test_names_are_unique_and_every_column_says_what_it_means():
    for columns in (BINS, READINGS):
        assert len({column.name for column in columns}) == len(columns)
        assert all(column.meaning.endswith(".") for column in columns)


def test_the_published_schema_is_the_catalogue():
    published = json.loads((shipped("templates") / "datapackage.json").read_text(encoding="utf-8"))
    assert published == datapackage()
    names = {part["name"]: [field["name"] for field in part["schema"]["fields"]] for part in published["resources"]}
    assert names == {"bins": [c.name for c in BINS], "readings": [c.name for c in READINGS]}


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (-30.0, "-30"), (3650.0, "3 650"), (100000.0, "100 000"), (1234.5, "1 234.5"), (7.25, "7.25")],
)
def test_numbers_in_sentences(value, text):
    assert show_number(value) == text


def test_fahrenheit_in_a_column_of_celsius_is_told_once(trial_files, write, said):
    rows = []
    for line in trial_files["readings.csv"].splitlines()[1:]:
        parts = line.split(",")
        parts[2] = f"{float(parts[2]) * 1.8 + 32:.1f}"
        rows.append(",".join(parts))
    text = trial_files["readings.csv"].splitlines()[0] + "\n" + "\n".join(rows) + "\n"
    assert [text for *_, text in said(write({**trial_files, "readings.csv": text}))] == [
        "line 6, core_temp_c: found 8 readings from 97.7 to 109.4, the first on this line; expected a number from "
        '-30 to 95 °C; 109.4 °F would be 43 °C. If all of the column is in °F, name it "core_temp_f".'
    ]
    celsius = load_trial(write(trial_files, "celsius"))
    fahrenheit = load_trial(write({**trial_files, "readings.csv": text.replace("core_temp_c", "core_temp_f")}))
    assert np.allclose(celsius.readings.columns["core_temp_c"], fahrenheit.readings.columns["core_temp_c"], atol=1e-9)


def test_a_rise_in_fahrenheit_is_told_as_a_rise(write, said):
    """90 °F of difference are 50 °C, though a thermometer at 90 °F shows 32.2 °C; 118 °F would be too much as well."""
    place = write({"one.csv": "bin,treatment,day,self_heating_rise_c\nA,x,0,90\nB,y,0,118\n"}) / "one.csv"
    assert [text for *_, text in said(place, "error")] == [
        'line 2, self_heating_rise_c: found "90"; expected a number from -5 to 65 °C. '
        '90 °F would be 50 °C: if the column is in °F, name it "self_heating_rise_f".',
        'line 3, self_heating_rise_c: found "118"; expected a number from -5 to 65 °C. '
        "Correct it, or leave the cell empty.",
    ]
    place = write({"two.csv": "bin,treatment,day,self_heating_rise_f\nA,x,0,-10\nB,y,0,117\n"}) / "two.csv"
    assert [text for *_, text in said(place, "error")] == [
        'line 2, self_heating_rise_f: found "-10"; expected a number from -9 to 117 °F. '
        "Correct it, or leave the cell empty."
    ]


def test_a_cool_file_in_fahrenheit_is_asked_about(write, said):
    rows = "".join(
        f"{name},{name},{day},{heat}\n" for name in "xy" for day, heat in ((0, 62), (7, 68), (14, 65), (21, 60))
    )
    place = write({"one.csv": "bin,treatment,day,core_temp_c\n" + rows}) / "one.csv"
    assert [text for *_, text in said(place)] == [
        "line 2, core_temp_c: no reading of 8 over 21 days is below 50 °C. "
        'If the column is in °F, name it "core_temp_f".'
    ]


@pytest.mark.parametrize(("column", "value", "amount"), [("carbon_pct", 70, "char_kg"), ("nitrogen_pct", 25, "urea_g")])
def test_rich_mixes_are_possible_where_the_trial_file_says_what_is_in_them(
    trial_files, write, said, column, value, amount
):
    readings = trial_files["readings.csv"].replace("core_temp_c", column)
    head, *rows = [line.split(",") for line in readings.splitlines()]
    cells = [[*row[:2], f"{value}" if row[:2] == ["B2", "7"] else "", *row[3:]] for row in rows]
    readings = "\n".join(",".join(row) for row in [head, *cells])
    plain = write({**trial_files, "readings.csv": readings})
    assert [code for _, code, _ in said(plain, "error")] == ["value-out-of-range"]
    toml = trial_files["trial.toml"].replace("water_l = 1.0", f"water_l = 1.0\n{amount} = 2", 1)
    declared = write({**trial_files, "readings.csv": readings, "trial.toml": toml}, "declared")
    assert said(declared, "error") == []
