"""Rules on rows and on the series of bins: what each says, and that an ordinary course says nothing.

The numbers are invented; the bounds are common practice of the trade.
"""

import pytest

from trialkit.intake import check_trial, load_trial
from trialkit.records import Bin
from trialkit.simulate import Truth, simulate_readings

BINS = "bin,treatment\nA,x\nB,y\n"
CHECK = "It stays in the analysis; check it."


@pytest.fixture
def told(write, said):
    """Warnings and errors on readings with these columns; bin B is filled in so that the file is a trial."""

    def look(head, *rows, bins=BINS):
        return [
            text
            for *_, text in said(
                write({"bins.csv": bins, "readings.csv": "\n".join([f"bin,day,{head}", *rows])}), "error", "warning"
            )
        ]

    return look


def course(values, days=(0, 7, 14, 21, 28), name="A"):
    return [f"{name},{day},{value}" for day, value in zip(days, values, strict=True)]


@pytest.mark.parametrize(
    ("head", "values", "sentence"),
    [
        (
            "volume_l",
            (200, 170, 15.2, 140, 133),
            f"line 4, volume_l: found 15.2 L; this bin has 170 and 140 beside it. Was it 152? {CHECK}",
        ),
        (
            "volume_l",
            (20, 170, 152, 140, 133),
            f"line 2, volume_l: found 20 L; this bin has 170 beside it. Was it 200? {CHECK}",
        ),
        (
            "moisture_pct",
            (5.6, 55, 57, 58, 56),
            f"line 2, moisture_pct: found 5.6 % of wet mass; this bin has 55 beside it. Was it 56? {CHECK}",
        ),
        (
            "nitrogen_pct",
            (1.2, 1.3, 14, 1.5, 1.6),
            f"line 4, nitrogen_pct: found 14 % of dry mass; this bin has 1.3 and 1.5 beside it. Was it 1.4? {CHECK}",
        ),
        (
            "core_temp_c",
            (16, 41, 3.6, 30, 22),
            f"line 4, core_temp_c: found 3.6 °C; this bin has 41 and 30 beside it. Was it 36? {CHECK}",
        ),
    ],
)
def test_a_moved_decimal_point_is_seen_against_the_bins_own_series(told, head, values, sentence):
    found = [text for text in told(head, *course(values)) if "beside it" in text]
    assert found == [sentence]


@pytest.mark.parametrize(
    ("head", "values"),
    [
        ("core_temp_c", (2, 38, 45, 30, 3)),
        ("core_temp_c", (-1, 4, 41, 38, 4)),
        ("volume_l", (200, 120, 60, 30, 15)),
        ("respired_c_g_kg", (0, 2, 20, 40, 55)),
        ("ec_ds_m", (0.5, 0.9, 2.5, 4, 5)),
    ],
)
def test_a_steep_course_is_no_moved_point(told, head, values):
    assert [text for text in told(head, *course(values)) if "beside it" in text] == []


def test_a_jump_in_temperature_without_turning(told):
    assert told("core_temp_c,turned", "A,0,20,", "A,1,38,", "A,2,20,yes", "A,3,38,") == [
        f"line 3, core_temp_c: found 38 °C, 20 °C 1 day before; "
        f"more than 15 °C a day without turning is unlikely. {CHECK}"
    ]
    assert told("core_temp_c", "A,0,20", "A,3,60", "A,4,70") == []


def test_a_core_below_the_air_for_days(told):
    head = "core_temp_c,ambient_temp_c"
    assert told(head, "A,0,10,16", "A,1,10,16", "A,2,10,16") == []
    assert told(head, "A,0,10,16", "A,1,10,16", "A,3,10,16", "A,5,10,16") == [
        f"line 4, core_temp_c: the core has been more than 5 °C below the air for 3 days. {CHECK}"
    ]


def test_a_rise_in_volume_without_feeding_is_asked(told):
    assert told("volume_l,added_wet_mass_kg", "A,0,200,", "A,7,212,", "A,14,240,9") == [
        f"line 3, volume_l: found 212 L, 6 % more than at the visit before; nothing was added. {CHECK}"
    ]
    assert told("height_cm", "A,0,80", "A,7,84") == []


def test_a_jump_in_mass_without_an_event(told):
    assert told("wet_mass_kg,water_added_l", "A,0,40,", "A,7,30,", "A,14,40,12") == [
        f"line 3, wet_mass_kg: found 30 kg, 40 kg 7 days before; no addition, water or sample is noted between. {CHECK}"
    ]
    # over four weeks a fifth may well be gone
    assert told("wet_mass_kg", "A,0,40", "A,28,26") == []


def test_ash_that_falls_is_said_once(told):
    assert told("ash_pct", "A,0,12", "A,14,15", "A,28,10", "A,42,9") == [
        f"line 4, ash_pct: found 10, 12 before; ash should rise as organic matter goes. {CHECK}"
    ]


