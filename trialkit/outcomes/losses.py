"""Losses of organic matter, carbon and nitrogen: by conservation of ash, or by masses with everything booked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from trialkit.numerics.balance import ash_based_loss_pct, ash_loss_pct, ash_loss_sd, organic_loss_sd
from trialkit.outcomes.bookings import (
    after_start,
    book,
    columns_for,
    find_start,
    held_at,
    say_events,
    say_late_starts,
    was_fed,
)
from trialkit.outcomes.courses import Course, courses_of, join_words, name_bins
from trialkit.outcomes.family import (
    Measure,
    Measured,
    NoValueError,
    Settings,
    choice_setting,
    entry,
    number_setting,
)
from trialkit.outcomes.measurement import MOISTURE_SD_POINTS, SCALE_SD_KG, scale_error
from trialkit.outcomes.on_a_day import Point, measure_on_day
from trialkit.records import Trial

BASES = {"ash": "ash", "mass": "mass"}
START_ASH_SD, ASH_SD = 0.5, 1.5  # points, common practice: mixed feed is read closer than finished material
ASH_KEPT = 0.15  # ash mass that moves by more than this share of itself is said aloud


@dataclass(frozen=True)
class _Constituent:
    outcome: str
    share: str  # "organic", "carbon", "nitrogen"

    @property
    def by_ash(self) -> tuple[str, ...]:
        return ("ash_pct",) if self.share == "organic" else ("ash_pct", f"{self.share}_pct")

    @property
    def by_mass(self) -> tuple[str, ...]:
        return columns_for(self.share)


def _possible(courses: Sequence[Course], columns: tuple[str, ...]) -> bool:
    return any(after_start(course, columns).any() for course in courses)


def _fed(courses: Sequence[Course]) -> bool:
    return any(bool(np.any(course.read("added_wet_mass_kg") > 0.0)) for course in courses)


def _basis(courses: Sequence[Course], constituent: _Constituent, settings: Settings) -> str:
    """One basis for all bins. Organic matter goes by ash unless something was added later and masses are there;
    carbon and nitrogen go by masses where these are there."""
    declared = choice_setting(settings, constituent.outcome, "from", BASES)
    if declared is not None:
        return declared
    weighed = _possible(courses, constituent.by_mass)
    if constituent.share == "organic":
        return "mass" if weighed and (_fed(courses) or not _possible(courses, constituent.by_ash)) else "ash"
    return "mass" if weighed else "ash"


def _lacks(trial: Trial, constituent: _Constituent) -> str | None:
    courses = courses_of(trial)
    if _possible(courses, constituent.by_ash) or _possible(courses, constituent.by_mass):
        return None
    by_ash, by_mass = join_words(constituent.by_ash), join_words(constituent.by_mass)
    either = by_ash if constituent.share == "organic" else f"{by_ash}, or {by_mass},"
    return f"{either} at the start (bins file or first visit) and at a later visit, which these files do not hold"


def measure_loss(trial: Trial, settings: Settings, *, constituent: _Constituent) -> Measured | str:
    """Percent of the constituent put in that is gone by the day."""
    courses = courses_of(trial)
    basis = _basis(courses, constituent, settings)
    columns = constituent.by_ash if basis == "ash" else constituent.by_mass
    start_sd = number_setting(settings, constituent.outcome, "start_ash_sd_points", START_ASH_SD, above=0.0)
    end_sd = number_setting(settings, constituent.outcome, "ash_sd_points", ASH_SD, above=0.0)
    mass_sd = number_setting(settings, constituent.outcome, "mass_sd_kg", None, above=0.0)
    moisture_sd = number_setting(settings, constituent.outcome, "moisture_sd_points", MOISTURE_SD_POINTS, above=0.0)
    assert start_sd is not None and end_sd is not None and moisture_sd is not None

    def by_mass(course: Course, position: int) -> Point:
        start = find_start(course, columns)
        assert start is not None
        booking, used = book(course, start, position, constituent.share)
        details = {
            "start_kg": booking.start,
            "added_kg": booking.added,
            "taken_kg": booking.taken,
            "end_kg": booking.end,
        }
        scale_sd = scale_error(mass_sd, start.held["wet_mass_kg"], float(course.read("wet_mass_kg")[position]))
        if constituent.share == "organic" and scale_sd is not None:
            first, last = (
                (held["wet_mass_kg"], held["moisture_pct"], held["ash_pct"])
                for held in (start.held, held_at(course, columns, position))
            )
            sd, parts = organic_loss_sd(booking, first, last, scale_sd, moisture_sd, (start_sd, end_sd))
            details["measurement_sd"] = sd
            details |= {f"{part}_part_of_variance": share for part, share in parts.items()}
        return Point(booking.loss_pct, used, details)

    def by_ash(course: Course, position: int) -> Point:
        start = find_start(course, columns)
        assert start is not None
        fed = was_fed(course, start, position)
        if fed:
            raise NoValueError(
                f"material was added on day {fed[0]:g}, so ash no longer shows the loss; masses booked would"
            )
        end = held_at(course, columns, position)
        first, last = start.held["ash_pct"], end["ash_pct"]
        details = {"start_ash_pct": first, "end_ash_pct": last}
        if last <= 0.0 or first <= 0.0 or first >= 100.0:
            raise NoValueError(f"ash of {first:g} % at the start and {last:g} % on the day cannot show a loss")
        if constituent.share == "organic":
            sd, later = ash_loss_sd(first, last, start_sd, end_sd)
            details |= {"measurement_sd": sd, "start_ash_part_of_variance": 1.0 - later, "ash_part_of_variance": later}
            return Point(ash_loss_pct(first, last), (*start.visits, position), details)
        column = f"{constituent.share}_pct"
        if start.held[column] <= 0.0:
            raise NoValueError(f"{column} is 0 at the start, so nothing to lose")
        value = ash_based_loss_pct(first, last, start.held[column], end[column])
        return Point(value, (*start.visits, position), details)

    in_force: dict[str, object] = {"from": basis}
    if constituent.share == "organic":
        in_force |= {"start_ash_sd_points": start_sd, "ash_sd_points": end_sd}
        if basis == "mass":
            scale = SCALE_SD_KG if mass_sd is None else mass_sd
            in_force |= {"mass_sd_kg": scale, "moisture_sd_points": moisture_sd}
    how = "conservation of ash" if basis == "ash" else "masses, with all that was added and taken booked"
    notes = [f"The loss is counted by {how}.", *say_late_starts(courses, columns)]
    notes += say_events(courses) if basis == "mass" else []
    notes += _say_soil(trial) if basis == "ash" else []
    notes += _say_ash_kept(courses)
    found = measure_on_day(
        trial,
        constituent.outcome,
        settings,
        what=f"{join_words(columns)} after a known start",
        readable=partial(after_start, columns=columns),
        take=by_ash if basis == "ash" else by_mass,
        in_force=in_force,
        notes=notes,
    )
    if isinstance(found, str):
        return found
    return Measured(found.values, found.settings, (*found.notes, *_say_after(found)))


_PARTS = {"scale": "the scale", "moisture": "moisture", "start_ash": "the start ash", "ash": "the later ash"}


def _say_after(found: Measured) -> list[str]:
    notes = []
    falling = [
        value.bin
        for value in found.values
        if value.details.get("end_ash_pct", np.inf) < value.details.get("start_ash_pct", -np.inf)
    ]
    if falling:
        notes.append(f"Ash fell in {name_bins(falling)}, where loss makes it rise; the sample or the start ash is off.")
    told = [value.details for value in found.values if "measurement_sd" in value.details]
    if told:
        errors = found.settings
        with_masses = ""
        if "mass_sd_kg" in errors:
            with_masses = (
                f"{errors['mass_sd_kg']:g} kg on a mass, {errors['moisture_sd_points']:g} points on a moisture, "
            )
        parts = {
            words: float(np.mean([details[f"{part}_part_of_variance"] for details in told]))
            for part, words in _PARTS.items()
            if f"{part}_part_of_variance" in told[0]
        }
        largest = max(parts, key=lambda words: parts[words])
        spread = float(np.median([details["measurement_sd"] for details in told]))
        notes.append(
            f"With errors of {with_masses}{errors['start_ash_sd_points']:g} points on the start ash and "
            f"{errors['ash_sd_points']:g} on the later one (standard deviations), a loss is measured to {spread:.1f} "
            f"points; {largest} is the largest part of it."
        )
    return notes


def _say_soil(trial: Trial) -> list[str]:
    """Soil breaks conservation of ash unless the start ash is that of the filled bin. Read off the recipe."""
    given = [t.name for t in trial.plan.treatments if t.amounts.get("soil_kg", 0.0) > 0.0 or t.role == "soil"]
    if not given:
        return []
    starts = {bin_.starts["start_ash_pct"] for bin_ in trial.bins if "start_ash_pct" in bin_.starts}
    text = (
        "Soil is part of a recipe here. Ash shows the loss only where the start ash is that of the filled bin, soil "
        "included: with the ash of the leaves alone, 1 kg of soil on 20 kg of dry leaves turns a loss of 50 % into "
        "68 %."
    )
    if len(starts) == 1 and len(given) < len(trial.plan.treatments):
        text += " All bins carry one and the same start ash although only some got soil, so it cannot be that of each."
    return [text]


def _say_ash_kept(courses: Sequence[Course]) -> list[str]:
    """Where masses are there too, the mass of ash must stay; bins where it did not are named."""
    columns = columns_for("ash")
    moved = []
    for course in courses:
        positions = np.flatnonzero(after_start(course, columns))
        start = find_start(course, columns)
        if start is None or not positions.size:
            continue
        try:
            booking = book(course, start, int(positions[-1]), "ash")[0]
        except NoValueError:
            continue
        if abs(booking.loss_pct) > 100.0 * ASH_KEPT:
            moved.append(course.bin.bin)
    if not moved:
        return []
    return [
        f"The mass of ash moved by more than {100 * ASH_KEPT:.0f} % in {name_bins(moved)}: soil or grit came or went, "
        "or a reading is off."
    ]


def _loss(outcome: str, share: str, label: str, *, cannot_tell: str, applies: str) -> Measure:
    constituent = _Constituent(outcome, share)
    whole = {"organic": "organic matter"}.get(share, share)
    return Measure(
        entry(
            outcome,
            label,
            "% of what was put in",
            measures=f"share of the {whole} put in that is gone by the day",
            applies=applies,
            cannot_tell=cannot_tell,
        ),
        partial(_lacks, constituent=constituent),
        partial(measure_loss, constituent=constituent),
    )


LOSSES = (
    _loss(
        "organic_matter_loss_pct",
        "organic",
        "organic matter lost",
        applies="ash of the filled bin, soil included, and ash on a fixed day, with no mineral matter added later",
        cannot_tell="Ash shows a loss only while no soil or grit comes in; a scoop of soil looks like a large loss.",
    ),
    _loss(
        "carbon_loss_pct",
        "carbon",
        "carbon lost",
        applies="carbon with masses and moisture, or with ash, at the start and on a fixed day",
        cannot_tell="Carbon that left a bin may have gone into the air or into the drain.",
    ),
    _loss(
        "nitrogen_loss_pct",
        "nitrogen",
        "nitrogen lost",
        applies="nitrogen with masses and moisture, or with ash, at the start and on a fixed day",
        cannot_tell="Nitrogen that left a bin may have gone into the air or into the drain; N % alone shows neither.",
    ),
)
