"""Tables: rows with what is shown (HTML) and what is kept (CSV, full numbers)."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from trialkit.records import Analysis, Answer, BinValues, Comparison, Fit, Refusal
from trialkit.report import rounding
from trialkit.report.passages import Passage, capitalised, listed
from trialkit.report.words import noun, shown_unit, unit_words

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


# ---------------------------------------------------------------- effects
def effects_table(analysis: Analysis) -> Table:
    """Every comparison of every outcome: estimate, range, p, bins, and what kind of number it is."""
    columns = [
        ("outcome", "Outcome", False),
        ("role", "Role", False),
        ("treatment", "Treatment", False),
        ("against", "Compared with", False),
        ("kind", "Read as", False),
        ("estimate", "Estimate", True),
        ("low", "Low", True),
        ("high", "High", True),
        ("level", "Level", True),
        ("adjustment", "Allows for several", False),
        ("p", "p", True),
        ("df", "df", True),
        ("bins_treatment", "Bins", True),
        ("bins_against", "Bins beside", True),
    ]
    rows = [
        _effect_row(comparison)
        for answer in analysis.answers
        for comparison in answer.comparisons
        if isinstance(comparison, Comparison)
    ]
    return table("effects", "Every comparison, with its range", columns, rows)


def _effect_row(comparison: Comparison) -> list[tuple[Any, str]]:
    interval, outcome = comparison.interval, comparison.outcome
    marks = {"ratio": (1.0,), "difference": (0.0,)}.get(comparison.kind, ())
    shown = rounding.together(
        comparison.estimate, interval.low, interval.high, landmarks=marks, least=2 if comparison.kind == "ratio" else 1
    )
    return [
        (outcome.name, noun(outcome)),
        (comparison.role, comparison.role),
        text_cell(comparison.treatment),
        text_cell(comparison.against),
        (comparison.kind, kind_words(comparison)),
        (comparison.estimate, shown.estimate),
        (interval.low, shown.low or rounding.MISSING),
        (interval.high, shown.high or rounding.MISSING),
        (interval.level, rounding.percent(interval.level)),
        (interval.adjustment, {"none": "no"}.get(interval.adjustment, interval.adjustment)),
        (comparison.p, rounding.p_value(comparison.p)),
        (comparison.df, rounding.degrees(comparison.df)),
        (comparison.bins[0], str(comparison.bins[0])),
        (comparison.bins[1], str(comparison.bins[1])),
    ]


def kind_words(comparison: Comparison) -> str:
    """How the estimate of a row is read."""
    if comparison.kind == "ratio":
        return "times"
    if comparison.kind == "difference":
        return f"difference, {unit_words(comparison.outcome) or 'no unit'}"
    if comparison.kind == "superiority":
        return "share of pairs"
    return shown_unit(comparison.outcome) or "level"


def reading_table(analysis: Analysis) -> Table:
    """The effects for readers: one row a comparison, in words and units, without columns for specialists."""
    columns = [
        ("comparison", "Comparison", False),
        ("estimate", "Estimate", True),
        ("range", "Range", True),
        ("read_as", "Read as", False),
        ("p", "p", True),
        ("bins", "Bins", True),
    ]
    rows: list[list[tuple[Any, str]]] = []
    for answer in analysis.answers:
        for comparison in answer.comparisons:
            if not isinstance(comparison, Comparison):
                continue
            row = _effect_row(comparison)
            beside = f" beside {comparison.against}" if comparison.against else ""
            bins = f"{row[12][1]} + {row[13][1]}" if comparison.against else row[12][1]
            ends = rounding.from_to(None if row[6][0] is None else row[6][1], None if row[7][0] is None else row[7][1])
            mark = "" if answer.role == "primary" else f" ({answer.role})"
            name = f"{capitalised(noun(comparison.outcome))}{mark}: {comparison.treatment}{beside}"
            rows.append([("", name), row[5], ("", ends), row[4], row[10], ("", bins)])
    levels = sorted({c.interval.level for a in analysis.answers for c in a.comparisons if isinstance(c, Comparison)})
    caption = f"Effects with their {listed(rounding.percent(level) for level in levels)} ranges"
    return table("reading", caption, columns, rows)


def specialist_table(analysis: Analysis) -> Table:
    """Every comparison with what a statistician asks for; numbers to four digits, standard errors on the scale of
    analysis."""
    columns = [
        ("comparison", "Comparison", False),
        ("estimate", "Estimate", True),
        ("low", "Low", True),
        ("high", "High", True),
        ("level", "Level", True),
        ("adjustment", "Allows for several", False),
        ("std_error", "Std. error", True),
        ("df", "df", True),
        ("p", "p", True),
        ("bins", "Bins", True),
    ]
    rows: list[list[tuple[Any, str]]] = []
    for answer in analysis.answers:
        for item in answer.comparisons:
            if not isinstance(item, Comparison):
                continue
            row = _effect_row(item)
            beside = f" {'÷' if item.kind == 'ratio' else '−'} {item.against}" if item.against else ""
            bins = f"{item.bins[0]} + {item.bins[1]}" if item.against else str(item.bins[0])
            rows.append([
                ("", f"{capitalised(noun(item.outcome))}: {item.treatment}{beside}"),
                number_cell(item.estimate), number_cell(item.interval.low), number_cell(item.interval.high),
                row[8], row[9], number_cell(item.std_error), row[11], (item.p, rounding.figures(item.p, 3)), ("", bins),
            ])  # fmt: skip
    return table("comparisons", "Every comparison in full; standard errors on the scale of analysis", columns, rows)


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
    extra = sorted({key for value in values.values for key in value.details})
    columns = [("bin", "Bin", False), ("treatment", "Treatment", False)]
    if some["block"]:
        columns.append(("block", "Block", False))
    if some["site"]:
        columns.append(("site", "Site", False))
    columns.append(("value", shown_unit(outcome) or "Value", True))
    if some["low"]:
        columns += [("low", "Low", True), ("high", "High", True)]
    columns += [(name, name.replace("_", " "), True) for name in extra]
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
        row += [number_cell(value.details.get(name)) for name in extra]
        lines = _lines(value.rows)
        row += [number_cell(value.readings_used), (lines, lines), (value.reason or "", value.reason or "")]
        rows.append(row)
    return table(f"bins_{outcome.name}", f"{capitalised(noun(outcome))}: one value a bin", columns, rows)


def _lines(rows: tuple[tuple[str, int], ...]) -> str:
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
                   value.value, value.low, value.high, value.readings_used, _lines(value.rows),
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
    tables = [means_table(answer.fit) for answer in analysis.answers if isinstance(answer.fit, Fit)]
    columns = ("outcome", "treatment", "mean", "std_error", "df", "bins")
    rows = tuple(row for part in tables for row in part.rows)
    shown = tuple(row for part in tables for row in part.shown)
    return Table("means", "Adjusted means on the scale of analysis", columns, rows, shown)


def set_aside_table(analysis: Analysis) -> Table:
    """Rows that stay out of every analysis."""
    columns = [("file", "File", False), ("line", "Line", True), ("reason", "Why it stays out", False)]
    rows = [[text_cell(row.file), number_cell(row.line), text_cell(row.reason)] for row in analysis.trial.set_aside]
    return table("set_aside", "Rows set aside", columns, rows)


def write_tables(analysis: Analysis, folder: str | Path) -> tuple[Path, ...]:
    """Writes effects, bins, means, fits and set-aside rows as CSV into ``folder``; returns the paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made = (effects_table, all_bins_table, all_means_table, fits_table, set_aside_table)
    paths = []
    for make in made:
        sheet = make(analysis)
        path = folder / f"{sheet.name}.csv"
        path.write_text(sheet.csv(), encoding="utf-8")
        paths.append(path)
    return tuple(paths)
