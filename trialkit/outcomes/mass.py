"""Mass and volume outcomes: what a bin weighs on a day, and what it lost since its start."""

from __future__ import annotations

from functools import partial

import numpy as np

from trialkit.numerics.balance import dry_loss_sd, dry_mass, dry_mass_sd
from trialkit.outcomes.bookings import DRY, after_start, book, find_start, say_events, say_late_starts
from trialkit.outcomes.courses import Course, Mask, courses_of, ever_started, join_words, lacking, name_bins
from trialkit.outcomes.family import Measure, Measured, Settings, entry, number_setting
from trialkit.outcomes.measurement import MOISTURE_SD_POINTS, SCALE_SD_KG, scale_error
from trialkit.outcomes.on_a_day import SAME_DAY, Point, measure_on_day
from trialkit.records import Trial


# ---------------------------------------------------------------- volume
def _start_volume(course: Course) -> tuple[float, tuple[int, ...]] | None:
    cell = course.bin.starts.get("start_volume_l")
    if cell is not None:
        return cell, ()
    at_zero = np.flatnonzero(course.was_read("volume_l") & (course.days == 0.0))
    return (float(course.read("volume_l")[at_zero[0]]), (int(at_zero[0]),)) if at_zero.size else None


def _volume_known(course: Course) -> Mask:
    return course.was_read("volume_l") & (course.days > 0.0) & (_start_volume(course) is not None)


def _volume_loss(course: Course, position: int) -> Point:
    start = _start_volume(course)
    assert start is not None
    volume = float(course.read("volume_l")[position])
    return Point(100.0 * (1.0 - volume / start[0]), (*start[1], position), {"start": start[0], "end": volume})


def _volume_lacks(trial: Trial) -> str | None:
    if any(_volume_known(course).any() for course in courses_of(trial)):
        return None
    missing = lacking(trial, "volume_l")
    if missing:
        return missing
    if ever_started(trial, "start_volume_l"):
        return "volume_l after day 0, which no reading holds"
    return "a volume to start from: start_volume_l in the bins file, or volume_l on day 0, and a later volume_l"


def measure_volume_loss(trial: Trial, settings: Settings) -> Measured | str:
    """Percent of the starting volume gone by the day; the start is start_volume_l, else the reading of day 0."""
    differ = []
    for course in courses_of(trial):
        cell = course.bin.starts.get("start_volume_l")
        read = course.read("volume_l")[course.days == 0.0]
        if cell is not None and read.size and np.isfinite(read[0]) and abs(read[0] / cell - 1.0) > 0.02:
            differ.append(course.bin.bin)
    notes = []
    if differ:
        notes.append(
            f"start_volume_l and the day-0 reading differ by more than 2 % in {name_bins(differ)}; "
            "start_volume_l counts."
        )
    return measure_on_day(
        trial,
        "volume_loss_pct",
        settings,
        what="volume_l after a known start",
        readable=_volume_known,
        take=_volume_loss,
        notes=notes,
    )


# ---------------------------------------------------------------- dry matter lost
def measure_dry_matter_loss(trial: Trial, settings: Settings) -> Measured | str:
    """Percent of the dry matter put in that is gone by the day, additions and samples booked."""
    name = "dry_matter_loss_pct"
    mass_sd = number_setting(settings, name, "mass_sd_kg", None, above=0.0)
    moisture_sd = number_setting(settings, name, "moisture_sd_points", MOISTURE_SD_POINTS, above=0.0)
    assert moisture_sd is not None
    courses = courses_of(trial)

    def take(course: Course, position: int) -> Point:
        start = find_start(course, DRY)
        assert start is not None
        booking, used = book(course, start, position)
        details = {
            "start_dry_kg": booking.start,
            "added_dry_kg": booking.added,
            "taken_dry_kg": booking.taken,
            "end_dry_kg": booking.end,
        }
        at_start = (start.held["wet_mass_kg"], start.held["moisture_pct"])
        at_end = (float(course.read("wet_mass_kg")[position]), float(course.read("moisture_pct")[position]))
        scale_sd = scale_error(mass_sd, at_start[0], at_end[0])
        if scale_sd is not None:
            sd, moisture_part = dry_loss_sd(booking, at_start, at_end, scale_sd, moisture_sd)
            details |= {"measurement_sd": sd, "moisture_part_of_variance": moisture_part}
        return Point(booking.loss_pct, used, details)

    notes = [*say_late_starts(courses, DRY), *say_events(courses)]
    found = measure_on_day(
        trial,
        name,
        settings,
        what="wet_mass_kg and moisture_pct after a known start",
        readable=partial(after_start, columns=DRY),
        take=take,
        notes=notes,
        in_force={"mass_sd_kg": SCALE_SD_KG if mass_sd is None else mass_sd, "moisture_sd_points": moisture_sd},
    )
    if isinstance(found, str):
        return found
    said = _say_measurement(found, mass_sd, moisture_sd, "a loss", "points")
    return Measured(found.values, found.settings, (*found.notes, *said))


