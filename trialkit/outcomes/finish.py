"""Is it compost: germination in an extract, and scores of looks and smell."""

from __future__ import annotations

from trialkit.outcomes.chemistry import column_measure
from trialkit.outcomes.courses import Course, Mask, lacking
from trialkit.outcomes.family import Measure, Measured, Settings, entry
from trialkit.outcomes.on_a_day import Point, measure_on_day
from trialkit.records import Trial

DISHES = ("germination_pct", "root_length_pct")
SHARED_BLANK = (
    "All bins share one water blank: its error moves every index alike and drops out of the ratio of two treatments, "
    "but not out of any index by itself."
)


def _dishes_read(course: Course) -> Mask:
    return course.was_read(*DISHES)


def _take_index(course: Course, position: int) -> Point:
    germination, root = (float(course.read(column)[position]) for column in DISHES)
    return Point(germination * root / 100.0, (position,), {"germination_pct": germination, "root_length_pct": root})


def measure_germination_index(trial: Trial, settings: Settings) -> Measured | str:
    """100·(G/G₀)·(L/L₀) on the day, both readings being percents of the water blank (Zucconi et al. 1981)."""
    return measure_on_day(
        trial,
        "germination_index_pct",
        settings,
        what="germination_pct and root_length_pct",
        readable=_dishes_read,
        take=_take_index,
        notes=(SHARED_BLANK,),
    )


def _index_lacks(trial: Trial) -> str | None:
    return lacking(trial, *DISHES)


def _score(column: str, label: str, what: str) -> Measure:
    return column_measure(
        column,
        label,
        "score 0–5",
        measures=f"score of {what} on the day, 0 far from compost to 5 compost",
        applies="scores by written anchors on a fixed day, by raters who do not know the treatments",
        cannot_tell="Scores are steps, not amounts, and a dry or cold bin can look finished that is not.",
    )


FINISH = (
    column_measure(
        "germination_pct",
        "germination",
        "% of water blank",
        measures="seeds that germinate in an extract of the bin, as a share of the water blank",
        applies="dishes of every bin and of the blank on a fixed day",
        cannot_tell="Seeds that sprout in an extract tell of harm to seedlings, not of how far decay has gone.",
    ),
    Measure(
        entry(
            "germination_index_pct",
            "germination index",
            "% of water blank",
            measures="germination times root length in an extract of the bin, as a share of the water blank",
            applies="dishes of every bin and of one shared blank on a fixed day",
            cannot_tell="The index differs by seed and by dilution; compare it inside one trial only.",
        ),
        _index_lacks,
        measure_germination_index,
    ),
    _score("appearance_score", "appearance", "looks"),
    _score("odour_score", "smell", "smell"),
)
