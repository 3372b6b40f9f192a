"""The whole report from a run file, by a real kernel, on a shipped trial."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import nbformat
import pytest

from trialkit.report.producing import produce
from trialkit.report.results import results_schema
from trialkit.shipped import shipped


@pytest.mark.slow
def test_every_file_of_the_report_is_made(tmp_path: Path) -> None:
    said: list[str] = []
    run = {"folder": str(shipped("sample_trials") / "three_arms"), "control": None, "with_notes": False}
    sentences = produce(run, tmp_path, said.append, pdf=False)
    found = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    jsonschema.validate(found, results_schema())
    assert sentences == tuple(claim["sentence"] for claim in found["claims"])
    assert found["rows"]["read"] == found["rows"]["used"] + found["rows"]["set_aside"]
    names = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert {
        "report.html", "report.ipynb", "handout.html", "results.json", "run.json", "figures/decay_rate.svg",
        "figures/decay_rate.png", "tables/effects.csv", "tables/bins.csv", "tables/fits.csv",
    } <= names  # fmt: skip
    notebook = nbformat.read(str(tmp_path / "report.ipynb"), as_version=4)
    assert all(cell.execution_count for cell in notebook.cells if cell.cell_type == "code")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert sentences[0].split(":")[0] in page
    assert "<script" not in page
    assert said[0] == "Running the notebook …"
    assert "lid found open" not in page  # a note of a reading; notes are not printed
