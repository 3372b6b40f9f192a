"""Writes the workbook that people fill in: bins filled in, choices to pick from, headings that stay as they are."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from trialkit.errors import DesignError
from trialkit.intake.columns import BINS, READINGS, headings_of
from trialkit.intake.form_look import Row, packed, write_instructions, write_lists, write_sheet
from trialkit.intake.parts import AMOUNTS, LayoutPart
from trialkit.intake.plansheets import CLAIM_HEADINGS, FACTOR, MARGIN, TREATMENT_HEADINGS
from trialkit.records import MATERIALS, Bin, Plan, Trial
from trialkit.shipped import shipped

# common practice: often while bins heat, then weekly, then less
USUAL_DAYS = (0, 3, 7, 14, 21, 28, 42, 56, 70)
_MEANINGS = {
    "title": "The name of the trial.",
    "question": "The question in one sentence.",
    "start": "Day 0 of every bin without a start_date of its own (2026-10-31).",
    "stated_on": "The day on which the claims were written down.",
    "control": "The treatment that the others are compared with.",
    "comparisons": "With control, or all pairs.",
    "primary": "The one outcome that decides.",
    "secondary": "Other outcomes, with commas between.",
    "level": "The level of the intervals, 0.95 as a rule.",
    "materials": f"What is in the bins, for the cautions: {', '.join(MATERIALS)}.",
    "pupils": "yes where a class does the work.",
    "layout.kind": "How treatments were given to bins.",
    "layout.variances": "Leave it empty if in doubt.",
    "layout.seed": "The number from which the layout was drawn.",
    "layout.drawn": "How the layout was drawn.",
    "layout.redraw_rule": "When a layout was drawn again; none as a rule.",
    "layout.whole_plot_factor": "Only for a split plot: the factor set per whole plot.",
    "outcome.decay_rate.from": "What the decay rate is worked out from.",
    "outcome.decay_rate.end_level": "own, or one number for all bins, fixed before the data.",
}


def write_workbook(
    source: Trial | Plan,
    path: str | Path,
    *,
    bins: Sequence[Bin] = (),
    days: Sequence[float] = (),
    columns: Sequence[str] = (),
) -> Path:
    """Write a trial, or a plan with its ``bins``, as a workbook and return its path.

    A Trial brings its bins and its readings, one row a bin and visit (one a rater where raters differ). A Plan gets a
    row for every bin on each of the ``days``, to be filled in under ``columns`` (those of the template by default).
    Raises DesignError where the file is there already or holds letters that a workbook cannot, OSError where the disk
    refuses.
    """
    place = Path(path)
    content = workbook_bytes(source, bins=bins, days=days, columns=columns)
    try:
        with place.open("xb") as file:
            file.write(content)
    except FileExistsError:
        raise DesignError(f"{place} is there already. Choose another name.") from None
    return place


def workbook_bytes(
    source: Trial | Plan, *, bins: Sequence[Bin] = (), days: Sequence[float] = (), columns: Sequence[str] = ()
) -> bytes:
    """The same as bytes; the same input gives the same bytes."""
    import openpyxl
    from openpyxl.utils.exceptions import IllegalCharacterError

    plan = source.plan if isinstance(source, Trial) else source
    bins = source.bins if isinstance(source, Trial) else tuple(bins)
    heads = _reading_heads(source, columns)
    rows = list(_visit_rows(source, heads)) if isinstance(source, Trial) else _planned_rows(bins, days, len(heads))
    book = openpyxl.Workbook()
    book.remove(book.active)
    try:
        write_instructions(book)
        write_sheet(book, "trial", ("key", "value", "meaning"), list(_plan_rows(plan)), first_free=2)
        write_sheet(book, "treatments", _treatment_heads(plan), list(_treatment_rows(plan)))
        write_sheet(book, "claims", CLAIM_HEADINGS, list(_claim_rows(plan)))
        bin_heads = _bin_heads(bins)
        write_sheet(book, "bins", bin_heads, [_bin_row(item, bin_heads) for item in bins], BINS)
        write_sheet(book, "readings", heads, rows, READINGS)
        write_lists(book)
    except IllegalCharacterError as problem:
        raise DesignError("A name holds a letter that a workbook cannot hold. Change it first.") from problem
    book.active = book.sheetnames.index("readings")
    return packed(book)


# ---------------------------------------------------------------- what stands in the sheets
def _plan_rows(plan: Plan) -> Iterator[Row]:
    top = ("title", "question", "start", "stated_on", "control", "comparisons", "primary")
    for name in top:
        yield name, getattr(plan, name), _MEANINGS[name]
    yield "secondary", ", ".join(plan.secondary), _MEANINGS["secondary"]
    yield "level", plan.level, _MEANINGS["level"]
    yield "materials", ", ".join(plan.materials), _MEANINGS["materials"]
    yield "pupils", "yes" if plan.pupils else None, _MEANINGS["pupils"]
    for name in LayoutPart.model_fields:
        yield f"layout.{name}", getattr(plan.layout, name), _MEANINGS[f"layout.{name}"]
    settings = {name: dict(table) for name, table in plan.outcome_settings.items()}
    settings.setdefault("decay_rate", {}).setdefault("from", None)
    settings["decay_rate"].setdefault("end_level", None)
    for outcome, table in settings.items():
        for key, value in table.items():
            name = f"outcome.{outcome}.{key}"
            yield name, value, _MEANINGS.get(name, "")
    for key, value in plan.finish.items():
        yield f"finish.{key}", value, ""


def _factors(plan: Plan) -> list[str]:
    return list(dict.fromkeys(factor for item in plan.treatments for factor in item.factors))


def _treatment_heads(plan: Plan) -> tuple[str, ...]:
    return (*TREATMENT_HEADINGS[:2], *(FACTOR + name for name in _factors(plan)), *TREATMENT_HEADINGS[2:])


def _treatment_rows(plan: Plan) -> Iterator[Row]:
    for item in plan.treatments:
        factors = [item.factors.get(name) for name in _factors(plan)]
        yield item.name, item.role, *factors, *(item.amounts.get(name) for name in AMOUNTS)


def _claim_rows(plan: Plan) -> Iterator[Row]:
    for claim in plan.claims:
        margin = claim.equivalence or (None, None)
        values = {claim.size: claim.amount, **dict(zip(MARGIN, margin, strict=True))}
        yield [values[name] if name in values else getattr(claim, name, None) for name in CLAIM_HEADINGS]


def _heads_of(file: str) -> tuple[str, ...]:
    with (shipped("templates") / file).open(encoding="utf-8", newline="") as text:
        return tuple(next(csv.reader(text)))


def _bin_heads(bins: Sequence[Bin]) -> tuple[str, ...]:
    used = {name for item in bins for name in item.starts}
    used |= {
        name
        for name in ("site", "whole_plot", "row", "column", "start_date")
        if any(getattr(item, name) is not None for item in bins)
    }
    template = _heads_of("bins.csv")
    return tuple(column.name for column in BINS if column.name in used or column.name in template)


def _bin_row(item: Bin, heads: Sequence[str]) -> Row:
    return [item.starts[name] if name in item.starts else getattr(item, name, None) for name in heads]


def _reading_heads(source: Trial | Plan, columns: Sequence[str]) -> tuple[str, ...]:
    known = headings_of(READINGS)
    unknown = [name for name in columns if name not in known]
    if unknown:
        raise DesignError(f'"{unknown[0]}" is no column of readings; expected names such as "volume_l".')
    if not isinstance(source, Trial):
        wanted = tuple(columns) or _heads_of("readings.csv")
        return ("bin", "day", *(name for name in wanted if name not in ("bin", "day")))
    held = set(source.readings.columns)
    if any(", rater " in name for name in held):
        held.add("rater")
    wanted = tuple(column.name for column in READINGS if column.name in held) if held else _heads_of("readings.csv")
    return ("bin", "day", *(name for name in wanted if name not in ("bin", "day")), *columns)


def _planned_rows(bins: Sequence[Bin], days: Sequence[float], width: int) -> list[Row]:
    return [[item.bin, float(day), *[None] * (width - 2)] for day in days for item in bins]


def _visit_rows(trial: Trial, heads: Sequence[str]) -> Iterator[Row]:
    readings = trial.readings
    kinds = {column.name: column.kind for column in READINGS}
    by_rater: dict[str, dict[str, Any]] = {}
    for name, values in readings.columns.items():
        column, joined, rater = name.partition(", rater ")
        if joined:
            by_rater.setdefault("" if rater == "not named" else rater, {})[column] = values
    split = {column for columns in by_rater.values() for column in columns}

    def cell(name: str, value: float) -> Any:
        if not np.isfinite(value):
            return None
        return ("yes" if value else "no") if kinds[name] == "yes-no" else float(value)

    for visit in range(len(readings.day)):
        start = {"bin": trial.bins[int(readings.bin[visit])].bin, "day": float(readings.day[visit])}
        row = {
            name: cell(name, values[visit])
            for name, values in readings.columns.items()
            if name in heads and name not in split
        }
        if any(value is not None for value in row.values()) or not by_rater:
            yield [(start | row).get(name) for name in heads]
        for rater, columns in by_rater.items():
            judged = {name: cell(name, values[visit]) for name, values in columns.items()}
            if any(value is not None for value in judged.values()):
                yield [(start | {"rater": rater} | judged).get(name) for name in heads]


def blank_workbook() -> bytes:
    """The workbook of the templates: an example plan, its bins, and a row for every bin on the usual days."""
    from trialkit.intake.check import check_trial

    template = check_trial(shipped("templates")).trial
    if template is None:
        raise FileNotFoundError("the templates that belong to trialkit are damaged; install again")
    return workbook_bytes(template.plan, bins=template.bins, days=USUAL_DAYS)
