"""Names from files are data: they pass through unchanged and are never evaluated."""

import csv
import io

import pytest

from trialkit.intake import check_trial, load_trial

NAMES = [
    "__import__('os').system('touch pwned')",
    'Q("y")',
    "<script>alert(1)</script>",
    "=cmd()",
    "+1+1",
    "@SUM(1)",
    "None",
    "NA",
    "TRUE",
    "1e5",
    "nan",
    "{0.__class__}",
    "%s%n",
    "a:b*c + C(d) ~ 1",
    "../../etc/passwd",
    "Ünïcödé 🪱",
    "\\N{SNOWMAN}",
    "x; DROP TABLE bins",
]


def as_csv(*rows):
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize("name", NAMES)
def test_any_name_may_be_a_treatment_a_bin_and_a_block(write, tmp_path, name):
    rows = [["bin", "treatment", "block", "day", "volume_l", "note"]]
    for day, volume in ((0, 200), (7, 150)):
        rows += [[name, name, name, day, volume, name], ["other", "plain", name, day, volume + 1, ""]]
    trial = load_trial(write({"a.csv": as_csv(*rows)}) / "a.csv", control=name)
    assert [(item.bin, item.treatment, item.block) for item in trial.bins] == [
        (name, name, name),
        ("other", "plain", name),
    ]
    assert trial.plan.control == name
    assert [item.name for item in trial.plan.treatments] == [name, "plain"]
    assert not list(tmp_path.rglob("pwned"))


@pytest.mark.parametrize("name", NAMES)
def test_any_name_may_stand_in_the_trial_file(trial_files, write, name):
    quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    bins = as_csv(
        ["bin", "treatment", "block"],
        *[[f"B{n}", name if n in (2, 3) else "water only", (n + 1) // 2] for n in (1, 2, 3, 4)],
    )
    toml = trial_files["trial.toml"].replace('"live starter"', quoted).replace('"Leaves"', quoted)
    trial = load_trial(write({**trial_files, "bins.csv": bins, "trial.toml": toml}))
    assert trial.plan.claims[0].treatment == name
    assert trial.plan.title == name


@pytest.mark.parametrize("name", NAMES)
def test_a_wrong_name_is_quoted_as_it_stands(trial_files, write, name):
    text = trial_files["readings.csv"] + as_csv([name, 35, 20, 120, 30, ""])
    found = [
        f.found for f in check_trial(write({**trial_files, "readings.csv": text})).findings if f.severity == "error"
    ]
    assert found == [f'found "{name}"']