def test_a_cumulative_sum_does_not_fall(told):
    assert told("respired_c_g_kg", "A,0,0", "A,7,12", "A,14,11") == [
        f"line 4, respired_c_g_kg: found 11, 12 before; a cumulative sum does not fall. {CHECK}"
    ]


def test_a_finish_that_flips_and_one_on_day_0(told):
    assert told("finished", "A,7,yes", "A,14,no", "A,21,yes") == [
        f"line 3, finished: no on day 14 after yes on day 7. {CHECK}"
    ]
    assert told("finished", "A,0,yes") == [
        "line 2, finished: the bin is finished on day 0; expected no on the first day. Correct it, or the day."
    ]


def test_more_than_the_bin_holds_is_refused(told):
    bins = "bin,treatment,capacity_l\nA,x,200\nB,y,\n"
    assert told("volume_l", "A,0,201", "B,0,900", bins=bins) == [
        "line 2, volume_l: found 201 L; the bin holds 200 L. Correct the reading or capacity_l."
    ]


def test_carbon_against_ash_and_ratio_against_its_parts(told):
    assert told("carbon_pct,ash_pct", "A,0,44,12", "A,7,30,12") == [
        "line 3, carbon_pct: carbon is 0.34 of the organic matter (100 − ash); 0.40 to 0.62 is likely. "
        "It stays in the analysis; check both."
    ]
    assert told("carbon_pct,nitrogen_pct,cn_ratio", "A,0,44,1.1,40", "A,7,44,1.1,30") == [
        "line 3, cn_ratio: found 30; carbon_pct and nitrogen_pct of this row give 40.0. Check the three."
    ]


def test_dry_mass_out_of_nothing_is_refused(told):
    assert told("wet_mass_kg,moisture_pct,water_added_l", "A,0,40,60,", "A,28,44,50,1") == [
        "line 3, wet_mass_kg: found 22 kg of dry mass; 16 kg was filled in and added. "
        "Check the mass and the moisture here and at the start."
    ]
    # weighing errs, and feeding explains
    assert told("wet_mass_kg,moisture_pct,water_added_l", "A,0,40,60,", "A,28,36,50,1") == []
    assert told("wet_mass_kg,moisture_pct,added_wet_mass_kg", "A,0,40,60,", "A,28,44,50,8") == []


SWAPPED = [
    "line 10, volume_l: the readings of this bin on day 14 fit bin \"B\" (line 11), "
    "and those of that bin fit this one. "
    "Were the two swapped? They stay in the analysis as they are.",
    "line 11, volume_l: the readings of this bin on day 14 fit bin \"A\" (line 10), "
    "and those of that bin fit this one. "
    "Were the two swapped? They stay in the analysis as they are.",
]  # fmt: skip


def rows_of(levels, days=(0, 7, 14, 21, 28), swap_on=None):
    shape = dict(zip(days, (1.0, 0.86, 0.77, 0.71, 0.67), strict=True))
    rows = []
    for day in days:
        names = list(levels)
        given = dict(zip(names, [names[1], names[0], *names[2:]] if day == swap_on else names, strict=True))
        rows += [f"{name},{day},{shape[day] * levels[given[name]]:g}" for name in names]
    return rows


def test_two_bins_swapped_on_one_visit(told):
    bins = "bin,treatment\nA,x\nB,y\nC,x\nD,y\n"
    levels = {"A": 200, "B": 150, "C": 190, "D": 170}
    assert told("volume_l", *rows_of(levels), bins=bins) == []
    assert told("volume_l", *rows_of(levels, swap_on=14), bins=bins) == SWAPPED


def test_a_swap_on_the_last_visit_is_seen_too(told):
    bins = "bin,treatment\nA,x\nB,y\nC,x\nD,y\n"
    found = told("volume_l", *rows_of({"A": 200, "B": 150, "C": 190, "D": 160}, swap_on=28), bins=bins)
    assert len([text for text in found if "Were the two swapped?" in text]) == 2


@pytest.mark.parametrize("day", [14, 21, 28])
def test_a_swap_is_told_of_its_own_visit_and_not_of_those_beside_it(told, day):
    bins = "bin,treatment\n" + "".join(f"{name},{'xy'[at % 2]}\n" for at, name in enumerate("ABCDEFGH"))
    levels = {name: 200 - 3 * at for at, name in enumerate("CDEFGH")} | {"A": 210, "B": 150}
    levels = {name: levels[name] for name in "ABCDEFGH"}
    found = told("volume_l", *rows_of(levels, swap_on=day), bins=bins)
    assert [text.split(" fit bin")[0].split("the readings")[1] for text in found] == [f" of this bin on day {day}"] * 2


def test_a_misspelt_name_is_no_renamed_bin(trial_files, write, said):
    readings = trial_files["readings.csv"].replace("B2,21", "B 2,21").replace("B3,14", "b3,14")
    found = said(write({**trial_files, "readings.csv": readings}))
    assert [code for _, code, _ in found] == ["bin-unknown", "bin-unknown"]


