"""Chemistry of a bin on one day: C:N and its change, carbon, nitrogen, moisture, pH, salts."""

from __future__ import annotations

from functools import partial

import numpy as np

from trialkit.outcomes.courses import Course, Floats, Mask, courses_of, lacking, name_bins
from trialkit.outcomes.family import Measure, Measured, Settings, entry
from trialkit.outcomes.on_a_day import SAME_DAY, Point, measure_on_day
from trialkit.records import Trial

DISAGREE = 0.05  # a C:N read and the quotient of the two percents further apart than this share are named


# ---------------------------------------------------------------- one column, one day
def _read_column(course: Course, column: str) -> Mask:
    return course.was_read(column)


def _take_column(course: Course, position: int, column: str) -> Point:
    return Point(float(course.read(column)[position]), (position,))


def measure_column(trial: Trial, settings: Settings, *, column: str) -> Measured | str:
    """The reading of a column on the day; the outcome bears the column's name."""
    return measure_on_day(
        trial,
        column,
        settings,
        what=column,
        readable=partial(_read_column, column=column),
        take=partial(_take_column, column=column),
    )


def lacks_column(trial: Trial, column: str) -> str | None:
    return lacking(trial, column)


def column_measure(column: str, label: str, unit: str, *, measures: str, applies: str, cannot_tell: str) -> Measure:
    """An outcome that is one column on one day."""
    return Measure(
        entry(column, label, unit, measures=measures, applies=applies, cannot_tell=cannot_tell),
        partial(lacks_column, column=column),
        partial(measure_column, column=column),
    )


# ---------------------------------------------------------------- C:N
def quotient(course: Course) -> Floats:
    """(n,) carbon over nitrogen, NaN where either was not measured or nitrogen is 0."""
    carbon, nitrogen = course.read("carbon_pct"), course.read("nitrogen_pct")
    return np.asarray(np.divide(carbon, nitrogen, out=np.full(carbon.size, np.nan), where=nitrogen > 0.0))


def cn_readings(course: Course) -> Floats:
    """(n,) C:N: the column where it was filled, else carbon over nitrogen."""
    read = course.read("cn_ratio")
    return np.where(np.isfinite(read), read, quotient(course))


def _cn_known(course: Course) -> Mask:
    return np.isfinite(cn_readings(course))


def _take_cn(course: Course, position: int) -> Point:
    return Point(float(cn_readings(course)[position]), (position,))


def _cn_lacks(trial: Trial) -> str | None:
    if any(_cn_known(course).any() for course in courses_of(trial)):
        return None
    return "cn_ratio, or carbon_pct and nitrogen_pct at one visit, which no reading holds"


def _say_cn(trial: Trial, day: float) -> list[str]:
    """Which bins come from the column and which from the quotient, and where the two disagree."""
    from_quotient, from_column, differ = [], [], []
    for course in courses_of(trial):
        here = np.abs(course.days - day) < SAME_DAY
        read, computed = course.read("cn_ratio")[here], quotient(course)[here]
        if np.any(np.isfinite(read)):
            from_column.append(course.bin.bin)
            if np.any(np.abs(computed / read - 1.0) > DISAGREE):
                differ.append(course.bin.bin)
        elif np.any(np.isfinite(computed)):
            from_quotient.append(course.bin.bin)
    notes = []
    if from_column and from_quotient:
        notes.append(
            f"C:N is the column cn_ratio in {name_bins(from_column)} and carbon_pct over nitrogen_pct in "
            f"{name_bins(from_quotient)}."
        )
    elif from_quotient:
        notes.append("C:N is carbon_pct over nitrogen_pct.")
    if differ:
        notes.append(
            f"cn_ratio and carbon_pct over nitrogen_pct differ by more than {100 * DISAGREE:.0f} % in "
            f"{name_bins(differ)}; cn_ratio counts."
        )
    return notes


def measure_cn(trial: Trial, settings: Settings) -> Measured | str:
    """C:N on the day."""
    found = measure_on_day(
        trial,
        "cn_ratio",
        settings,
        what="cn_ratio or carbon_pct with nitrogen_pct",
        readable=_cn_known,
        take=_take_cn,
    )
    if isinstance(found, str):
        return found
    return Measured(found.values, found.settings, (*found.notes, *_say_cn(trial, float(found.settings["day"]))))


