"""A small trial to spoil, and shorthand for what the gate says about it. All numbers are invented."""

from pathlib import Path

import pytest

from trialkit.errors import word_finding
from trialkit.intake import check_trial

TOML = """\
title = "Leaves"
start = 2026-10-03
stated_on = 2026-09-20
control = "water only"
primary = "decay_rate"

[layout]
kind = "blocks"

[[treatment]]
name = "water only"
role = "water"
water_l = 1.0

[[treatment]]
name = "live starter"
role = "live"
water_l = 1.0

[[claim]]
text = "twice as fast"
treatment = "live starter"
against = "water only"
outcome = "decay_rate"
times_as_fast = 2.0
"""

BINS = "bin,treatment,block\nB1,water only,1\nB2,live starter,1\nB3,live starter,2\nB4,water only,2\n"


def readings():
    rows = ["bin,day,core_temp_c,volume_l,wet_mass_kg,note"]
    for day, volume, heat in ((0, 200, 16), (7, 170, 41), (14, 152, 36), (21, 140, 30), (28, 133, 22)):
        for number in (1, 2, 3, 4):
            mass = f"{40 + number - day / 4:g}"
            rows.append(f"B{number},{day},{heat + number / 2:g},{volume - 2 * number:g},{mass},")
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="session")
def fitting_files():
    """The files of a trial that fits, for what is made once."""
    return {"trial.toml": TOML, "bins.csv": BINS, "readings.csv": readings()}


@pytest.fixture
def trial_files(fitting_files):
    """The files of a trial that fits: name to text."""
    return dict(fitting_files)


@pytest.fixture
def write(tmp_path):
    """Write files into a new folder and return it. Bytes are written as they are; None leaves a file out."""

    def make(files, folder="trial") -> Path:
        place = tmp_path / folder
        place.mkdir(exist_ok=True)
        for name, content in files.items():
            if content is not None:
                data = content if isinstance(content, bytes) else content.encode("utf-8")
                (place / name).write_bytes(data)
        return place

    return make


@pytest.fixture
def said():
    """The findings of a folder or file, worded: (severity, code, line of text)."""

    def look(path, *severities):
        found = check_trial(path).findings
        return [
            (finding.severity, finding.code, word_finding(finding))
            for finding in found
            if not severities or finding.severity in severities
        ]

    return look


@pytest.fixture
def spoil(trial_files, write, said):
    """Change one text in one file of the trial that fits, and return what is said: lines of that severity."""

    def change(file, old, new, severity="error"):
        assert old in trial_files[file], "the text to change must be there"
        files = {**trial_files, file: trial_files[file].replace(old, new, 1)}
        return [text for found, _, text in said(write(files)) if found == severity]

    return change
