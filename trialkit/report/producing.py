"""From a run file to a folder that holds the whole report."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from trialkit.printing import can_print, write_pdf
from trialkit.report.notebook import execute
from trialkit.report.page import write_handout, write_page
from trialkit.shipped import shipped

RUN_FILE = "run.json"
ANSWER_TAG = "answer"


def produce(
    run: Mapping[str, Any], stage: str | Path, say: Callable[[str], None] = lambda _: None, *, pdf: bool = True
) -> tuple[str, ...]:
    """Runs the report notebook in ``stage`` and writes every file of the report there.

    ``run`` holds folder, control and with_notes, and is kept as run.json, so that report.ipynb can be run again
    where it ends up. ``say`` receives one line a stage. ``pdf`` prints both pages where something installed
    can. Returns the sentences of the answer. Raises NotebookFailed.
    """
    import nbformat

    stage = Path(stage)
    (stage / RUN_FILE).write_text(json.dumps(dict(run), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    say("Running the notebook …")
    told = _progress(say)
    notebook = execute(shipped("templates") / "report.ipynb", RUN_FILE, stage, progress=told)
    results = json.loads((stage / "results.json").read_text(encoding="utf-8"))
    title = results["trial"]["title"] or "Compost-bin trial"
    say("Writing the pages …")
    notebook.metadata["title"] = title
    nbformat.write(notebook, str(stage / "report.ipynb"))
    pages = (
        write_page(notebook, stage / "report.html", title=title),
        write_handout(notebook, stage / "handout.html", title=title),
    )
    if pdf:
        _print(pages, say)
    return tuple(claim["sentence"] for claim in results["claims"]) or sentences_of(notebook)


def _progress(say: Callable[[str], None]) -> Callable[[int, int, str], None]:
    last: list[str] = []

    def told(done: int, total: int, heading: str) -> None:  # one line a section, not one a cell
        if heading and heading not in last:
            last.append(heading)
            say(f"  {done} of {total} cells: {heading}")

    return told


def _print(pages: tuple[Path, ...], say: Callable[[str], None]) -> None:
    if can_print():
        say("Printing to PDF …")
        with ThreadPoolExecutor(len(pages)) as pool:
            notes = list(pool.map(lambda page: write_pdf(page, page.with_suffix(".pdf")), pages))
    else:
        notes = [write_pdf(page, page.with_suffix(".pdf")) for page in pages[:1]]
    for note in notes:
        if note is not None:
            say(note)


def sentences_of(notebook: Any) -> tuple[str, ...]:
    """The answer as plain text lines, from the cell tagged ``answer`` of the executed notebook."""
    for cell in notebook.cells:
        if ANSWER_TAG in cell.metadata.get("tags", []):
            texts = [output.data.get("text/plain", "") for output in cell.get("outputs", []) if "data" in output]
            return tuple(line for text in texts for line in text.splitlines() if line.strip())
    return ()
