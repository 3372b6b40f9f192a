"""Tables of effects: for the page, for a statistician, and for a file."""

from __future__ import annotations

from typing import Any

from trialkit.records import Analysis, Answer, Comparison
from trialkit.report import rounding
from trialkit.report.passages import capitalised, listed
from trialkit.report.tables import Table, number_cell, table, text_cell
from trialkit.report.words import noun, shown_unit, unit_words


def every_comparison(answer: Answer) -> tuple[Comparison, ...]:
    """Treatment beside treatment, then the effects of crossed factors; what was refused stands elsewhere."""
    return tuple(item for item in (*answer.comparisons, *answer.factors) if isinstance(item, Comparison))


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
        ("rerandomisation_p", "p, labels shuffled", True),
        ("rerandomisation_floor", "its least", True),
    ]
    rows = [_effect_row(comparison) for answer in analysis.answers for comparison in every_comparison(answer)]
    return table("effects", "Every comparison, with its range", columns, rows)


def _effect_row(comparison: Comparison) -> list[tuple[Any, str]]:
    interval, outcome = comparison.interval, comparison.outcome
    marks = {"ratio": (1.0,), "difference": (0.0,)}.get(comparison.kind, ())
    shown = rounding.together(
        comparison.estimate,
        interval.low,
        interval.high,
        landmarks=marks,
        least=2 if comparison.kind == "superiority" else 1,
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
        (comparison.rerandomisation_p, rounding.counted_p(comparison.rerandomisation_p)),
        (comparison.rerandomisation_floor, rounding.counted_p(comparison.rerandomisation_floor)),
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
    """The effects for readers: one row a comparison, in words and units, without columns for specialists.

    The p of shuffled labels stands beside that of the model wherever a comparison has one.
    """
    found = [c for answer in analysis.answers for c in every_comparison(answer)]
    shuffled = any(item.rerandomisation_p is not None for item in found)
    columns = [
        ("comparison", "Comparison", False),
        ("estimate", "Estimate", True),
        ("range", "Range", True),
        ("read_as", "Read as", False),
        ("p", "p", True),
        *([("p_shuffled", "p, labels shuffled", True)] if shuffled else []),
        ("bins", "Bins", True),
    ]
    rows: list[list[tuple[Any, str]]] = []
    for answer in analysis.answers:
        for comparison in every_comparison(answer):
            row = _effect_row(comparison)
            shuffle = [row[14]] if shuffled else []
            beside = f" beside {comparison.against}" if comparison.against else ""
            bins = f"{row[12][1]} + {row[13][1]}" if comparison.against else row[12][1]
            ends = rounding.from_to(None if row[6][0] is None else row[6][1], None if row[7][0] is None else row[7][1])
            mark = "" if answer.role == "primary" else f" ({answer.role})"
            name = f"{capitalised(noun(comparison.outcome))}{mark}: {comparison.treatment}{beside}"
            rows.append([("", name), row[5], ("", ends), row[4], row[10], *shuffle, ("", bins)])
    levels = sorted({item.interval.level for item in found})
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
        for item in every_comparison(answer):
            row = _effect_row(item)
            beside = f" {'÷' if item.kind == 'ratio' else '−'} {item.against}" if item.against else ""
            bins = f"{item.bins[0]} + {item.bins[1]}" if item.against else str(item.bins[0])
            rows.append([
                ("", f"{capitalised(noun(item.outcome))}: {item.treatment}{beside}"),
                number_cell(item.estimate), number_cell(item.interval.low), number_cell(item.interval.high),
                row[8], row[9], number_cell(item.std_error), row[11], (item.p, rounding.figures(item.p, 3)), ("", bins),
            ])  # fmt: skip
    return table("comparisons", "Every comparison in full; standard errors on the scale of analysis", columns, rows)
