"""From the executed notebook to report.html and handout.html: one file each, no network, no script."""

from __future__ import annotations

from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

ASSETS = Path(__file__).resolve().parent / "assets"
TEMPLATE = "page"
HANDOUT_TAG = "handout"


def page_html(notebook: Any, *, title: str, language: str = "en", handout: bool = False) -> str:
    """The notebook as one HTML page by the template of this package."""
    notebook = deepcopy(notebook)
    notebook.metadata["title"] = title
    notebook.metadata["handout"] = handout
    html, _ = _exporter(language).from_notebook_node(notebook)
    return str(html)


@cache
def _exporter(language: str) -> Any:
    """One exporter for both pages: its template is compiled once."""
    from nbconvert.exporters.html import HTMLExporter

    return HTMLExporter(
        template_name=TEMPLATE,
        extra_template_basedirs=[str(ASSETS)],
        exclude_anchor_links=True,
        language_code=language,
    )


def write_page(notebook: Any, path: str | Path, *, title: str) -> Path:
    """Writes report.html."""
    path = Path(path)
    path.write_text(page_html(notebook, title=title), encoding="utf-8")
    return path


def write_handout(notebook: Any, path: str | Path, *, title: str) -> Path:
    """Writes handout.html: the cells tagged ``handout`` alone, made to print on one sheet."""
    path = Path(path)
    path.write_text(page_html(first_page(notebook), title=title, handout=True), encoding="utf-8")
    return path


def first_page(notebook: Any) -> Any:
    """A copy of the notebook with the cells tagged ``handout`` and nothing else."""
    copy = deepcopy(notebook)
    copy.cells = [cell for cell in copy.cells if HANDOUT_TAG in cell.metadata.get("tags", [])]
    return copy
