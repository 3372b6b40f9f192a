"""The figures of a report: drawn once, shown where they belong, written as SVG and PNG."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from pathlib import Path

from trialkit.records import Analysis
from trialkit.report.answers import main_answer
from trialkit.report.compatibility_curve import draw_compatibility
from trialkit.report.courses import draw_courses
from trialkit.report.drawings import Drawing
from trialkit.report.layout_figure import draw_layout
from trialkit.report.panels import draw_outcome
from trialkit.report.passages import NOTHING, Passage, join
from trialkit.report.steadiness import draw_repeats
from trialkit.report.timeline import draw_timeline

ELSEWHERE = ("layout_", "repeats_")


def draw_figures(analysis: Analysis) -> dict[str, Drawing]:
    """Every figure of the report by name, the main outcome's first; each is drawn once."""
    main = main_answer(analysis)
    ordered = sorted(analysis.answers, key=lambda answer: answer is not main)
    drawn: dict[str, Drawing] = {}
    for answer in ordered:
        drawing = draw_outcome(answer, analysis)
        if drawing is not None:
            drawn[drawing.name] = drawing
        timeline = draw_timeline(analysis.trial, answer)
        if timeline is not None:
            drawn[timeline.name] = timeline
    if main is not None:
        more = (
            draw_courses(analysis.trial, main),
            draw_layout(main, analysis),
            draw_compatibility(main, analysis),
            draw_repeats(main, analysis),
        )
        drawn |= {drawing.name: drawing for drawing in more if drawing is not None}
    return drawn


def main_figure(analysis: Analysis, drawn: Mapping[str, Drawing]) -> Drawing | Passage:
    """The figure that shows the answer, or nothing where no bin has a value."""
    main = main_answer(analysis)
    if main is None or main.name not in drawn:
        return Passage("", "")
    return drawn[main.name]


def other_figures(analysis: Analysis, drawn: Mapping[str, Drawing]) -> Passage:
    """The figures of the effects but the main one: the courses and the curve open, the others folded away.

    The map of the bins and the repeats stand where they belong, by ``figure_of``.
    """
    main = main_answer(analysis)
    first: list[Passage] = []
    parts: list[Passage] = []
    for name, drawing in drawn.items():
        if (main is not None and name == main.name) or name.startswith(ELSEWHERE):
            continue
        if name.startswith(("courses_", "timeline_")):
            first.append(drawing.passage())
        elif name.startswith("curve_"):
            parts.insert(0, drawing.passage())
        else:
            inside = drawing.passage()
            summary = escape(drawing.caption.split(".")[0])
            parts.append(Passage(f"<details><summary>Figure: {summary}</summary>{inside.html}</details>", inside.text))
    return join([*first, *parts])


def figure_of(kind: str, drawn: Mapping[str, Drawing]) -> Passage:
    """The figure of that kind ("layout", "repeats"), or nothing where it was not drawn."""
    return next((drawing.passage() for name, drawing in drawn.items() if name.startswith(f"{kind}_")), NOTHING)


def write_figures(drawn: Mapping[str, Drawing], folder: str | Path) -> tuple[Path, ...]:
    """Writes each figure as SVG and PNG into ``folder``; returns the paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for drawing in drawn.values():
        svg, png = folder / f"{drawing.name}.svg", folder / f"{drawing.name}.png"
        svg.write_text(drawing.svg, encoding="utf-8")
        png.write_bytes(drawing.png)
        paths += [svg, png]
    return tuple(paths)
