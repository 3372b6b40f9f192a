"""The files to double-click: what they do, in a folder with a Python that only writes down what it is asked."""

import os
import shutil
import stat
import subprocess

import pytest

from trialkit.shipped import shipped

SHELL = ["start_linux.sh", "start_macos.command"]
PYTHON = """#!/bin/sh
echo "python $*" >> "$LOG"
case "$1" in
-c) exit "${OLD:-0}" ;;
-I) exit "${MOVED:-0}" ;;
esac
mkdir -p .venv/bin
cp "$0" .venv/bin/python
printf '#!/bin/sh\\necho "trialkit $*" >> "$LOG"\\nexit "${FAILS:-0}"\\n' > .venv/bin/trialkit
chmod +x .venv/bin/trialkit
"""


@pytest.fixture
def double_click(tmp_path):
    """Run a start file in a copy of the folder; returns (exit code, what was said, what was run)."""
    folder, programs = tmp_path / "a folder", tmp_path / "programs"
    (folder / "templates").mkdir(parents=True)
    programs.mkdir()
    (folder / "requirements.lock").write_text("numpy==2\n")
    for program in ("sh", "dirname", "cmp", "cp", "mkdir", "chmod"):
        (programs / program).symlink_to(shutil.which(program))
    (programs / "python3").write_text(PYTHON)
    (programs / "python3").chmod(0o755)
    log = tmp_path / "log"

    def click(name, **environment):
        log.write_text("")
        target = folder / "templates" / name
        shutil.copy(shipped("templates") / name, target)
        done = subprocess.run(
            [str(target)],
            env={"PATH": str(programs), "HOME": str(tmp_path), "LOG": str(log), **environment},
            capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd="/",
        )  # fmt: skip
        return done.returncode, done.stderr, log.read_text().splitlines()

    click.folder = folder
    return click


@pytest.mark.parametrize("name", SHELL)
def test_the_first_time_it_sets_up_and_then_only_opens(double_click, tmp_path, name):
    code, _, ran = double_click(name)
    assert code == 0
    assert ran[1:] == [
        "python -m venv .venv",
        "python -m pip install -q -c requirements.lock -e .",
        f"trialkit start {tmp_path}/compost-trials",
    ]
    opened = ["python -I -c import trialkit", f"trialkit start {tmp_path}/compost-trials"]
    assert double_click(name)[2][1:] == opened
    # the folder was moved: set up again
    assert double_click(name, MOVED="1")[2][1:3] == ["python -I -c import trialkit", "python -m venv .venv"]
    (double_click.folder / "requirements.lock").write_text("numpy==3\n")
    assert double_click(name)[2][1] == "python -m venv .venv"  # something is new: set up again


@pytest.mark.parametrize("name", SHELL)
def test_what_is_missing_is_said(double_click, name):
    code, said, ran = double_click(name, OLD="1")
    assert code == 1 and "Python 3.11 or newer is needed" in said
    assert len(ran) == 1
    code, said, _ = double_click(name, FAILS="3")
    assert code == 1 and "The page could not be opened" in said
    (double_click.folder / "requirements.lock").unlink()
    assert "belongs into the folder templates" in double_click(name)[1]


def test_they_can_be_run_and_have_the_line_ends_of_their_system():
    templates = shipped("templates")
    for name in SHELL:
        assert (templates / name).stat().st_mode & stat.S_IXUSR
        assert b"\r" not in (templates / name).read_bytes()
    windows = (templates / "start_windows.bat").read_bytes()
    assert windows.count(b"\r\n") == windows.count(b"\n")
    text = windows.decode("ascii")
    for step in ("-m venv .venv", "pip install -q -c requirements.lock -e .", "trialkit.exe start", "pause"):
        assert step in text
    for label in ("stopped", "failed", "ready"):
        assert f"goto {label}" in text and f"\r\n:{label}\r\n" in text


def test_the_desktop_file_opens_the_script_beside_it(double_click, tmp_path):
    shutil.copy(shipped("templates") / "start_linux.desktop", double_click.folder / "templates")
    double_click("start_linux.sh")
    entry = (double_click.folder / "templates" / "start_linux.desktop").read_text()
    command = next(line for line in entry.splitlines() if line.startswith("Exec=")).removeprefix("Exec=")
    place = str(double_click.folder / "templates" / "start_linux.desktop").replace(" ", "\\ ")
    log = tmp_path / "log"
    log.write_text("")
    done = subprocess.run(
        ["sh", "-c", command.replace("%k", place)],
        env={"PATH": f"{tmp_path}/programs", "HOME": str(tmp_path), "LOG": str(log)},
        capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=os.sep,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert log.read_text().splitlines()[-1] == f"trialkit start {tmp_path}/compost-trials"
