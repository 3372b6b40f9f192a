"""From a plan to its report: the folder that ``plan`` writes is checked, filled with invented readings and analysed."""

import csv
import io
import json
import re
import shutil
from datetime import date, timedelta
from html import unescape

import openpyxl
import pytest

import trialkit
from trialkit import cli
from trialkit.intake import read_plan, write_workbook
from trialkit.records import BinValues, Fit
from trialkit.workflow import deviations_of

# a claim stated on the day of planning comes before the data only where the start lies ahead
START = (date.today() + timedelta(days=10)).isoformat()
FLAGS = ("--treatments", "water only,killed starter,starter", "--control", "water only", "--layout", "blocks",
         "--blocks", 4, "--seed", 11, "--start", START, "--no-pdf")  # fmt: skip
CLAIM = ("--claim", "half as fast again", "--times-as-fast", 1.5)
TOML = """\
# written by hand
title = "Leaves"
control = "water only"

[[treatment]]
name = "water only"

[[treatment]]
name = "killed starter"

[[treatment]]
name = "starter"

[[claim]]
text = "half as fast again"
treatment = "starter"
against = "water only"
outcome = "decay_rate"
times_as_fast = 1.5
"""


@pytest.fixture
def say(capsys, monkeypatch):
    """Runs a command in this process as typed where no terminal is; returns exit code, stdout, stderr."""

    def command(*words):
        monkeypatch.setattr("sys.stdin", io.StringIO())
        code = cli.main([str(word) for word in words])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return command


@pytest.fixture
def done(say):
    """Runs a command that must succeed; returns what it printed."""

    def command(*words):
        code, out, err = say(*words)
        assert code == 0, err
        return out

    return command


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def test_a_plan_from_flags_becomes_an_answer(done, tmp_path):
    folder = tmp_path / "trial"
    told = done("plan", folder, *FLAGS, *CLAIM)
    assert "No days were given" in told and "No primary outcome was given: decay_rate." in told
    assert len(rows_of(folder / "readings.csv")) == 12 * 9

    told = done("check", folder)
    assert "no readings yet." in told
    assert f"{folder} fits.\nRows: 108 read, 0 used, 108 set aside.\n12 bins planned, no readings yet." in told
    assert "no part of the trial" not in told and "looks odd" not in told
    checked = json.loads(done("check", folder, "--json"))
    assert checked["fits"]
    assert {finding["code"] for finding in checked["findings"]} == {"no-readings", "set-aside", "readings-in-both"}

    done("simulate", folder, "--truth", 1.5, "--seed", 1)
    told = done("check", folder)
    assert "no readings yet" not in told and "no part of the trial" not in told

    found = trialkit.analyse(folder)
    rate = next(answer for answer in found.answers if answer.name == "decay_rate")
    assert rate.role == "primary" and isinstance(rate.values, BinValues) and isinstance(rate.fit, Fit)
    assert {(one.treatment, one.against) for one in rate.comparisons} == {
        ("killed starter", "water only"),
        ("starter", "water only"),
    }
    (verdict,) = found.verdicts
    # the truth is the claim, 12 bins are few: anything but a refusal or a plain no
    assert verdict.call in ("supported", "cannot_tell", "less_than_claimed")
    assert found.trial.plan.layout.seed == 11 and found.trial.plan.layout.drawn == "by seed"


def test_a_registered_trial_run_as_planned_shows_no_deviation_but_the_mark_of_the_invented(done, tmp_path):
    folder = tmp_path / "trial"
    done("plan", folder, *FLAGS, *CLAIM, "--title", "Leaves")
    done("simulate", folder, "--seed", 1, "--complete")
    (folder / "trial.xlsx").unlink()
    assert deviations_of(trialkit.load_trial(folder)) == ('title: registered "Leaves", analysed "Invented: Leaves".',)
    toml = (folder / "trial.toml").read_text(encoding="utf-8").replace("Invented: ", "")
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    assert deviations_of(trialkit.load_trial(folder)) == ()
    (folder / "trial.toml").write_text(toml.replace("times_as_fast = 1.5", "times_as_fast = 1.2"), encoding="utf-8")
    (told,) = deviations_of(trialkit.load_trial(folder))
    assert told.startswith("claim 1: registered") and "times_as_fast 1.2" in told
    (folder / "registration.txt").write_bytes(b"\xff\xfe\xff")
    assert deviations_of(trialkit.load_trial(folder)) == (
        "The registration could not be read; nothing could be compared.",
    )
    (folder / "registration.txt").unlink()
    assert deviations_of(trialkit.load_trial(folder)) is None


