"""A run that is stopped, by whatever: the old report whole or the new one whole, an exit code, one sentence.

The full form (TRIALKIT_FUZZ=full) stops many more real reports; the short one a few, and the placing of folders many
times. Mounting a small or a read-only disk needs root, which a container has; elsewhere a limit on the size of files
and a file in the place of a folder stand in.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from trialkit import placing
from trialkit.errors import DesignError
from trialkit.shipped import shipped

FULL = os.environ.get("TRIALKIT_FUZZ") == "full"
FILES = 12

# writes report after report, each of many files with one number in all of them
WRITER = """
import json, sys
from pathlib import Path
from trialkit import placing
if sys.argv[2] == "two steps":
    placing.exchange = lambda one, two: False
print("ready", flush=True)
number = 1
while True:
    with placing.staged(Path(sys.argv[1])) as stage:
        for file in range(12):
            (stage / f"part{file}.txt").write_text(str(number) * 2000)
        (stage / "results.json").write_text(json.dumps({"trialkit": "0", "number": number}))
    number += 1
"""


def is_whole(out):
    """Whether a folder holds one report and nothing of another."""
    number = json.loads((out / "results.json").read_text())["number"]
    parts = sorted(path.name for path in out.iterdir())
    assert parts == sorted(["results.json", *(f"part{file}.txt" for file in range(FILES))])
    return all((out / f"part{file}.txt").read_text() == str(number) * 2000 for file in range(FILES))


def hidden(folder):
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


def killed_after(seconds, out, steps):
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(out), steps], stdout=subprocess.PIPE)
    assert child.stdout.readline() == b"ready\n"
    time.sleep(seconds)
    child.kill()
    child.communicate()


@pytest.mark.parametrize("steps", ["one step", "two steps"])
def test_a_killed_run_leaves_one_whole_report(tmp_path, steps, monkeypatch):
    monkeypatch.setattr(placing, "_YOUNG_S", -1.0)  # no other run begins here
    rng = random.Random(20260915)
    out = tmp_path / "report"
    killed_after(0.5, out, steps)
    for _ in range(60 if FULL else 12):
        killed_after(rng.uniform(0.0, 0.05), out, steps)
        if steps == "one step" and sys.platform.startswith("linux"):
            assert is_whole(out)  # at once, before anybody puts anything right
        placing.clear_dead_runs(out)
        assert is_whole(out)
        assert hidden(tmp_path) == []


def test_an_old_report_that_a_killed_run_had_moved_aside_comes_back(tmp_path):
    out, dead = tmp_path / "report", tmp_path / ".report-x1"
    (dead / "old").mkdir(parents=True)
    (dead / "new").mkdir()
    (dead / "lock").touch()
    (dead / "old" / "results.json").write_text('{"trialkit": "0"}')
    with pytest.raises(RuntimeError), placing.staged(out) as stage:
        assert (out / "results.json").exists()
        (stage / "half").touch()
        raise RuntimeError
    assert [path.name for path in tmp_path.iterdir()] == ["report"]
    assert (out / "results.json").read_text() == '{"trialkit": "0"}'


def test_an_empty_work_folder_is_cleared_once_nobody_can_be_at_it(tmp_path):
    (tmp_path / ".report-1").mkdir()
    placing.clear_dead_runs(tmp_path / "report")
    assert hidden(tmp_path) == [".report-1"]
    os.utime(tmp_path / ".report-1", (0, 0))
    placing.clear_dead_runs(tmp_path / "report")
    assert hidden(tmp_path) == []


def test_folders_of_others_and_of_running_runs_are_left_alone(tmp_path):
    mine = tmp_path / ".report-notes"
    mine.mkdir()
    (mine / "lock").touch()
    (mine / "diary.txt").write_text("mine")
    with placing.staged(tmp_path / "report") as running, placing.staged(tmp_path / "report") as second:
        assert running.exists() and second.exists()
        (second / "results.json").write_text('{"trialkit": "0"}')
        (running / "results.json").write_text('{"trialkit": "0"}')
    assert sorted(path.name for path in tmp_path.iterdir()) == [".report-notes", "report"]
    assert (mine / "diary.txt").read_text() == "mine"


@pytest.mark.parametrize("name", ["report", "re[p]ort", "*", "??"])
def test_names_with_letters_of_patterns_are_names(tmp_path, name):
    other = tmp_path / ".other-1"
    other.mkdir()
    (other / "lock").touch()
    dead = tmp_path / f".{name}-1"
    dead.mkdir()
    (dead / "lock").touch()
    with placing.staged(tmp_path / name) as stage:
        (stage / "x").touch()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([".other-1", name])


def test_both_ways_to_replace_a_folder_give_the_same(tmp_path, monkeypatch):
    for steps in ("one", "two"):
        if steps == "two":
            monkeypatch.setattr(placing, "exchange", lambda *_: False)
        out = tmp_path / steps
        for number in (1, 2):
            with placing.staged(out) as stage:
                (stage / "results.json").write_text(json.dumps({"trialkit": "0", "number": number}))
        assert json.loads((out / "results.json").read_text())["number"] == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one", "two"]


# ---------------------------------------------------------------- the whole command
@pytest.fixture
def small_trial(tmp_path):
    """A trial whose report is soon made: three bins."""
    return shutil.copytree(shipped("sample_trials") / "one_bin_each", tmp_path / "small")


def old_report(folder):
    out = folder / "report"
    out.mkdir()
    (out / "results.json").write_text('{"trialkit": "0"}')
    (out / "report.html").write_text("old")
    return out


def is_old(out):
    return (
        sorted(path.name for path in out.iterdir()) == ["report.html", "results.json"]
        and (out / "report.html").read_text() == "old"
    )


def is_new(out):
    names = {path.name for path in out.iterdir()}
    whole = {"report.html", "report.ipynb", "handout.html", "results.json", "run.json", "tables", "figures"} <= names
    return whole and json.loads((out / "results.json").read_text(encoding="utf-8"))["schema"] == 1


# nothing is found on it, so no browser prints: that is tested elsewhere, and takes long
NO_PRINTING = {**os.environ, "PATH": os.devnull}


def begin(trial, *arguments, **options):
    return subprocess.Popen(
        [sys.executable, "-m", "trialkit.cli", "report", str(trial), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=NO_PRINTING,
        **options,
    )


def test_a_report_killed_at_random_moments(three_arms):
    rng = random.Random(7)
    out = old_report(three_arms)
    for _ in range(20 if FULL else 3):
        going = begin(three_arms)
        time.sleep(rng.uniform(0.2, 12.0 if FULL else 5.0))
        os.killpg(going.pid, signal.SIGKILL)
        going.communicate()
        assert is_old(out) or is_new(out)
    placing.clear_dead_runs(out)
    assert hidden(three_arms) == []


@pytest.mark.parametrize("after", [0.15, 0.5, 1.5, 4.0] if FULL else [0.15, 1.0])
def test_interrupted_at_any_moment(three_arms, after):
    out = old_report(three_arms)
    # tests that run in the background of a shell are deaf to Ctrl-C, and so would be what they start
    going = begin(three_arms, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    time.sleep(after)
    going.send_signal(signal.SIGINT)
    _, told = going.communicate(timeout=120)
    # in its first tenths of a second Python itself is being loaded, and stops with the signal
    assert going.returncode in ((130,) if after > 0.6 else (130, -signal.SIGINT, 1))
    if going.returncode == 130:
        assert "Traceback" not in told and told.splitlines()[-1].startswith("Interrupted")
    assert is_old(out)
    assert hidden(three_arms) == []


@contextmanager
def small_disk(place: Path, kilobytes: int):
    """A disk of so many kilobytes; where none may be mounted, a limit on the size of a file for the child."""
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(place)], capture_output=True
    )
    if mounted.returncode == 0:
        try:
            yield {}
        finally:
            subprocess.run(["umount", "-l", str(place)], check=True)
    else:
        import resource

        def limit():
            resource.setrlimit(resource.RLIMIT_FSIZE, (kilobytes * 512, kilobytes * 512))

        yield {"preexec_fn": limit}


@pytest.fixture(scope="module")
def whole_kilobytes(tmp_path_factory):
    """The size of the report of the small trial, so that a disk can be smaller whatever reports grow or shrink to."""
    out = tmp_path_factory.mktemp("whole") / "report"
    going = begin(shipped("sample_trials") / "one_bin_each", "--out", str(out))
    said, told = going.communicate(timeout=600)
    assert going.returncode == 0, (said, told)
    return sum(path.stat().st_size for path in out.rglob("*") if path.is_file()) / 1024


@pytest.mark.parametrize("share", [0.01, 0.05, 0.1, 0.3, 0.6, 0.9] if FULL else [0.6])
def test_a_full_disk_leaves_the_old_report_and_ends_with_three(small_trial, tmp_path, whole_kilobytes, share):
    with small_disk(tmp_path / "disk", max(8, int(share * whole_kilobytes))) as options:
        out = old_report(tmp_path / "disk")
        going = begin(small_trial, "--out", str(out), **options)
        said, told = going.communicate(timeout=300)
        assert going.returncode == 3, (said, told)
        assert "Traceback" not in told
        assert "Nothing was" in told.splitlines()[-1]
        assert is_old(out)
        assert hidden(out.parent) == []


@contextmanager
def read_only(place: Path):
    """A folder that cannot be written to, for root too."""
    mounts = [["mount", "--bind", str(place), str(place)], ["mount", "-o", "remount,ro,bind", str(place)]]
    done = [subprocess.run(command, capture_output=True).returncode for command in mounts]
    if done[0] == 0:
        try:
            assert done[1] == 0
            yield
        finally:
            subprocess.run(["umount", "-l", str(place)], check=True)
    else:
        place.chmod(0o555)
        try:
            yield
        finally:
            place.chmod(0o755)


def test_a_read_only_folder_ends_with_three_and_one_sentence(run, three_arms):
    out = old_report(three_arms)
    with read_only(three_arms):
        done = run("report", three_arms)
        assert done.returncode == 3
        assert done.stderr.splitlines()[-1].startswith("The machine stopped us at ")
        assert done.stderr.splitlines()[-1].endswith("Nothing was changed.")
        assert "Traceback" not in done.stderr
        assert run("check", three_arms).returncode == 0  # looking needs no writing
        assert run("new", three_arms / "another").returncode in (1, 3)
        assert is_old(out)


def test_a_report_may_go_elsewhere_from_a_read_only_folder(run, small_trial, tmp_path):
    with read_only(small_trial):
        done = run("report", small_trial, "--out", tmp_path / "elsewhere", env=NO_PRINTING)
    assert done.returncode == 0, done.stderr
    assert is_new(tmp_path / "elsewhere")


def test_out_of_memory_ends_with_three(monkeypatch, capsys, three_arms):
    from trialkit import cli, intake

    def no_room(*_):
        raise MemoryError

    monkeypatch.setattr(intake, "check_trial", no_room)
    assert cli.main(["check", str(three_arms)]) == 3
    assert capsys.readouterr().err == (
        "The machine ran out of memory; nothing was changed. Close other programs, try again.\n"
    )


def test_a_reader_who_stops_reading_is_no_fault(three_arms):
    shell = (
        f"{sys.executable} -m trialkit.cli check {three_arms} --json | head -c 1 >/dev/null; echo ${{PIPESTATUS[0]}}"
    )
    done = subprocess.run(["bash", "-c", shell], capture_output=True, text=True)
    assert done.stdout == "0\n"
    assert "Traceback" not in done.stderr


def test_a_terminal_without_our_letters_still_gets_the_sentence(run, three_arms):
    (three_arms / "bins.csv").write_text("bin,treatment\nB1,w\u00e4sser\nB1,x\n", encoding="utf-8")
    done = run("check", three_arms, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert "w\\xe4sser" in done.stdout


def test_a_file_in_the_way_is_a_plain_refusal(three_arms):
    (three_arms / "report").write_text("mine")
    with pytest.raises(DesignError, match="is a file"), placing.staged(three_arms / "report"):
        pytest.fail("must not get here")
