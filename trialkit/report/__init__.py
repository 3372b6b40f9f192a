"""The front desk: the only room that draws, rounds and makes sentences.

In a notebook, in the order of the page: ``opening``, ``answer``, ``main_figure``, ``fairness``, ``effects``,
``maturity``, ``what_was_compared``, ``how_sure``, ``cannot_tell``, ``odd_readings``, ``take_care``, ``newsletter``,
``methods_paragraph``, ``appendix``; then ``write_results``, ``write_tables``, ``write_figures``.
The command calls ``produce``, made of ``execute``, ``write_page``, ``write_handout``
and ``write_pdf``. Names are loaded on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "NotebookFailed": "notebook",
    "answer": "front",
    "appendix": "back_pages",
    "cannot_tell": "sections",
    "comparison_sentence": "words",
    "draw_figures": "figures",
    "effects": "sections",
    "execute": "notebook",
    "fairness": "sections",
    "figure_of": "figures",
    "how_sure": "sections",
    "in_short": "front",
    "main_figure": "figures",
    "maturity": "maturity_words",
    "methods_paragraph": "sections",
    "newsletter": "sections",
    "odd_readings": "sections",
    "opening": "front",
    "other_figures": "figures",
    "produce": "producing",
    "results_of": "results",
    "results_schema": "results",
    "take_care": "sections",
    "title_of": "front",
    "verdict_sentence": "words",
    "what_was_compared": "sections",
    "write_figures": "figures",
    "write_handout": "page",
    "write_page": "page",
    "write_pdf": "pdf",
    "write_results": "results",
    "write_tables": "table_files",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"trialkit.report has no {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(f"trialkit.report.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return list(__all__)