def test_a_blinded_trial_keeps_its_letters_until_the_report(done, say, tmp_path):
    plain, folder = tmp_path / "plain", tmp_path / "trial"
    done("plan", plain, *FLAGS, *CLAIM)
    done("plan", folder, *FLAGS, *CLAIM, "--blinded")
    true = [row["treatment"] for row in rows_of(plain / "bins.csv")]
    letters = [row["treatment"] for row in rows_of(folder / "bins.csv")]
    assert set(letters) == {"A", "B", "C"}
    key = {row["letter"]: row["treatment"] for row in rows_of(folder / "key.csv")}
    assert [key[letter] for letter in letters] == true

    told = done("check", folder)
    assert "fits." in told and "12 bins planned, no readings yet." in told
    hidden = folder / "key.csv"
    aside = hidden.rename(tmp_path / "with the one who pours.csv")
    assert done("check", folder) == told
    assert done("sheets", folder, "--no-pdf")
    code, _, err = say("simulate", folder)
    assert code == 1
    assert "letters stand for the treatments, and there is no key.csv" in err
    assert (folder / "readings.csv").read_bytes() == (plain / "readings.csv").read_bytes()
    aside.rename(hidden)

    done("simulate", plain, "--truth", 1.5, "--seed", 1)
    done("simulate", folder, "--truth", 1.5, "--seed", 1)
    assert [row["treatment"] for row in rows_of(folder / "bins.csv")] == letters
    assert (folder / "readings.csv").read_bytes() == (plain / "readings.csv").read_bytes()
    # the same trial, so the same numbers
    one, two = trialkit.analyse(plain), trialkit.analyse(folder)
    for answer, same in zip(one.answers, two.answers, strict=True):
        assert [(c.treatment, getattr(c, "estimate", None)) for c in answer.comparisons] == [
            (c.treatment, getattr(c, "estimate", None)) for c in same.comparisons
        ]
    assert [finding.code for finding in two.trial.findings].count("key-opened") == 1
    # the allocation was registered as a hash only, and it fits once the key is open
    assert not [line for line in deviations_of(two.trial) if "allocation" in line or "letters" in line]

    hidden.unlink()
    code, _, err = say("report", folder)
    assert code == 1
    assert "Fetch the key from the one who poured" in err
    assert not (folder / "report").exists()


def test_swapped_letters_after_registration_are_a_deviation(done, tmp_path):
    folder = tmp_path / "trial"
    done("plan", folder, *FLAGS, "--blinded")
    done("simulate", folder, "--seed", 1)
    key = (folder / "key.csv").read_text(encoding="utf-8")
    swapped = key.replace("water only", "-").replace("killed starter", "water only").replace("-", "killed starter")
    (folder / "key.csv").write_text(swapped, encoding="utf-8")
    assert any(line.startswith("allocation sha256:") for line in deviations_of(trialkit.load_trial(folder)))


def test_the_report_page_lists_deviations_and_the_key(done, tmp_path):
    folder = tmp_path / "trial"
    done("plan", folder, *FLAGS, *CLAIM, "--blinded", "--title", "Leaves")
    done("simulate", folder, "--truth", 1.5, "--seed", 1, "--complete")
    before = date.today()
    trialkit.write_report(folder, pdf=False)
    page = unescape(re.sub(r"<[^>]+>", "", (folder / "report" / "report.html").read_text(encoding="utf-8")))
    assert "1 deviation from what was registered:" in page
    assert 'title: registered "Leaves", analysed "Invented: Leaves".' in page
    days = {before, date.today()}
    assert any(f"the key was opened for this report, on {day.isoformat()}." in page for day in days)
    results = json.loads((folder / "report" / "results.json").read_text(encoding="utf-8"))
    assert results["trial"]["sources"][-1]["file"] == "key.csv"
    assert [
        (finding["severity"], finding["file"], finding["found"])
        for finding in results["findings"]
        if finding["code"] == "registration-differs"
    ] == [("note", "registration.txt", 'title: registered "Leaves", analysed "Invented: Leaves"')]
    assert len(results["claims"]) == 1


