"""Tables: rows with what is shown (HTML) and what is kept (CSV, full numbers)."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from trialkit.records import Analysis, Answer, BinValues, Fit, Refusal
from trialkit.report import rounding
from trialkit.report.passages import Passage, capitalised
from trialkit.report.words import noun, shown_unit

CARDS_FROM = 3  # columns: fewer fit a phone as they are
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True)
class Table:
    """A table as a value. ``rows`` hold raw cells for CSV, ``shown`` the same cells as text; numbers stand right."""

    name: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    shown: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    heads: tuple[str, ...] = ()

    def passage(self) -> Passage:
        """The table as HTML with caption and scoped heads, in a box that scrolls sideways where it must.

        On a narrow screen the rows of all but the narrowest tables stand as cards, each cell behind its head. Roles
        are spelled out, because a row shown as a card is no longer a row to those who hear the page.
        """
        heads = self.heads or self.columns
        cards = ' class="cards"' if len(heads) >= CARDS_FROM else ""
        parts = ['<div class="table" role="region" tabindex="0" aria-label="', escape(self.caption), '">']
        parts.append(f'<table{cards} role="table"><caption>{escape(self.caption)}</caption>')
        parts.append('<thead role="rowgroup"><tr role="row">')
        for place, head in enumerate(heads):
            style = ' class="number"' if place in self.numeric else ""
            parts.append(f'<th scope="col" role="columnheader"{style}>{escape(head)}</th>')
        parts.append('</tr></thead><tbody role="rowgroup">')
        for row in self.shown:
            parts.append('<tr role="row">')
            for place, cell in enumerate(row):
                if place == 0:
                    parts.append(f'<th scope="row" role="rowheader">{escape(cell)}</th>')
                else:
                    style = ' class="number"' if place in self.numeric else ""
                    label = f' data-label="{escape(heads[place])}"'
                    parts.append(f'<td role="cell"{style}{label}>{escape(cell)}</td>')
            parts.append("</tr>")
        parts.append("</tbody></table></div>")
        lines = [self.caption, " | ".join(heads), *(" | ".join(row) for row in self.shown)]
        return Passage("".join(parts), "\n".join(lines))

    def csv(self) -> str:
        """The raw rows as CSV; text that a spreadsheet would run is preceded by an apostrophe."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([guarded(column) for column in self.columns])
        writer.writerows([guarded(cell) for cell in row] for row in self.rows)
        return out.getvalue()


def guarded(cell: Any) -> Any:
    """A cell that no spreadsheet runs: text beginning with = + - @ or a tab gets an apostrophe; numbers stay."""
    if cell is None or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, str) and cell.startswith(RISKY):
        return f"'{cell}"
    return repr(float(cell)) if isinstance(cell, float) else cell


def table(name: str, caption: str, columns: Sequence[tuple[str, str, bool]], rows: Sequence[Sequence[tuple[Any, str]]]
          ) -> Table:  # fmt: skip
    """A table from columns (name, head, is a number) and rows of (raw, shown)."""
    return Table(
        name=name,
        caption=caption,
        columns=tuple(column[0] for column in columns),
        heads=tuple(column[1] for column in columns),
        numeric=frozenset(place for place, column in enumerate(columns) if column[2]),
        rows=tuple(tuple(cell[0] for cell in row) for row in rows),
        shown=tuple(tuple(cell[1] for cell in row) for row in rows),
    )


def text_cell(value: str | None) -> tuple[str | None, str]:
    return value, value if value else rounding.MISSING


def number_cell(value: float | int | None, digits: int = 4) -> tuple[float | int | None, str]:
    if isinstance(value, int):
        return value, str(value)
    return (None if value is None else float(value)), rounding.figures(value, digits)


# ---------------------------------------------------------------- bins
def values_of(answer: Answer) -> BinValues | None:
    """The bin values of an answer, even where it was refused later or on the way."""
    if isinstance(answer.values, BinValues):
        return answer.values
    for part in (answer.values, answer.fit):
        if isinstance(part, Refusal) and part.values is not None:
            return part.values
    return None


def bins_table(values: BinValues) -> Table:
    """One row a bin for one outcome."""
    outcome = values.outcome
    some = {name: any(getattr(value, name) is not None for value in values.values) for name in ("block", "site", "low")}
    columns = [("bin", "Bin", False), ("treatment", "Treatment", False)]
    if some["block"]:
        columns.append(("block", "Block", False))
    if some["site"]:
        columns.append(("site", "Site", False))
    columns.append(("value", shown_unit(outcome) or "Value", True))
    if some["low"]:
        columns += [("low", "Low", True), ("high", "High", True)]
    columns += [
        ("readings_used", "Readings", True),
        ("rows", "Lines", False),
        ("reason", "Without a value because", False),
    ]
    rows = []
    for value in values.values:
        row: list[tuple[Any, str]] = [text_cell(value.bin), text_cell(value.treatment)]
        if some["block"]:
            row.append(text_cell(value.block))
        if some["site"]:
            row.append(text_cell(value.site))
        row.append(number_cell(value.value))
        if some["low"]:
            row += [number_cell(value.low), number_cell(value.high)]
        lines = lines_of(value.rows)
        row += [number_cell(value.readings_used), (lines, lines), (value.reason or "", value.reason or "")]
        rows.append(row)
    return table(f"bins_{outcome.name}", f"{capitalised(noun(outcome))}: one value a bin", columns, rows)


