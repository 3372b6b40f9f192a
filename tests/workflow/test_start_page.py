"""The start page: what its lines say, and the page itself in a real browser."""

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from types import SimpleNamespace

import pytest

from trialkit import start, writing
from trialkit.errors import DesignError
from trialkit.intake import check_trial
from trialkit.shipped import shipped


@pytest.fixture
def shown(monkeypatch, tmp_path):
    """Call a line of the page in an empty folder; returns the text below the cell."""
    from IPython import display

    monkeypatch.chdir(tmp_path)
    texts = []
    monkeypatch.setattr(display, "display", lambda item: texts.append(item.data))

    def call(function, *arguments, **options):
        texts.clear()
        function(*arguments, **options)
        (text,) = texts
        return text

    return call


def test_plan_makes_a_workbook_that_passes_and_is_never_written_over(shown, tmp_path):
    text = shown(start.plan, "my-trial", treatments=["water", "live"], blocks=3)
    assert text.splitlines()[0] == (
        "**my-trial** is planned: 6 bins, 2 treatments in 3 blocks, the layout drawn at random."
    )
    assert "(my-trial/trial.xlsx)" in text and "(my-trial/sheets/sheets.html)" in text
    before = (tmp_path / "my-trial" / "trial.xlsx").read_bytes()
    checked = check_trial(tmp_path / "my-trial")
    assert not [finding for finding in checked.findings if finding.severity != "note"]
    assert checked.trial.plan.control == "water" and len(checked.trial.bins) == 6
    assert shown(start.plan, "my-trial") == (
        "**my-trial** is planned already. Fill in [its workbook](my-trial/trial.xlsx)."
    )
    assert (tmp_path / "my-trial" / "trial.xlsx").read_bytes() == before


