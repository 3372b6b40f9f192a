"""Draws the printed sheets of a trial that is already laid out, from its files as read."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date

from trialkit.errors import DesignError
from trialkit.planning.cautions import call_cautions
from trialkit.planning.fairness import warn_unfair
from trialkit.planning.field_sheets import HEADINGS
from trialkit.planning.layouts import LINE_ON_MAP, DrawnLayout
from trialkit.planning.sheets import draw_sheets
from trialkit.records import Bin, Plan


def draw_sheets_again(plan: Plan, bins: Sequence[Bin], readings_text: str, *, paper: str = "A4") -> str:
    """sheets.html of a trial folder. ``bins`` as bins.csv says, letters and all; the recipe is not known any more.

    Visits and columns are those of ``readings_text``. Raises DesignError where it names no day.
    """
    days, columns = _visits(readings_text, plan.start)
    names = {item.name for item in plan.treatments}
    hidden = bool(names) and any(bin_.treatment not in names for bin_ in bins)
    letters = {bin_.treatment: bin_.treatment for bin_ in bins} if hidden else None
    roles = {item.role for item in plan.treatments}
    amounts = [item.amounts for item in plan.treatments]
    cautions = call_cautions(
        plan.materials,
        sugar_g=max((item.get("sugar_g", 0.0) for item in amounts), default=0.0),
        nitrogen_g=max((item.get("nitrogen_g", 0.0) for item in amounts), default=0.0),
        killed="killed" in roles,
        pupils=plan.pupils,
        volume_l=max((bin_.starts.get("capacity_l", 0.0) for bin_ in bins), default=0.0),
    )
    warnings = () if hidden or plan.control not in names else warn_unfair(plan.treatments, plan.control or "")
    drawn = DrawnLayout(plan.layout, tuple(bins), places_of(plan, bins), {})
    if plan.start is None:
        raise DesignError("trial.toml gives no start; expected start = a date, for the field sheets bear dates.")
    return draw_sheets(
        plan,
        drawn,
        days=days,
        start=plan.start,
        columns=columns,
        cautions=cautions,
        warnings=warnings,
        recipe=None,
        paper=paper,
        letters=letters,
    )


def places_of(plan: Plan, bins: Sequence[Bin]) -> tuple[tuple[int, int], ...]:
    """Where each bin stands on the map: blocks or rows below one another, else one line that is broken."""
    side = {"blocks": "block", "split plot": "block", "latin square": "row"}.get(plan.layout.kind)
    if side is None:
        return tuple(divmod(position, LINE_ON_MAP) for position in range(len(bins)))
    groups = list(dict.fromkeys(getattr(bin_, side) for bin_ in bins))
    columns = list(dict.fromkeys(bin_.column for bin_ in bins))
    filled = dict.fromkeys(groups, 0)
    places = []
    for bin_ in bins:
        group = getattr(bin_, side)
        column = columns.index(bin_.column) if plan.layout.kind == "latin square" else filled[group]
        filled[group] += 1
        places.append((groups.index(group), column))
    return tuple(places)


def _visits(text: str, start: date | None) -> tuple[list[int], list[str]]:
    rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    heads = list(rows[0]) if rows else []
    days: set[int] = set()
    for row in rows:
        if (row.get("day") or "").strip():
            days.add(int(float(row["day"])))
        elif (row.get("date") or "").strip() and start is not None:
            days.add((date.fromisoformat(row["date"].strip()) - start).days)
    if not days:
        raise DesignError("readings.csv names no day; expected a row for every planned visit.")
    return sorted(days), [name for name in heads if name in HEADINGS]
