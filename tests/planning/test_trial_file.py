"""trial.toml: read back with the standard library's parser, whatever the words are."""

import tomllib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from trialkit.intake import check_trial, write_workbook
from trialkit.planning.again import draw_sheets_again
from trialkit.planning.plan import plan_trial
from trialkit.planning.trial_file import toml_value, write_trial_file
from trialkit.records import Plan, Treatment

PLAIN = some.one_of(
    some.text(), some.integers(-(2**63), 2**63 - 1), some.booleans(), some.dates(),
    some.floats(allow_nan=False, allow_infinity=False),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(some.recursive(PLAIN, lambda inner: some.lists(inner) | some.dictionaries(some.text(), inner), max_leaves=8))
def test_every_value_comes_back(value):
    assert tomllib.loads(f"value = {toml_value(value)}")["value"] == value


def test_materials_and_pupils_come_back(tmp_path):
    plan = Plan("water only", materials=("leaves", "manure"), pupils=True)
    assert 'materials = ["leaves", "manure"]\npupils = true\n' in write_trial_file(plan)
    (tmp_path / "trial.toml").write_text(write_trial_file(plan))
    (tmp_path / "bins.csv").write_text("bin,treatment\nB1,water only\nB2,starter\n")
    (tmp_path / "readings.csv").write_text("bin,day,volume_l\nB1,0,\nB2,0,\n")
    found = check_trial(tmp_path).trial.plan
    assert (found.materials, found.pupils) == (plan.materials, True)
    write_workbook(plan, tmp_path / "book.xlsx", bins=check_trial(tmp_path).trial.bins, days=(0,))
    (tmp_path / "other").mkdir()
    (tmp_path / "book.xlsx").rename(tmp_path / "other" / "trial.xlsx")
    found = check_trial(tmp_path / "other").trial.plan
    assert (found.materials, found.pupils) == (plan.materials, True)


def test_what_the_planner_was_told_stands_in_the_trial_file(make_request):
    planned = plan_trial(make_request(pupils=True))
    told = planned.files["trial.toml"].decode()
    assert 'materials = ["leaves", "grass"]' in told and "pupils = true" in told
    again = draw_sheets_again(planned.plan, planned.bins, planned.files["readings.csv"].decode())
    for heading in ("Herbicide in grass", "Pupils"):  # the recipe is not known then, what it holds is
        assert heading in again


def test_what_a_trial_file_cannot_hold():
    with pytest.raises(TypeError, match="a trial file cannot hold None"):
        toml_value(None)


def test_awkward_names_come_back():
    arms = (Treatment('5" pipe \\ "x"', "other", {"a b": "é"}, {"water_l": 1.5}), Treatment("None", "water"))
    plan = Plan("None", title="line\nbreak", start=date(2026, 10, 3), treatments=arms)
    back = tomllib.loads(write_trial_file(plan, ["heading", ""]))
    assert back["title"] == "line\nbreak" and back["start"] == date(2026, 10, 3)
    assert back["treatment"][0] == {
        "name": '5" pipe \\ "x"', "role": "other", "factors": {"a b": "é"}, "water_l": 1.5,
    }  # fmt: skip
    assert back["treatment"][1] == {"name": "None", "role": "water"}