def test_plan_leaves_folders_of_others_alone(shown, tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").touch()
    assert "is there already and is no plan of this page" in shown(start.plan, "photos")
    assert [path.name for path in (tmp_path / "photos").iterdir()] == ["a.jpg"]


def test_check_shows_what_the_command_shows(shown, tmp_path):
    shutil.copytree(shipped("sample_trials") / "dirty", tmp_path / "dirty")
    text = shown(start.check, "dirty")
    assert '      line 15, wet_mass_kg: found "-37,0"' in text
    assert all(line.startswith("    ") for line in text.splitlines())  # as typed: no letter means anything
    assert "there is no file or folder of this name" in shown(start.check, "nowhere")


def test_answer_says_what_is_wrong_without_a_traceback(shown, tmp_path):
    shutil.copytree(shipped("sample_trials") / "dirty", tmp_path / "dirty")
    assert "does not fit" in shown(start.answer, "dirty")
    assert not (tmp_path / "dirty" / "report").exists()


def test_answer_links_the_report_from_the_folder_of_the_page(shown, tmp_path, monkeypatch, capsys):
    def quick(place, *, say, **_):
        say("Checking the files …")
        return SimpleNamespace(folder=(tmp_path / place / "report").resolve(), sentences=("Faster.",))

    monkeypatch.setattr(writing, "write_report", quick)
    said = shown(start.answer, "my trial")
    assert "[my trial/report/report.html](my%20trial/report/report.html)" in said
    assert capsys.readouterr() == ("Checking the files …\n", "")


def test_learn_lays_the_manual_beside_the_page(shown, tmp_path):
    text = shown(start.learn)
    assert "- [Check your readings](learn/check_your_readings.ipynb)" in text
    assert len(list((tmp_path / "learn").iterdir())) == len(text.splitlines()) >= 6
    (tmp_path / "learn" / "check_your_readings.ipynb").write_text("mine")
    shown(start.learn)
    assert (tmp_path / "learn" / "check_your_readings.ipynb").read_text() == "mine"


def test_the_page_is_copied_once(tmp_path):
    page = start.copy_page(tmp_path / "a" / "b")
    page.write_text("mine")
    assert start.copy_page(tmp_path / "a" / "b").read_text() == "mine"
    (tmp_path / "file").touch()
    with pytest.raises(DesignError, match="is a file"):
        start.copy_page(tmp_path / "file")


def test_every_line_of_the_page_is_one_call():
    page = json.loads((shipped("templates") / start.PAGE).read_text(encoding="utf-8"))
    code = ["".join(cell["source"]) for cell in page["cells"] if cell["cell_type"] == "code"]
    assert code[0] == "from trialkit.start import answer, check, learn, plan"
    assert [re.match(r"\w+", line)[0] for line in code[1:]] == ["plan", "check", "answer", "learn"]
    assert all("\n" not in line for line in code)
    assert all(not cell.get("outputs") and cell.get("execution_count") is None for cell in page["cells"])


# ---------------------------------------------------------------- in a browser
class Browser:
    """A Chromium without a window, spoken to by its own protocol."""

    def __init__(self, scratch: Path) -> None:
        import websocket

        program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
        self.process = subprocess.Popen(
            [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
             "--remote-debugging-port=0", "--remote-allow-origins=*", f"--user-data-dir={scratch}",
             "--window-size=1200,2400", "about:blank"],
            stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        for line in self.process.stderr:
            if "DevTools listening on" in line:
                port = re.search(r":(\d+)/", line)[1]
                break
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=30) as answer:
            page = next(item for item in json.load(answer) if item["type"] == "page")
        self.socket = websocket.create_connection(page["webSocketDebuggerUrl"], timeout=60)
        self.number = 0

    def say(self, method, **parameters):
        self.number += 1
        self.socket.send(json.dumps({"id": self.number, "method": method, "params": parameters}))
        while True:
            told = json.loads(self.socket.recv())
            if told.get("id") == self.number:
                assert "error" not in told, told
                return told["result"]

    def ask(self, script):
        return self.say("Runtime.evaluate", expression=script, returnByValue=True)["result"].get("value")

    def wait(self, script, seconds):
        """Until a script says something true; what it said."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if value := self.ask(script):
                return value
            time.sleep(0.5)
        pytest.fail(f"waited {seconds} s for {script}; the page says: {self.ask('document.body.innerText')[-3000:]}")

    def shift_enter(self):
        for kind in ("keyDown", "keyUp"):
            self.say(
                "Input.dispatchKeyEvent", type=kind, modifiers=8, key="Enter", code="Enter", windowsVirtualKeyCode=13
            )

    def close(self):
        with contextlib.suppress(OSError):
            self.socket.close()
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        self.process.stderr.close()


@pytest.fixture
def lab(tmp_path):
    """``trialkit start`` in an empty folder: the folder and the address with its token."""
    folder, runtime = tmp_path / "trials", tmp_path / "runtime"
    runtime.mkdir()
    places = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")
    going = subprocess.Popen(
        [sys.executable, "-m", "trialkit.cli", "start", str(folder), "--no-browser"],
        env={**os.environ, "JUPYTER_RUNTIME_DIR": str(runtime), **{name: str(tmp_path / name) for name in places}},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
    )  # fmt: skip
    end = time.monotonic() + 120
    while not (found := list(runtime.glob("jpserver-*.json"))) and time.monotonic() < end:
        assert going.poll() is None, going.stdout.read()
        time.sleep(0.3)
    time.sleep(0.5)
    server = json.loads(found[0].read_text())
    yield folder, f"{server['url']}lab/tree/{start.PAGE}?token={server['token']}", going
    if going.poll() is None:
        os.killpg(going.pid, signal.SIGKILL)
    going.wait()
    going.stdout.close()


@pytest.mark.browser
def test_the_page_in_a_real_browser_from_top_to_bottom(lab, tmp_path):
    folder, address, going = lab
    browser = Browser(tmp_path / "chromium")
    try:
        browser.say("Page.navigate", url=address)
        browser.wait("document.querySelectorAll('.jp-Notebook .jp-CodeCell').length >= 5", 120)
        # ready once the kernel is: its name stands in the bar above the page
        browser.wait("!!document.querySelector('.jp-Notebook-ExecutionIndicator[data-status=idle]')", 120)
        assert not browser.ask("!!document.querySelector('.jp-Dialog')")  # no question before the first line
        browser.ask("document.querySelector('.jp-Notebook .jp-CodeCell .cm-content').focus()")
        for _ in range(9):
            browser.shift_enter()
            time.sleep(0.4)
        said = browser.wait(
            "(document.body.innerText.match(/[^\\n]*less than claimed: with live starter[^\\n]*/) || [''])[0]", 300
        )
        assert "times as fast as with water only" in said
        page = browser.ask("document.querySelector('.jp-Notebook').innerText")
        assert "my-trial is planned: 12 bins, 3 treatments in 4 blocks" in page
        assert "my-trial fits." in page
        browser.wait("document.body.innerText.includes('Check your readings')", 60)
        assert "Traceback" not in page
        assert "Jupyter news" not in browser.ask("document.body.innerText")  # nothing lies over the page
        assert (folder / "sample-trial" / "report" / "report.html").exists()
        links = browser.ask("[...document.querySelectorAll('.jp-OutputArea a')].map(a => a.textContent).join('|')")
        assert "the workbook" in links and "sample-trial/report/report.html" in links.split("|")
    finally:
        browser.close()
    os.killpg(going.pid, signal.SIGINT)
    assert going.wait(timeout=60) == 0