def _say_measurement(found: Measured, mass_sd: float | None, moisture_sd: float, what: str, unit: str) -> list[str]:
    spread = [value.details["measurement_sd"] for value in found.values if "measurement_sd" in value.details]
    if not spread:
        return []
    parts = [value.details["moisture_part_of_variance"] for value in found.values if "measurement_sd" in value.details]
    limits = "moisture" if float(np.mean(parts)) >= 0.5 else "the scale"
    scale = SCALE_SD_KG if mass_sd is None else mass_sd
    measured = float(np.median(spread))
    shown = f"{measured:.1f}" if measured >= 1.0 else f"{measured:.2g}"
    return [
        f"With errors of {scale:g} kg on a mass and {moisture_sd:g} points on a moisture (standard deviations), {what} "
        f"is measured to {shown} {unit}; {limits} is the larger part of it."
    ]


def _loss_lacks(trial: Trial) -> str | None:
    if any(after_start(course, DRY).any() for course in courses_of(trial)):
        return None
    missing = lacking(trial, *DRY)
    return missing or "a start before the weighing: start_wet_mass_kg and start_moisture_pct, or both read on day 0"


# ---------------------------------------------------------------- what it weighs
def _wet(course: Course, position: int) -> Point:
    return Point(float(course.read("wet_mass_kg")[position]), (position,))


def _dry(course: Course, position: int, mass_sd: float | None, moisture_sd: float) -> Point:
    wet, moisture = (float(course.read(column)[position]) for column in DRY)
    details = {"wet_mass_kg": wet, "moisture_pct": moisture}
    scale_sd = scale_error(mass_sd, wet)
    if scale_sd is not None:
        sd, moisture_part = dry_mass_sd(wet, moisture, scale_sd, moisture_sd)
        details |= {"measurement_sd": sd, "moisture_part_of_variance": moisture_part}
    return Point(dry_mass(wet, moisture), (position,), details)


def _was_read(course: Course, columns: tuple[str, ...]) -> Mask:
    return course.was_read(*columns)


def _measure_mass(trial: Trial, settings: Settings, *, outcome: str) -> Measured | str:
    is_dry = outcome == "dry_mass_kg"
    columns = DRY if is_dry else DRY[:1]
    mass_sd: float | None = None
    moisture_sd: float | None = MOISTURE_SD_POINTS
    if is_dry:
        mass_sd = number_setting(settings, outcome, "mass_sd_kg", None, above=0.0)
        moisture_sd = number_setting(settings, outcome, "moisture_sd_points", MOISTURE_SD_POINTS, above=0.0)
    assert moisture_sd is not None
    found = measure_on_day(
        trial,
        outcome,
        settings,
        what=join_words(columns),
        readable=partial(_was_read, columns=columns),
        take=partial(_dry, mass_sd=mass_sd, moisture_sd=moisture_sd) if is_dry else _wet,
    )
    if isinstance(found, str):
        return found
    day = float(found.settings["day"])
    moved = []
    for course in courses_of(trial):
        before = course.days < day - SAME_DAY
        amounts = np.array([course.read("added_wet_mass_kg"), course.read("sample_removed_kg")])
        if np.any(amounts[:, before] > 0.0):
            moved.append(course.bin.bin)
    notes = [*found.notes, *_say_measurement(found, mass_sd, moisture_sd, "a dry mass", "kg")]
    if moved:
        notes.append(f"Material was added to or taken from {name_bins(moved)} before that day; the mass holds it.")
    return Measured(found.values, found.settings, tuple(notes))


def _lacks(trial: Trial, columns: tuple[str, ...]) -> str | None:
    return lacking(trial, *columns)


MASS = (
    Measure(
        entry(
            "volume_loss_pct",
            "volume lost",
            "% of start",
            measures="share of the starting volume that is gone by the day",
            applies="volume at the start and on a fixed day, levelled and never pressed",
            cannot_tell="Volume falls by packing as well as by decay: turning, wetting and weight move it.",
        ),
        _volume_lacks,
        measure_volume_loss,
    ),
    Measure(
        entry(
            "dry_matter_loss_pct",
            "dry matter lost",
            "% of what was put in",
            measures="share of the dry matter put in that is gone by the day",
            applies="wet mass and moisture at the start and on a fixed day, additions and samples weighed",
            cannot_tell="A loss at one day is not a speed: late in the course all bins come to nearly the same loss.",
        ),
        _loss_lacks,
        measure_dry_matter_loss,
    ),
    Measure(
        entry(
            "wet_mass_kg",
            "wet mass",
            "kg",
            measures="wet mass on the day",
            applies="bins weighed on a fixed day",
            cannot_tell="Wet mass is not decomposition: water moves in and out of a bin.",
        ),
        partial(_lacks, columns=DRY[:1]),
        partial(_measure_mass, outcome="wet_mass_kg"),
    ),
    Measure(
        entry(
            "dry_mass_kg",
            "dry mass",
            "kg",
            measures="dry mass on the day",
            applies="bins weighed and sampled for moisture on a fixed day, filled alike",
            cannot_tell="Dry mass on a day compares bins only where they were filled alike; it is no loss by itself.",
        ),
        partial(_lacks, columns=DRY),
        partial(_measure_mass, outcome="dry_mass_kg"),
    ),
)
