"""The published table schema, held against frictionless: it passes what the gate passes, refuses what it refuses."""

import json
import warnings

import pytest

from trialkit.shipped import shipped

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # on import it tells of its own dependencies
    from frictionless import Package, Resource, Schema

TEMPLATES = shipped("templates")


@pytest.fixture
def errors():
    """(row, field, type) of everything frictionless finds in a file against the schema of its kind."""
    package = json.loads((TEMPLATES / "datapackage.json").read_text(encoding="utf-8"))
    schemas = {part["name"]: part["schema"] for part in package["resources"]}

    def look(kind, text):
        schema = Schema.from_descriptor({k: v for k, v in schemas[kind].items() if k != "foreignKeys"})
        resource = Resource(data=text.encode(), format="csv", schema=schema, encoding="utf-8")
        report = resource.validate()
        return [
            (error.get("rowNumber"), error.get("fieldName"), error["type"])
            for task in report.to_descriptor()["tasks"]
            for error in task["errors"]
        ]

    return look


def test_the_package_itself_is_sound():
    package = Package.from_descriptor(json.loads((TEMPLATES / "datapackage.json").read_text(encoding="utf-8")))
    assert [resource.name for resource in package.resources] == ["bins", "readings"]
    assert list(Package.metadata_validate(package.to_descriptor())) == []


@pytest.mark.parametrize("folder", [TEMPLATES, *(shipped("sample_trials") / n for n in ("three_arms", "one_bin_each"))])
@pytest.mark.parametrize("kind", ["bins", "readings"])
def test_files_that_pass_the_gate_pass_there(errors, folder, kind):
    assert errors(kind, (folder / f"{kind}.csv").read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("kind", "text", "found"),
    [
        ("readings", "bin,day,volume_l\nA,0,-3\n", (2, "volume_l", "constraint-error")),
        ("readings", "bin,day,ph\nA,0,13\n", (2, "ph", "constraint-error")),
        ("readings", "bin,day,volume_l\nA,0,NA\n", (2, "volume_l", "type-error")),
        ("readings", "bin,day,finished\nA,0,perhaps\n", (2, "finished", "type-error")),
        ("readings", "bin,date,ph\nA,31/10/2026,7\n", (2, "date", "type-error")),
        ("readings", "bin,day,odour_score\nA,0,6\n", (2, "odour_score", "constraint-error")),
        ("bins", "bin,treatment\nA,x\nA,y\n", (3, None, "primary-key")),
        ("bins", "bin,treatment\nA,\n", (2, "treatment", "constraint-error")),
    ],
)
def test_what_the_gate_refuses_is_refused_there(errors, kind, text, found):
    assert errors(kind, text) == [found]


@pytest.mark.parametrize("word", ["yes", "no", "y", "n", "true", "false", "1", "0"])
def test_yes_and_no_in_all_their_forms(errors, word):
    assert errors("readings", f"bin,day,finished\nA,0,{word}\n") == []