# ---------------------------------------------------------------- text files, workbook, or both
def type_in(folder, like):
    """Types the readings of another planned folder into the sheet readings, as a spreadsheet would."""
    book = openpyxl.load_workbook(folder / "trial.xlsx")
    sheet = book["readings"]
    heads = [cell.value for cell in sheet[1] if cell.value]
    for number, row in enumerate(rows_of(like / "readings.csv"), start=2):
        for index, name in enumerate(heads, start=1):
            text = row[name]
            if text and name not in ("bin", "day"):
                sheet.cell(number, index, text if name in ("finished", "turned", "rater", "note") else float(text))
    book.save(folder / "trial.xlsx")


def estimates(found):
    return [
        (answer.name, one.treatment, one.against, getattr(one, "estimate", None), getattr(one, "p", None))
        for answer in found.answers
        for one in answer.comparisons
    ]


@pytest.mark.parametrize("blinded", [False, True])
@pytest.mark.parametrize("where", ["csv", "workbook", "both"])
def test_readings_typed_into_either_file_give_the_same_answer(done, tmp_path, where, blinded):
    flags = (*FLAGS, *CLAIM, *(("--blinded",) if blinded else ()))
    filled, folder = tmp_path / "filled", tmp_path / "trial"
    done("plan", filled, *flags)
    done("plan", folder, *flags)
    done("simulate", filled, "--truth", 1.5, "--seed", 1, "--complete")
    if where != "workbook":
        shutil.copy(filled / "readings.csv", folder / "readings.csv")
    if where != "csv":
        type_in(folder, filled)
    told = done("check", folder)
    assert "Rows: 108 read, 108 used, 0 set aside." in told and "108 of 108 bin visits are in" in told
    found = trialkit.analyse(folder)
    assert estimates(found) == estimates(trialkit.analyse(filled))
    read = "trial.xlsx, sheet readings" if where == "workbook" else "readings.csv"
    files = ["trial.xlsx", "trial.toml", "bins.csv", read, *(["key.csv"] if blinded else [])]
    assert [source.file for source in found.trial.sources] == files


def test_readings_that_differ_between_the_files_stop_the_report(done, say, tmp_path):
    folder = tmp_path / "trial"
    done("plan", folder, *FLAGS, *CLAIM)
    done("simulate", folder, "--seed", 1, "--complete")
    text = (folder / "readings.csv").read_text(encoding="utf-8")
    row = next(row for row in text.splitlines() if row.startswith("B2,7,"))
    changed = ",".join(["B2", "7", "33.3", *row.split(",")[3:]])
    (folder / "readings.csv").write_text(text.replace(row, changed), encoding="utf-8")
    before = sorted(path.name for path in folder.iterdir())
    code, out, err = say("report", folder)
    assert code == 1 and out == ""
    assert "trial.xlsx, sheet readings does not fit (1 problem):" in err
    assert "line 27, core_temp_c (column C): found " in err
    assert "readings.csv, line 27, has 33.3 for the same visit. Correct one of the two, or empty it." in err
    assert sorted(path.name for path in folder.iterdir()) == before


