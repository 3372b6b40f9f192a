"""Whatever people type: a trial that is analysed, or every fault told with its place. Never anything else.

The short form runs by default; TRIALKIT_FUZZ=full throws all ten thousand files, and forty at the command.
"""

import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from trialkit.errors import TemplateError
from trialkit.intake import check_trial, summarise_check
from trialkit.records import Comparison
from trialkit.workflow import analyse

FULL = os.environ.get("TRIALKIT_FUZZ") == "full"
FILES = 10_000 if FULL else 600
PARTS = 20
HARMLESS = 400 if FULL else 30
AT_THE_COMMAND = 40 if FULL else 3
# no file of a few kilobytes may take longer than this, on a machine that does other things too
LONGEST_S = 60.0


def put(folder: Path, files):
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def contents(folder: Path):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def has_place(finding, folder):
    """Whether a finding names a file of the folder, or the folder, and where it can a line or a heading."""
    file = finding.file.split(", sheet ")[0]
    return file == folder.name or (folder / file).exists()


def hold_to_the_law(folder: Path):
    """Check and analyse a folder; returns the analysis, or None where the files are refused with every fault told."""
    checked = check_trial(folder)
    summary = checked.summary()
    assert summarise_check(checked)
    for finding in checked.findings:
        assert finding.found and has_place(finding, folder), finding
    rows = summary.rows
    if checked.trial is not None:
        assert rows["read"] == rows["used"] + rows["set_aside"]
        assert rows["read"] == sum(count for name, count in checked.rows.items() if name != checked.bins_file)
    try:
        return analyse(folder)
    except TemplateError as error:
        assert any(finding.severity == "error" for finding in error.findings)
        told = str(error)
        assert told and "Traceback" not in told
        return None


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("part", range(PARTS))
def test_a_mutated_trial_is_analysed_or_told(folder, spoil, part):
    analysed, slowest = 0, 0.0
    for seed in range(part * FILES // PARTS, (part + 1) * FILES // PARTS):
        files = spoil(seed)
        place = put(folder / "mutated", files)
        begun = time.monotonic()
        try:
            analysis = hold_to_the_law(place)
        except BaseException as problem:
            problem.add_note(f"seed {seed}")
            raise
        slowest = max(slowest, time.monotonic() - begun)
        assert contents(place) == files, f"seed {seed}: the inputs were changed"
        if analysis is not None:
            analysed += 1
            trial = analysis.trial
            assert trial.rows_read == trial.rows_used + len(trial.set_aside), f"seed {seed}"
            assert len(analysis.verdicts) == len(trial.plan.claims), f"seed {seed}"
    # both ways are taken: the mutations are neither all harmless nor all fatal
    assert 0 < analysed < FILES // PARTS
    assert slowest < LONGEST_S


def numbers(analysis):
    return [
        (answer.name, item.treatment, item.against, item.estimate, item.interval.low, item.interval.high)
        for answer in analysis.answers
        for item in answer.comparisons
        if isinstance(item, Comparison)
    ]


def harmless(files, seed):
    """The same trial typed by somebody else: order, separator, decimal commas, encoding, blanks, units."""
    rng = random.Random(seed)
    out = {"trial.toml": files["trial.toml"].encode(rng.choice(["utf-8", "utf-8-sig", "utf-16"]))}
    units = {"volume_l": ("volume_gal", 1 / 3.785411784), "wet_mass_kg": ("wet_mass_lb", 1 / 0.45359237)}
    for name in ("bins.csv", "readings.csv"):
        head, *rows = [line.split(",") for line in files[name].splitlines()]
        rng.shuffle(rows)
        for place, column in enumerate(list(head)):
            if column in units and rng.random() < 0.5:
                head[place], factor = units[column]
                for row in rows:
                    row[place] = f"{float(row[place]) * factor:.14g}"
        order = rng.sample(range(len(head)), len(head))
        separator = rng.choice([",", ";", "\t"])
        commas = separator != "," and rng.random() < 0.5
        lines = []
        for row in [head, *rows]:
            cells = [row[place].replace(".", ",") if commas and row is not head else row[place] for place in order]
            lines.append(separator.join(f" {cell} " if rng.random() < 0.1 else cell for cell in cells))
            if rng.random() < 0.2:
                lines.append(rng.choice(["", separator * (len(cells) - 1)]))
        text = rng.choice(["\n", "\r\n"]).join(lines) + "\n"
        out[name] = text.encode(rng.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    return out


def test_harmless_changes_leave_every_number(folder, quick_files):
    plain = numbers(analyse(put(folder / "plain", {name: text.encode() for name, text in quick_files.items()})))
    assert len(plain) == 2
    for seed in range(HARMLESS):
        again = numbers(analyse(put(folder / "harmless", harmless(quick_files, seed))))
        for one, two in zip(plain, again, strict=True):
            assert one[:3] == two[:3], f"seed {seed}"
            # units there and back err in the last places of a double, and differences of near numbers lose a few more
            assert two[3:] == pytest.approx(one[3:], rel=1e-8), f"seed {seed}"


def test_the_command_says_what_is_wrong_and_writes_nothing(folder, spoil):
    codes = {0: 0, 1: 0}
    for number in range(AT_THE_COMMAND):
        files = spoil(10_000 + number)
        place = put(folder / "command", files)
        done = subprocess.run(
            [sys.executable, "-m", "trialkit.cli", "report", str(place)],
            capture_output=True,
            text=True,
            env={**os.environ, "PATH": os.devnull},  # no browser to print with
        )
        assert done.returncode in codes, f"seed {10_000 + number}: {done.stderr}"
        codes[done.returncode] += 1
        assert "Traceback" not in done.stderr + done.stdout
        left = sorted(path.name for path in place.iterdir() if path.name not in files)
        if done.returncode:
            assert left == [], f"seed {10_000 + number}"
            assert any(name in done.stderr for name in (*files, place.name)), done.stderr
        else:
            assert left == ["report"]
            subprocess.run(["rm", "-r", str(place / "report")], check=True)
    assert sum(codes.values()) == AT_THE_COMMAND