def test_a_file_that_may_hold_fahrenheit_is_no_odd_bin(write):
    rows = [f"{name},{day},{62 + day}" for day in (0, 1, 14) for name in "AB"]
    files = {"bins.csv": BINS, "readings.csv": "\n".join(["bin,day,core_temp_c", *rows]), "trial.toml": 'control = "x"'}
    checked = check_trial(write(files))
    assert "looks-like-fahrenheit" in {finding.code for finding in checked.findings}
    assert all("below 50" not in text for said in checked.progress.odd.values() for text in said)


def test_a_date_that_is_refused_places_no_reading(write, said):
    rows = ["A,2026-10-03,200", "A,2025-10-10,150", "A,2026-10-17,140", "B,2026-10-03,200"]
    toml = 'control = "x"\nstart = 2026-10-03\n'
    files = {"bins.csv": BINS, "readings.csv": "\n".join(["bin,date,volume_l", *rows]), "trial.toml": toml}
    assert [code for _, code, _ in said(write(files))] == ["before-start"]


def test_a_bin_renamed_half_way(write, said):
    head = "bin,treatment,day,volume_l\n"
    rows = "A,x,0,200\nB,y,0,200\nA,x,7,180\nB,y,7,181\nA,x,14,160\nA2,y,14,161\nA,x,21,150\nA2,y,21,151\n"
    place = write({"a.csv": head + rows}) / "a.csv"
    assert [text for *_, text in said(place)] == [
        'line 7, bin: bin "A2" begins on day 14, and "B" ends on day 7. Was one renamed? Then give both parts one name.'
    ]


def test_an_unknown_name_that_goes_on_where_a_planned_bin_ends(trial_files, write, said):
    readings = trial_files["readings.csv"].replace("B2,21", "X7,21").replace("B2,28", "X7,28")
    found = said(write({**trial_files, "readings.csv": readings}))
    assert [(severity, code) for severity, code, _ in found] == [
        ("error", "bin-unknown"),
        ("warning", "bin-renamed"),
        ("error", "bin-unknown"),
    ]


def test_findings_on_readings_never_name_a_treatment(trial_files, write):
    readings = (
        trial_files["readings.csv"].replace("B2,7,42,166,40.25,", "B2,7,42,16.6,20.25,").replace("B3,14,", "b3,14,")
    )
    checked = check_trial(write({**trial_files, "readings.csv": readings}))
    texts = " ".join(f"{f.found} {f.expected} {f.remedy}" for f in checked.findings)
    assert checked.findings
    assert "water only" not in texts and "live starter" not in texts


def test_an_ordinary_trial_is_quiet(write):
    """Twenty invented trials without a fault: hardly a warning, so that a warning means something."""
    bins = [Bin(f"B{n}", "x" if n % 2 else "y", str(n // 2)) for n in range(12)]
    warnings, readings = 0, 0
    for seed in range(20):
        rows = simulate_readings(
            bins, (0, 3, 7, 10, 14, 21, 28, 42, 56), Truth({"x": 0.04, "y": 0.06}), seed, (0, 28, 56)
        )
        head = list(dict.fromkeys(name for row in rows for name in row))
        text = "\n".join([",".join(head), *(",".join(row.get(name, "") for name in head) for row in rows)])
        files = {
            "bins.csv": "bin,treatment\n" + "".join(f"{b.bin},{b.treatment}\n" for b in bins),
            "readings.csv": text,
        }
        trial = load_trial(write(files, f"t{seed}"), control="x")
        readings += trial.rows_used
        warnings += sum(finding.severity == "warning" for finding in trial.findings)
    assert readings == 20 * 12 * 9
    assert warnings <= 5, "about one in four hundred readings at most"


def test_decimal_points_are_not_asked_of_columns_with_zeros(told):
    assert told("respired_c_g_kg", *course((0, 0, 5, 9, 12))) == []


def test_readings_as_small_as_a_number_can_be_stop_no_rule(trial_files, write, said):
    readings = trial_files["readings.csv"].replace("B2,7,42,166,40.25,", "B2,7,42,1e-300,1e-300,")
    codes = [code for _, code, _ in said(write({**trial_files, "readings.csv": readings}), "warning")]
    assert "mass-jump" in codes and "rises-unfed" in codes


def test_one_rater_written_in_two_ways(told):
    assert told("odour_score,rater", "A,0,2,Ann", "A,7,3,ann ", "B,0,2,Bo") == [
        'line 3, rater: found "ann"; other rows have "Ann", and the two count as two raters. Write one name in one way.'
    ]


def test_a_day_of_loss_that_is_refused_is_not_missing_too(write, said):
    bins = "bin,treatment,lost_on_day,lost_reason\nA,x,5000,fox\nB,y,,\n"
    assert [code for _, code, _ in said(write({"bins.csv": bins}), "error")] == ["value-out-of-range"]