def test_a_folder_planned_as_a_workbook_only_is_printed_and_filled(done, say, tmp_path):
    text, folder = tmp_path / "text", tmp_path / "book"
    for place in (text, folder):
        done("plan", place, *FLAGS, *CLAIM, "--title", "Leaves")
    for name in ("trial.toml", "bins.csv", "readings.csv"):
        (folder / name).unlink()
    (text / "trial.xlsx").unlink()
    assert "12 bins planned, no readings yet." in done("check", folder)
    before = (folder / "sheets" / "sheets.html").read_text(encoding="utf-8")
    (folder / "sheets" / "sheets.html").unlink()
    done("sheets", folder, "--no-pdf")
    done("sheets", text, "--no-pdf")
    again = (folder / "sheets" / "sheets.html").read_text(encoding="utf-8")
    assert again == (text / "sheets" / "sheets.html").read_text(encoding="utf-8")
    assert "B12" in again and len(again) > 0.9 * len(before)
    done("simulate", folder, "--truth", 1.5, "--seed", 1)
    done("simulate", text, "--truth", 1.5, "--seed", 1)
    assert not [name for name in ("trial.toml", "bins.csv", "readings.csv") if (folder / name).exists()]
    one, two = trialkit.analyse(folder), trialkit.analyse(text)
    assert estimates(one) == estimates(two) and one.trial.bins == two.trial.bins
    assert one.trial.plan.title == "Invented: Leaves" and {bin_.note for bin_ in one.trial.bins} == {"invented"}
    sheet = openpyxl.load_workbook(folder / "trial.xlsx")["readings"]
    heads = [cell.value for cell in sheet[1]]
    notes = {row[heads.index("note")].value for row in sheet.iter_rows(min_row=2) if row[heads.index("volume_l")].value}
    assert notes == {"invented"}
    code, _, err = say("simulate", folder)
    assert code == 1 and "Invented numbers are never put over measured ones" in err
    code, _, err = say("plan", folder, *FLAGS)
    assert code == 1 and "trial.xlsx holds readings already" in err


def test_a_workbook_that_states_the_question_becomes_a_plan(done, say, tmp_path):
    (tmp_path / "asked").mkdir()
    (tmp_path / "asked" / "trial.toml").write_text(TOML, encoding="utf-8")
    stated = read_plan(tmp_path / "asked")
    folder = tmp_path / "trial"
    folder.mkdir()
    write_workbook(stated, folder / "trial.xlsx")
    code, _, err = say("plan", folder, "--layout", "blocks", "--blocks", 4, "--control", "starter", "--no-pdf")
    assert code == 1 and '--control says "starter" and the folder says "water only"' in err
    assert [path.name for path in folder.iterdir()] == ["trial.xlsx"]
    told = done("plan", folder, "--layout", "blocks", "--blocks", 4, "--seed", 11, "--start", START, "--no-pdf")
    assert "trial.xlsx as it was is kept as trial-before-planning.xlsx." in told
    assert "Nothing is claimed yet" not in told
    told = done("check", folder)
    assert "fits." in told and "no part of the trial" not in told
    done("simulate", folder, "--truth", 1.5, "--seed", 1)
    assert trialkit.analyse(folder).verdicts[0].claim.text == "half as fast again"


# ---------------------------------------------------------------- a plan that is there already
def test_a_trial_file_already_there_needs_only_a_layout(done, say, tmp_path):
    (tmp_path / "trial.toml").write_text(TOML, encoding="utf-8")
    code, _, err = say("plan", tmp_path, "--no-pdf")
    assert code == 1
    assert "no layout is named; expected --layout blocks --blocks 4" in err
    told = done("plan", tmp_path, "--layout", "blocks", "--blocks", 4, "--no-pdf")
    assert "trial.toml as it was is kept as trial-before-planning.toml." in told
    assert (tmp_path / "trial-before-planning.toml").read_text(encoding="utf-8") == TOML
    assert "no part of the trial" not in done("check", tmp_path)
    done("simulate", tmp_path, "--truth", 1.5)
    assert trialkit.analyse(tmp_path).verdicts[0].claim.text == "half as fast again"


@pytest.mark.parametrize(
    ("flags", "sentences"),
    [
        (
            ("--control", "starter"),
            ('--control says "starter" and the folder says "water only"; expected one answer.',),
        ),
        (("--treatments", "water only,tea"), ("the folder states the treatments water only, killed starter, starter",)),
        (("--claim", "x", "--times-as-fast", 2), ("the folder states a claim and --claim another; expected one.",)),
        (
            ("--title", "Tea", "--control", "starter"),
            ('--title says "Tea" and the folder says "Leaves"', '--control says "starter"'),
        ),
    ],
)
def test_flags_that_contradict_the_folder_are_refused(say, tmp_path, flags, sentences):
    (tmp_path / "trial.toml").write_text(TOML, encoding="utf-8")
    code, _, err = say("plan", tmp_path, "--layout", "blocks", "--blocks", 4, "--no-pdf", *flags)
    assert code == 1
    assert all(sentence in err for sentence in sentences), err
    assert [path.name for path in tmp_path.iterdir()] == ["trial.toml"]
    assert (tmp_path / "trial.toml").read_text(encoding="utf-8") == TOML