def _cn_start(course: Course) -> tuple[float, float, tuple[int, ...]] | None:
    """Day, C:N and position of the start: the bins file, else the first visit that has one."""
    carbon, nitrogen = course.bin.starts.get("start_carbon_pct"), course.bin.starts.get("start_nitrogen_pct")
    if carbon is not None and nitrogen is not None and nitrogen > 0.0:
        return 0.0, carbon / nitrogen, ()
    known = np.flatnonzero(_cn_known(course))
    if not known.size:
        return None
    first = int(known[0])
    return float(course.days[first]), float(cn_readings(course)[first]), (first,)


def _change_known(course: Course) -> Mask:
    start = _cn_start(course)
    if start is None:
        return np.zeros(course.days.size, dtype=bool)
    return _cn_known(course) & (course.days > start[0] + SAME_DAY)


def _take_change(course: Course, position: int) -> Point:
    start = _cn_start(course)
    assert start is not None
    end = float(cn_readings(course)[position])
    return Point(end - start[1], (*start[2], position), {"start": start[1], "end": end, "start_day": start[0]})


def _change_lacks(trial: Trial) -> str | None:
    if any(_change_known(course).any() for course in courses_of(trial)):
        return None
    return (
        _cn_lacks(trial) or "a C:N to start from: start_carbon_pct and start_nitrogen_pct, or an earlier visit with one"
    )


def measure_cn_change(trial: Trial, settings: Settings) -> Measured | str:
    """C:N on the day minus C:N at the start; below 0 where it fell."""
    return measure_on_day(
        trial,
        "cn_ratio_change",
        settings,
        what="C:N after a known start",
        readable=_change_known,
        take=_take_change,
    )


CHEMISTRY = (
    Measure(
        entry(
            "cn_ratio",
            "C:N",
            "ratio",
            measures="carbon to nitrogen ratio on the day, dry basis",
            applies="carbon and nitrogen, or their ratio, read on a fixed day",
            cannot_tell="A low C:N alone is no sign of finished compost: feed rich in nitrogen starts low.",
        ),
        _cn_lacks,
        measure_cn,
    ),
    Measure(
        entry(
            "cn_ratio_change",
            "change in C:N",
            "ratio",
            measures="C:N on the day minus C:N at the start",
            applies="C:N at the start and on a fixed day",
            cannot_tell="A bin that starts higher has further to fall; compare arms that were filled alike.",
        ),
        _change_lacks,
        measure_cn_change,
    ),
    column_measure(
        "carbon_pct",
        "carbon",
        "% of dry matter",
        measures="carbon in the dry matter on the day",
        applies="carbon read on a fixed day",
        cannot_tell="A percentage says nothing of how much carbon is left: the dry matter shrinks with it.",
    ),
    column_measure(
        "nitrogen_pct",
        "nitrogen",
        "% of dry matter",
        measures="nitrogen in the dry matter on the day",
        applies="nitrogen read on a fixed day",
        cannot_tell="N % rises as carbon leaves, even while nitrogen is being lost.",
    ),
    column_measure(
        "moisture_pct",
        "moisture",
        "% of wet mass",
        measures="water as a share of the wet mass on the day",
        applies="moisture read on a fixed day",
        cannot_tell="Moisture tells how a bin was kept; a difference in it may itself cause a difference in decay.",
    ),
    column_measure(
        "ph",
        "pH",
        "pH",
        measures="pH of a water extract on the day",
        applies="pH read on a fixed day with one dilution",
        cannot_tell="A pH depends on the dilution and on ammonia of the hour; it does not say how far decay has gone.",
    ),
    column_measure(
        "ec_ds_m",
        "electrical conductivity",
        "dS/m",
        measures="electrical conductivity of a water extract on the day",
        applies="conductivity read on a fixed day with one dilution",
        cannot_tell="Conductivity depends on the dilution; salts gather as matter is lost and wash out with rain.",
    ),
)
