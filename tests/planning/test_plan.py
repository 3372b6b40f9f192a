"""From a request to the files of a folder: defaults said, the same bytes again, and a gate that lets them in."""

import csv
import io
import tomllib
from collections import Counter
from datetime import date

import pytest

from trialkit.errors import DesignError
from trialkit.intake import READINGS, check_trial, load_trial
from trialkit.planning.field_sheets import HEADINGS
from trialkit.planning.plan import plan_trial
from trialkit.planning.request import NEEDS, USUAL_COLUMNS, next_saturday
from trialkit.planning.writing import write_plan
from trialkit.records import Claim, Treatment

RATE = ("live starter", "water only", "decay_rate")


def rows_of(planned, name):
    return list(csv.DictReader(io.StringIO(planned.files[name].decode())))


def refusal(request):
    with pytest.raises(DesignError) as caught:
        plan_trial(request)
    return str(caught.value)


def test_the_folder_is_complete(planned):
    assert set(planned.files) == {
        "trial.toml", "bins.csv", "readings.csv", "visits.ics", "layout.svg", "registration.txt", "sheets/sheets.html",
        "sheets/recipe.html",
    }  # fmt: skip
    readings = rows_of(planned, "readings.csv")
    assert Counter(row["day"] for row in readings) == dict.fromkeys(
        ["0", "3", "7", "10", "14", "21", "28", "42", "56"], 12
    )
    assert list(readings[0]) == ["bin", "day", *USUAL_COLUMNS]
    assert all(not value for row in readings for name, value in row.items() if name not in ("bin", "day"))
    bins = rows_of(planned, "bins.csv")
    assert [row["treatment"] for row in bins] == [bin_.treatment for bin_ in planned.bins]
    assert {row["capacity_l"] for row in bins} == {"200"}
    codes = [row["code"] for row in bins]
    assert len(set(codes)) == 12 and not any(letter in "".join(codes) for letter in "ILOQZ")


def test_the_same_request_gives_the_same_bytes(make_request):
    assert plan_trial(make_request()).files == plan_trial(make_request()).files
    assert plan_trial(make_request()).files["bins.csv"] != plan_trial(make_request(layout_seed=12)).files["bins.csv"]


def test_what_was_left_out_is_said(make_request):
    planned = plan_trial(make_request(claims=()))
    assert planned.notes[:4] == (
        "No start was given: the next Saturday, 2026-09-26.",
        "No days were given: visits on days 0, 3, 7, 10, 14, 21, 28, 42, 56.",
        "No primary outcome was given: decay_rate.",
        "Nothing is claimed yet: trial.toml holds a commented example.",
    )
    text = planned.files["trial.toml"].decode()
    example = text[text.index("# [[claim]]") :]
    assert example.startswith(
        '# [[claim]]\n# text = "at least one and a half times as fast"\n# treatment = "live starter"'
    )
    assert "claim" not in tomllib.loads(text)
    # the example is a claim as it stands once the marks are gone
    uncommented = tomllib.loads("\n".join(line.removeprefix("# ") for line in example.splitlines()))
    assert uncommented["claim"][0]["times_as_fast"] == 1.5


