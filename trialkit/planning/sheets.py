"""Puts the printed sheets together: one HTML page, A4 or Letter, that prints as it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from html import escape
from importlib.resources import files

from trialkit.planning.cautions import Caution
from trialkit.planning.field_sheets import draw_field_sheet
from trialkit.planning.labels import draw_labels
from trialkit.planning.layout_map import draw_map
from trialkit.planning.layouts import LINE_ON_MAP, DrawnLayout
from trialkit.planning.pages import arms_page, filling_page, readers_card, safety_page
from trialkit.records import Bin, Plan

_PAPERS = {"A4": ("210mm 297mm", "297mm 210mm"), "Letter": ("8.5in 11in", "11in 8.5in")}


def draw_sheets(
    plan: Plan,
    drawn: DrawnLayout,
    *,
    days: Sequence[int],
    start: date,
    columns: Sequence[str],
    cautions: Sequence[Caution],
    warnings: Sequence[str],
    recipe: str | None,
    paper: str,
    letters: Mapping[str, str] | None = None,
    bins: Sequence[Bin] | None = None,
) -> str:
    """All sheets for the people at the bins. ``letters`` maps treatments to letters in a blinded trial; then ``recipe``
    is None, for the pouring list would tell. ``bins`` carry the codes."""
    bins = drawn.bins if bins is None else bins
    title = plan.title or "Compost trial"
    shown = {bin_.bin: letters[bin_.treatment] if letters else bin_.treatment for bin_ in bins}
    on_label = {bin_.bin: (bin_.code or "") if letters else bin_.treatment for bin_ in bins}
    roles = {item.role for item in plan.treatments}
    turns = any(item.amounts.get("turns_per_week") for item in plan.treatments)
    visits = ", ".join(f"{day:g}" for day in days)
    first = (
        f"<h1>{escape(title)}</h1>"
        + (f"<p>{escape(plan.question)}</p>" if plan.question else "")
        + f"<p>Start {start.isoformat()}, {len(bins)} bins, visits on days {visits}.</p>"
        + f'<div class="map">{draw_map(drawn, shown, title=title)}</div>'
    )
    if letters:
        first += "<p>This trial is blinded: letters stand for treatments, and key.csv is for the one who pours.</p>"
    wide = max(column for _, column in drawn.places) >= LINE_ON_MAP
    sections = [("lying" if wide else "", first), ("", f"<h2>Labels</h2>{draw_labels(bins, on_label, title)}")]
    arms = "" if letters else arms_page(plan.treatments, plan.control or "", warnings)
    sections.append(("", filling_page(len(bins), roles=roles, turns=turns) + arms))
    if recipe is not None:
        sections.append(("", recipe))
    sections += [("lying", draw_field_sheet(bins, day, start, columns, title)) for day in days]
    sections += [("", readers_card()), ("", safety_page(cautions))]
    return bind(sections, f"{title}: sheets", paper)


def bind(sections: Sequence[tuple[str, str]], title: str, paper: str) -> str:
    """A whole HTML page from (class, content) sections."""
    upright, lying = _PAPERS[paper]
    css = files("trialkit.planning").joinpath("assets/sheets.css").read_text(encoding="utf-8")
    pages = f"@page {{ size: {upright}; margin: 14mm; }}\n@page lying {{ size: {lying}; margin: 10mm; }}\n"
    body = "\n".join(f'<section class="{kind}">{content}</section>' for kind, content in sections)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<style>\n{pages}{css}</style></head>\n<body><main>\n{body}\n</main></body></html>\n"
    )
