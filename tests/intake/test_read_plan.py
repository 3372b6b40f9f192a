"""The plan alone: what a folder states before there are bins and readings."""

import io

import pytest
from openpyxl import load_workbook

from trialkit.errors import TemplateError
from trialkit.intake import blank_workbook, read_plan


def test_a_trial_file_alone_is_a_plan(write, fitting_files):
    plan = read_plan(write({"trial.toml": fitting_files["trial.toml"]}))
    assert plan.control == "water only"
    assert [item.name for item in plan.treatments] == ["water only", "live starter"]
    assert plan.claims[0].amount == 2.0
    assert plan.layout.kind == "blocks"


def test_bins_and_readings_are_not_looked_at(write, fitting_files):
    assert read_plan(write({**fitting_files, "bins.csv": "x", "readings.csv": "\0"})).control == "water only"


def test_folders_that_state_no_plan(write):
    assert read_plan(write({}, "empty")) is None
    assert read_plan(write({"bins.csv": "bin,treatment\n"}, "bins")) is None


def test_a_workbook_alone_is_a_plan(write):
    plan = read_plan(write({"trial.xlsx": blank_workbook()}))
    assert plan.control == "water only"
    assert plan.control in [item.name for item in plan.treatments]
    assert plan.claims[0].against == "water only"


def test_a_wrong_workbook_is_told_with_its_sheet(write):
    book = load_workbook(io.BytesIO(blank_workbook()))
    cells = [cell for row in book["trial"].iter_rows() for cell in row if cell.value == "water only"]
    assert len(cells) == 1
    cells[0].value = "watr only"
    raw = io.BytesIO()
    book.save(raw)
    with pytest.raises(TemplateError, match="sheet trial does not fit") as caught:
        read_plan(write({"trial.xlsx": raw.getvalue()}))
    assert 'found "watr only"' in str(caught.value)
    assert 'Nearest is "water only"' in str(caught.value)


def test_a_workbook_of_another_kind_is_not_passed_over(write):
    with pytest.raises(TemplateError, match="this kind of workbook is not read"):
        read_plan(write({"trial.ods": "x"}))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('control = "water only"', 'control = "watr only"', 'Nearest is "water only".'),
        ("[layout]", "[layout", "line "),
        ("times_as_fast = 2.0", "times_as_fast = -2.0", "times_as_fast"),
    ],
)
def test_a_wrong_plan_is_told_with_its_line(write, fitting_files, old, new, sentence):
    with pytest.raises(TemplateError) as caught:
        read_plan(write({"trial.toml": fitting_files["trial.toml"].replace(old, new, 1)}))
    assert caught.value.findings[0].line is not None
    assert sentence in str(caught.value)


def test_files_of_the_planner_are_no_surprise(write, fitting_files, said):
    names = ("registration.txt", "INVENTED.txt", "visits.ics", "layout.svg", "trial-before-planning.toml",
             "trial-before-planning-2.xlsx")  # fmt: skip
    assert said(write({**fitting_files, **dict.fromkeys(names, "x")})) == []