@pytest.mark.parametrize(
    ("today", "saturday"),
    [
        (date(2026, 9, 20), date(2026, 9, 26)),
        (date(2026, 9, 25), date(2026, 9, 26)),
        (date(2026, 9, 26), date(2026, 10, 3)),
    ],
)
def test_the_next_saturday_lies_after_today(today, saturday):
    assert next_saturday(today) == saturday and saturday.weekday() == 5


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"claims": (), "days": (0, 28), "secondary": ("dry_matter_loss_pct", "cn_ratio")},
        {"layout_kind": "completely random", "layout_blocks": None, "layout_bins": 4},
        {"layout_kind": "latin square", "layout_blocks": None},
        {
            "layout_kind": "split plot", "layout_whole_plot_factor": "turning",
            "layout_whole_plot_levels": ("weekly", "never"), "claims": (),
        },
        {"primary": "days_to_finish", "claims": (), "measured": ("core_temp_c", "height_cm")},
        {"layout_control_replication": 2, "outcome_settings": {"volume_loss_pct": {"day": 28}}},
    ],
    ids=["blocks", "no claim", "line", "square", "split plot", "finish", "two controls"],
)  # fmt: skip
def test_the_gate_lets_every_planned_folder_in(make_request, tmp_path, changes):
    planned = plan_trial(make_request(**changes))
    write_plan(planned, tmp_path / "trial", pdf=False)
    checked = check_trial(tmp_path / "trial")
    assert [finding for finding in checked.findings if finding.severity != "note"] == []
    trial = checked.trial
    assert trial is not None and trial.readings.day.size == 0
    assert trial.plan.control == planned.plan.control
    assert trial.plan.layout == planned.plan.layout
    assert trial.plan.claims == planned.plan.claims
    assert trial.plan.primary == planned.plan.primary and trial.plan.secondary == planned.plan.secondary
    assert [dict(item.amounts) for item in trial.plan.treatments] == [dict(i.amounts) for i in planned.plan.treatments]
    assert [dict(item.factors) for item in trial.plan.treatments] == [dict(i.factors) for i in planned.plan.treatments]
    found = [(b.bin, b.treatment, b.block, b.row, b.column, b.whole_plot, b.code) for b in trial.bins]
    assert found == [(b.bin, b.treatment, b.block, b.row, b.column, b.whole_plot, b.code) for b in planned.bins]


def test_readings_typed_in_are_let_in_too(planned, tmp_path):
    write_plan(planned, tmp_path / "trial", pdf=False)
    place = tmp_path / "trial" / "readings.csv"
    place.write_text(place.read_text().replace("B1,0,,", "B1,0,21.5,14").replace("B1,7,,", "B1,7,40,14"))
    trial = load_trial(tmp_path / "trial")
    assert trial.rows_used == 2 and trial.plan.stated_before_data


def test_a_blinded_folder_holds_letters_and_the_key_beside_them(make_request):
    planned = plan_trial(make_request(blinded=True))
    key = {row["letter"]: row["treatment"] for row in rows_of(planned, "key.csv")}
    assert sorted(key) == ["A", "B", "C"] and set(key.values()) == {"water only", "killed starter", "live starter"}
    bins = rows_of(planned, "bins.csv")
    assert [key[row["treatment"]] for row in bins] == [bin_.treatment for bin_ in planned.bins]
    open_plan = plan_trial(make_request())
    assert planned.bins == open_plan.bins
    assert not any(name in planned.files["layout.svg"].decode() for name in key.values())
    sheets, recipe = (planned.files[f"sheets/{name}.html"].decode() for name in ("sheets", "recipe"))
    assert "Pour in this order" not in sheets and "Pour in this order" in recipe and ">live starter<" not in sheets
    assert ">live starter<" in recipe and "Pour in this order" in open_plan.files["sheets/sheets.html"].decode()
    assert "allocation:" not in planned.files["registration.txt"].decode()
    assert "allocation:" in open_plan.files["registration.txt"].decode()
    assert "key.csv" in " ".join(planned.notes)


def test_letters_are_never_the_name_of_a_treatment(make_request):
    names = ("A", "b", "T2", *(f"arm {number}" for number in range(23)))
    few, many = names[:3], names
    for arms in (few, many):
        treatments = tuple(Treatment(name) for name in arms)
        planned = plan_trial(
            make_request(
                blinded=True, treatments=treatments, control="A", claims=(), starter=None, layout_treatments=arms,
                layout_control="A",
            )
        )  # fmt: skip
        letters = set(planned.letters.values())
        assert len(letters) == len(arms)
        assert not {letter.casefold() for letter in letters} & {name.casefold() for name in arms}