def test_a_wrong_trial_file_is_told_by_line_and_nothing_is_written(say, tmp_path):
    (tmp_path / "trial.toml").write_text(TOML.replace('control = "water only"', 'control = "watr only"'), "utf-8")
    code, _, err = say("plan", tmp_path, "--layout", "blocks", "--blocks", 4, "--no-pdf")
    assert code == 1
    assert 'line 3, control: found "watr only"' in err and 'Nearest is "water only".' in err
    assert [path.name for path in tmp_path.iterdir()] == ["trial.toml"]


def test_readings_are_never_planned_over(done, say, tmp_path):
    folder = tmp_path / "trial"
    done("plan", folder, *FLAGS)
    done("simulate", folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    code, _, err = say("plan", folder, *FLAGS)
    assert code == 1
    assert "holds readings already" in err
    code, _, err = say("simulate", folder)
    assert code == 1
    assert "Invented numbers are never put over measured ones" in err
    assert before == {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


# ---------------------------------------------------------------- plans that cannot work
ARMS = ("--treatments", "water only,killed starter,starter", "--control", "water only", "--no-pdf")


@pytest.mark.parametrize(
    ("flags", "reason", "nearest"),
    [
        (
            (*ARMS, "--layout", "completely random", "--bins", 1),
            "found one bin an arm: the difference between two bins cannot be told from the difference between two "
            "treatments",
            "Nearest plan: --bins 2 (6 bins)",
        ),
        (
            (*ARMS, "--layout", "blocks", "--blocks", 1),
            "found one block: one bin an arm leaves no error degrees of freedom",
            "Nearest plan: --blocks 2 (6 bins)",
        ),
        (
            (*ARMS, "--layout", "blocks", "--blocks", 4, "--bins-per-block", 2),
            "found more arms than bins in a block (3 bins wanted, 2 there)",
            "Nearest plan: blocks of 3 bins",
        ),
        (
            ("--treatments", "water only,starter", "--control", "watr only", "--layout", "blocks", "--blocks", 4),
            'the control "watr only" is not an arm; expected one of water only, starter.',
            'Nearest: "water only".',
        ),
        (
            (*ARMS, "--layout", "blocks", "--blocks", 4, "--days=-3,0,7"),
            "found visits before the start (day -3); expected days from 0 up",
            "Nearest plan: the same days without them, or an earlier --start.",
        ),
        (
            (*ARMS, "--layout", "blocks", "--blocks", 4, "--feed", "gras cliping=20kg"),
            'found the feedstock "gras cliping"; expected one of leaves, grass clippings, straw',
            'Nearest: "grass clippings".',
        ),
        (
            (*ARMS, "--layout", "latin square", "--bins", 4),
            "found 4 bins an arm for a latin square of 3 treatments, which is not square",
            "Nearest plan: 3 × 3 = 9 bins",
        ),
        (
            ("--treatments", "water only,starter", "--control", "water only", "--layout", "latin square"),
            "a 2 × 2 latin square leaves no error degrees of freedom.",
            "Nearest plan: --layout blocks --blocks 4 (8 bins).",
        ),
    ],
    ids=["one bin an arm", "one block", "arms over bins", "control", "before start", "feedstock", "square", "no df"],
)
def test_a_plan_that_cannot_work_is_refused_with_the_nearest_that_can(say, tmp_path, flags, reason, nearest):
    folder = tmp_path / "trial"
    code, out, err = say("plan", folder, *flags)
    assert code == 1
    assert reason in err and nearest in err, err
    assert out == ""
    assert not folder.exists()
