"""trial.toml: read back with the standard library's parser, whatever the words are."""

import tomllib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

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
