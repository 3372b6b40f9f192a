"""The commands as a user types them: exit codes, sentences, nothing half-written."""

import json
import os
import re
import signal
import subprocess
import sys
import time

import pytest

from trialkit.shipped import shipped


def test_demo_writes_the_whole_report_and_says_where(run, tmp_path):
    done = run("demo", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0].startswith("An invented trial (")
    assert done.stdout.splitlines()[-1] == f"The report: {os.path.join('trialkit-demo', 'report.html')}"
    out = tmp_path / "trialkit-demo"
    names = {path.name for path in out.iterdir()}
    assert names >= {"report.html", "report.ipynb", "handout.html", "results.json", "tables", "figures"}
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert [claim["call"] for claim in results["claims"]] == ["less_than_claimed", "cannot_tell"]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page  # no code runs in the page, and nothing is fetched
    assert not re.findall(r"""(?:src|href)=["'](?:https?:)?//""", page)


def assert_same(one, two, where="results"):
    """Equal, numbers to 1e-10: two processes may add in a different order."""
    assert type(one) is type(two), where
    if isinstance(one, dict):
        assert one.keys() == two.keys(), where
        for key in one:
            assert_same(one[key], two[key], f"{where}/{key}")
    elif isinstance(one, list):
        assert len(one) == len(two), where
        for k, (a, b) in enumerate(zip(one, two, strict=True)):
            assert_same(a, b, f"{where}/{k}")
    elif isinstance(one, float):
        assert one == pytest.approx(two, rel=1e-10, abs=1e-12), where
    else:
        assert one == two, where


def test_the_notebook_and_the_function_give_the_same_numbers(run, three_arms):
    import trialkit
    from trialkit import report

    done = run("report", three_arms)
    assert done.returncode == 0, done.stderr
    by_notebook = json.loads((three_arms / "report" / "results.json").read_text(encoding="utf-8"))
    by_function = report.results_of(trialkit.analyse(three_arms))
    assert_same(by_notebook, json.loads(json.dumps(by_function)))
    # a second run replaces the first, and the report folder inside the trial is not taken for readings
    assert run("report", three_arms).returncode == 0


def test_wrong_files_end_with_one_and_write_nothing(run, three_arms):
    path = three_arms / "readings.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("B1,0,20.0,14.4,197", "B1,0,20.0,14.4,-197"), "utf-8")
    done = run("report", three_arms)
    assert done.returncode == 1
    assert 'line 2, volume_l: found "-197"' in done.stderr
    assert "Traceback" not in done.stderr
    assert not (three_arms / "report").exists()


def test_a_folder_that_is_not_ours_is_refused(run, three_arms, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x")
    done = run("report", three_arms, "--out", tmp_path / "mine")
    assert done.returncode == 1
    assert "was not written by this command" in done.stderr
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("report", "nowhere"), "nowhere"),
        (("check", "nowhere"), "nowhere"),
        (("new", "."), "."),
    ],
)
def test_what_is_not_there_is_said(run, tmp_path, arguments, sentence):
    (tmp_path / "something.txt").write_text("x")
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == 1
    assert sentence in done.stderr + done.stdout
    assert "Traceback" not in done.stderr


def test_wrong_usage_ends_with_two(run):
    assert run("report").returncode == 2
    assert run("turn").returncode == 2


def test_new_then_check_then_check_as_json(run, tmp_path):
    folder = tmp_path / "my-trial"
    assert run("new", folder).returncode == 0
    assert {path.name for path in folder.iterdir()} >= {"trial.toml", "bins.csv", "readings.csv"}
    assert run("new", folder).returncode == 1  # never over somebody's files


def test_check_speaks_by_bin_and_never_by_treatment(run, three_arms):
    done = run("check", three_arms)
    assert done.returncode == 0, done.stderr
    assert "starter" not in done.stdout and "water only" not in done.stdout
    told = json.loads(run("check", three_arms, "--json").stdout)
    assert "starter" not in json.dumps(told)


def test_interrupted_ends_with_130_and_leaves_the_old_report(three_arms):
    out = three_arms / "report"
    out.mkdir()
    (out / "results.json").write_text('{"trialkit": "0"}')
    (out / "report.html").write_text("old")
    going = subprocess.Popen(
        [sys.executable, "-m", "trialkit.cli", "report", str(three_arms)],
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    for line in going.stderr:  # wait until the notebook runs
        if "notebook" in line:
            break
    time.sleep(0.5)
    going.send_signal(signal.SIGINT)
    _, told = going.communicate(timeout=60)
    assert going.returncode == 130
    assert "Traceback" not in told
    assert (out / "report.html").read_text() == "old"
    assert sorted(path.name for path in three_arms.iterdir() if path.name.startswith(".")) == []


def test_the_sample_trials_say_that_they_are_invented():
    for folder in shipped("sample_trials").iterdir():
        if folder.is_dir():
            assert "invented" in (folder / "CARD.md").read_text(encoding="utf-8").splitlines()[0].lower()