def details_table(values: BinValues) -> Table | None:
    """What else was computed of every bin on the way to its value; None where there is nothing else."""
    extra = sorted({key for value in values.values for key in value.details})
    if not extra:
        return None
    columns = [("bin", "Bin", False), *((name, name.replace("_", " "), True) for name in extra)]
    rows = [
        [text_cell(value.bin), *(number_cell(value.details.get(name)) for name in extra)] for value in values.values
    ]
    return table(
        f"details_{values.outcome.name}", f"{capitalised(noun(values.outcome))}: on the way to it", columns, rows
    )


def lines_of(rows: tuple[tuple[str, int], ...]) -> str:
    """File lines as ranges: "readings.csv 2–9, 11"."""
    by_file: dict[str, list[int]] = {}
    for file, line in rows:
        by_file.setdefault(file, []).append(line)
    parts = []
    for file, lines in by_file.items():
        runs: list[list[int]] = []
        for line in sorted(set(lines)):
            if runs and line == runs[-1][1] + 1:
                runs[-1][1] = line
            else:
                runs.append([line, line])
        parts.append(f"{file} " + ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in runs))
    return "; ".join(parts)


def all_bins_table(analysis: Analysis) -> Table:
    """Every bin value of every outcome in one long table, for tables/bins.csv."""
    columns = [(name, name, False) for name in
               ("outcome", "unit", "bin", "treatment", "block", "site", "value", "low", "high", "readings_used",
                "lines", "reason")]  # fmt: skip
    rows: list[list[tuple[Any, str]]] = []
    for answer in analysis.answers:
        values = values_of(answer)
        if values is None:
            continue
        for value in values.values:
            raw = (values.outcome.name, values.outcome.unit, value.bin, value.treatment, value.block, value.site,
                   value.value, value.low, value.high, value.readings_used, lines_of(value.rows),
                   value.reason)  # fmt: skip
            rows.append([(cell, "" if cell is None else str(cell)) for cell in raw])
    return table("bins", "Every bin value", columns, rows)


# ---------------------------------------------------------------- fits
def means_table(fit: Fit) -> Table:
    """Adjusted treatment means on the scale of analysis."""
    columns = [
        ("outcome", "Outcome", False),
        ("treatment", "Treatment", False),
        ("mean", "Mean", True),
        ("std_error", "Std. error", True),
        ("df", "df", True),
        ("bins", "Bins", True),
    ]
    outcome = fit.values.outcome
    rows = [
        [
            (outcome.name, noun(outcome)),
            text_cell(name),
            number_cell(float(fit.means[place])),
            number_cell(float(fit.mean_std_error[place])),
            (float(fit.mean_df[place]), rounding.degrees(float(fit.mean_df[place]))),
            number_cell(int(fit.counts[place, place])),
        ]
        for place, name in enumerate(fit.treatments)
    ]
    return table("means", f"{capitalised(noun(outcome))}: adjusted means, {fit_scale(fit)}", columns, rows)


def fit_scale(fit: Fit) -> str:
    unit = shown_unit(fit.values.outcome)
    if fit.values.outcome.scale == "log":
        return "natural logarithm of the value" + (f" ({unit})" if unit else "")
    return unit or "own unit"


def fits_table(analysis: Analysis) -> Table:
    """One row a fit and variance component, for tables/fits.csv."""
    columns = [(name, name, False) for name in
               ("outcome", "scale", "method", "df_method", "variances", "component", "variance", "bounded", "at_bound",
                "converged")]  # fmt: skip
    rows: list[list[tuple[Any, str]]] = []
    for answer in analysis.answers:
        if isinstance(answer.fit, Fit):
            fit = answer.fit
            for name, variance in fit.components.items():
                raw = (answer.name, fit.values.outcome.scale, fit.method, fit.df_method, fit.variances, name,
                       float(variance), fit.bounded, fit.at_bound, fit.converged)  # fmt: skip
                rows.append([(cell, str(cell)) for cell in raw])
    return table("fits", "Fits and their variance components", columns, rows)


def all_means_table(analysis: Analysis) -> Table:
    """Adjusted means of every fit, for tables/means.csv."""
    fits = (answer.fit for answer in analysis.answers)
    tables = [means_table(fit) for fit in fits if isinstance(fit, Fit) and fit.method != "permutation"]
    columns = ("outcome", "treatment", "mean", "std_error", "df", "bins")
    rows = tuple(row for part in tables for row in part.rows)
    shown = tuple(row for part in tables for row in part.shown)
    return Table("means", "Adjusted means on the scale of analysis", columns, rows, shown)


def set_aside_table(analysis: Analysis) -> Table:
    """Rows that stay out of every analysis."""
    columns = [("file", "File", False), ("line", "Line", True), ("reason", "Why it stays out", False)]
    rows = [[text_cell(row.file), number_cell(row.line), text_cell(row.reason)] for row in analysis.trial.set_aside]
    return table("set_aside", "Rows set aside", columns, rows)
