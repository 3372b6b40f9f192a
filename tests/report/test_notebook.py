"""Running the notebook: a copy, this Python, one injected cell, plain words when a cell fails."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from trialkit.errors import TrialkitError
from trialkit.report.notebook import INJECTED, NotebookFailed, execute, heading_above, inject
from trialkit.report.producing import sentences_of
from trialkit.shipped import shipped


def notebook_file(folder: Path, cells: Iterable[str]) -> Path:
    parameters = new_code_cell('run_file = "nowhere"', metadata={"tags": ["parameters"]})
    notebook = new_notebook(cells=[parameters, new_markdown_cell("## Sums"), *(new_code_cell(cell) for cell in cells)])
    path = folder / "template.ipynb"
    nbformat.write(notebook, str(path))
    return path


def test_a_copy_runs_in_this_python_with_one_injected_cell(tmp_path: Path) -> None:
    template = notebook_file(tmp_path, ["import sys; sys.executable", "run_file", "open('made.txt', 'w').close()"])
    before = template.read_bytes()
    place = tmp_path / "out"
    place.mkdir()
    told: list[tuple[int, int, str]] = []
    done = execute(template, "run.json", place, timeout=120, progress=lambda *step: told.append(step))
    outputs = [cell.outputs[0].data["text/plain"] for cell in done.cells if cell.get("outputs")]
    assert outputs == [repr(sys.executable), "'run.json'"]
    assert template.read_bytes() == before
    assert (place / "made.txt").exists()
    assert told[-1] == (5, 5, "Sums")
    injected = [cell for cell in done.cells if INJECTED in cell.metadata.get("tags", [])]
    assert [cell.source for cell in injected] == ["run_file = 'run.json'"]


def test_a_failing_cell_is_told_in_one_sentence(tmp_path: Path) -> None:
    template = notebook_file(tmp_path, ["1 + 1", "raise ValueError('no such bin')"])
    with pytest.raises(NotebookFailed) as caught:
        execute(template, "run.json", tmp_path, timeout=120)
    assert str(caught.value) == (
        "The report stopped at cell 5, under “Sums”: ValueError: no such bin. "
        "Nothing was written; an older report is as it was."
    )
    assert isinstance(caught.value, TrialkitError)


def test_a_notebook_without_its_parameters_cell_is_refused() -> None:
    with pytest.raises(NotebookFailed, match="found 0 cells tagged “parameters”"):
        inject(new_notebook(cells=[new_code_cell("1")]), "run.json")


def test_injecting_again_replaces_the_cell() -> None:
    notebook = new_notebook(cells=[new_code_cell("run_file = 'x'", metadata={"tags": ["parameters"]})])
    inject(notebook, "a.json")
    inject(notebook, "b.json")
    assert [cell.source for cell in notebook.cells] == ["run_file = 'x'", "run_file = 'b.json'"]


def test_the_shipped_notebook_is_clean_and_tagged() -> None:
    path = shipped("templates") / "report.ipynb"
    notebook = nbformat.read(str(path), as_version=4)
    nbformat.validate(notebook)
    tags = [tag for cell in notebook.cells for tag in cell.metadata.get("tags", [])]
    assert tags.count("parameters") == 1
    assert tags.count("answer") == 1
    assert "handout" in tags
    assert not any(cell.get("outputs") for cell in notebook.cells)
    assert json.loads(path.read_text(encoding="utf-8"))["nbformat"] == 4


def test_headings_and_sentences_are_found() -> None:
    answer = new_code_cell("x", metadata={"tags": ["answer"]})
    answer.outputs = [nbformat.v4.new_output("execute_result", {"text/plain": "One.\nTwo."}, execution_count=1)]
    notebook = new_notebook(cells=[new_code_cell("1"), new_markdown_cell("## Here\nmore"), answer])
    assert heading_above(notebook, 0) == ""
    assert heading_above(notebook, 2) == "Here"
    assert sentences_of(notebook) == ("One.", "Two.")


def test_an_interrupt_stops_the_kernel_and_arrives_as_one(tmp_path: Path) -> None:
    template = notebook_file(tmp_path, ["open('started.txt', 'w').close()", "import time; time.sleep(300)"])
    script = tmp_path / "run.py"
    script.write_text(
        "import sys\n"
        "from trialkit.report.notebook import execute\n"
        "try:\n"
        f"    execute({str(template)!r}, 'run.json', {str(tmp_path)!r}, timeout=300)\n"
        "except KeyboardInterrupt:\n"
        "    sys.exit(130)\n",
        encoding="utf-8",
    )
    child = subprocess.Popen([sys.executable, str(script)], stderr=subprocess.DEVNULL)
    try:
        for _ in range(600):
            if (tmp_path / "started.txt").exists():
                break
            time.sleep(0.1)
        child.send_signal(signal.SIGINT)
        assert child.wait(timeout=60) == 130
    finally:
        child.kill()


def test_a_cell_that_takes_too_long_is_told(tmp_path: Path) -> None:
    template = notebook_file(tmp_path, ["import time; time.sleep(60)"])
    with pytest.raises(NotebookFailed, match="it took longer than 1 s"):
        execute(template, "run.json", tmp_path, timeout=1)