def test_columns_follow_the_outcomes(make_request):
    planned = plan_trial(make_request(claims=(), primary="cn_ratio", measured=("core_temp_c",)))
    assert planned.columns == ("core_temp_c", "carbon_pct", "nitrogen_pct", "note")
    by_height = plan_trial(make_request(measured=("height_cm",)))
    assert by_height.plan.outcome_settings["decay_rate"]["from"] == "height_cm"
    by_mass = plan_trial(make_request(measured=("ph",), outcome_settings={"decay_rate": {"from": "dry mass"}}))
    assert by_mass.columns == ("ph", "wet_mass_kg", "moisture_pct", "note")


def test_the_headings_on_paper_are_the_template_s_columns():
    catalogue = {column.name for column in READINGS} - {"bin", "day", "date"}
    assert set(HEADINGS) == catalogue
    assert set(USUAL_COLUMNS) <= catalogue
    assert {column for needs in NEEDS.values() for column in needs} <= catalogue


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"days": (-3, 0, 7)}, "found visits before the start (day -3); expected days from 0 up"),
        ({"days": (0, 7, 7)}, "found a day twice"),
        ({"days": (0,)}, "found one visit; expected two or more"),
        ({"days": (0, 4000)}, "expected whole days up to 3650"),
        ({"primary": "decay_rte"}, 'found the outcome "decay_rte"; expected one of decay_rate'),
        ({"secondary": ("decay_rate",), "primary": "decay_rate"}, "stands as primary and as secondary"),
        ({"primary": "days_to_threshold"}, "days_to_threshold needs its threshold"),
        ({"measured": ("core_temp",)}, 'Nearest: "core_temp_c".'),
        ({"title": "a\x00b"}, "found a control character in the title"),
        ({"layout_seed": -1}, "found the seed -1; expected a whole number from 0 up"),
        ({"level": 95}, "found the level 95; expected a number between 0.5 and 1"),
        ({"paper": "A3"}, 'found the paper "A3"; expected A4 or Letter.'),
        ({"start": date(2026, 9, 1), "stated_on": date(2026, 9, 2)}, "lies after the start"),
        ({"capacity_l": -1}, "found a bin of -1 L"),
        (
            {"claims": (Claim("x", "starter", "water only", "decay_rate", "times_as_fast", 2.0),)},
            'claim "x", treatment: found "starter"; expected one of water only',
        ),
        (
            {"claims": (Claim("x", "live starter", "water only", "ph", "times_as_fast", 2.0),)},
            "times_as_fast does not fit ph; expected at_least.",
        ),
        (
            {"claims": (Claim("x", *RATE, "times_as_fast", 1.2, "all", (0.8, 1.25)),)},
            "the size 1.2 lies inside the margin 0.8 to 1.25",
        ),
        (
            {"claims": (Claim("x", *RATE, "times_as_fast", 2.0, "all", (1.1, 1.5)),)},
            "found the margin 1.1 to 1.5; expected one on both sides of 1.",
        ),
        (
            {
                "treatments": (Treatment("=1+1"), Treatment("b")), "control": "b", "claims": (),
                "layout_treatments": ("=1+1", "b"), "layout_control": "b",
            },
            "a spreadsheet would run or change it",
        ),
    ],
)  # fmt: skip
def test_requests_that_contradict_themselves_are_refused(make_request, changes, reason):
    assert reason in refusal(make_request(**changes))


def test_several_reasons_are_told_at_once(make_request):
    text = refusal(make_request(days=(-1,), level=3, paper="A5"))
    assert len(text.splitlines()) >= 3


def test_a_start_in_the_past_is_said(make_request):
    planned = plan_trial(make_request(start=date(2026, 9, 1), stated_on=date(2026, 8, 30)))
    assert planned.notes[0].startswith("The start, 2026-09-01, lies in the past")
    assert planned.plan.stated_on == date(2026, 8, 30)


def test_a_plan_that_does_not_read_day_0_says_where_the_start_goes(make_request):
    planned = plan_trial(make_request(days=(7, 28)))
    assert (
        "Day 0 is no visit: weigh and read the bins when they are filled, into the start_ columns of bins.csv."
        in planned.notes
    )
