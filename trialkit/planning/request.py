"""What is asked of the planner, checked and completed: arms, layout, days, outcomes, claims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, Literal

from trialkit.errors import DesignError, nearest_name
from trialkit.outcome_names import OUTCOMES
from trialkit.planning.feasibility import is_plain
from trialkit.planning.field_sheets import HEADINGS
from trialkit.planning.layout_request import LayoutRequest, arms_of
from trialkit.planning.recipe import TARGET_MOISTURE, Portion
from trialkit.planning.starters import Starter
from trialkit.records import Claim, Treatment

USUAL_DAYS = (0, 3, 7, 10, 14, 21, 28, 42, 56)
LAST_DAY = 3650
SATURDAY = 5
TIMES = ("days_to_threshold", "days_to_finish")
USUAL_COLUMNS = (
    "core_temp_c", "ambient_temp_c", "volume_l", "wet_mass_kg", "moisture_pct", "finished", "appearance_score",
    "odour_score", "rater", "water_added_l", "turned", "note",
)  # fmt: skip
# what an outcome needs to be read, beside its own column
NEEDS: Mapping[str, tuple[str, ...]] = {
    "volume_loss_pct": ("volume_l",),
    "dry_matter_loss_pct": ("wet_mass_kg", "moisture_pct"),
    "organic_matter_loss_pct": ("wet_mass_kg", "moisture_pct", "ash_pct"),
    "carbon_loss_pct": ("wet_mass_kg", "moisture_pct", "carbon_pct"),
    "nitrogen_loss_pct": ("wet_mass_kg", "moisture_pct", "nitrogen_pct"),
    "wet_mass_kg": ("wet_mass_kg",),
    "dry_mass_kg": ("wet_mass_kg", "moisture_pct"),
    "cn_ratio": ("carbon_pct", "nitrogen_pct"),
    "cn_ratio_change": ("carbon_pct", "nitrogen_pct"),
    "days_to_finish": ("finished",),
    "degree_days": ("core_temp_c", "ambient_temp_c"),
    "germination_index_pct": ("germination_pct", "root_length_pct"),
    **{
        name: (name,)
        for name in (
            "carbon_pct", "nitrogen_pct", "moisture_pct", "ph", "ec_ds_m", "germination_pct", "appearance_score",
            "odour_score",
        )
    },
    **{name: ("core_temp_c",) for name in OUTCOMES if name.startswith("hours_above") or "peak" in name},
}  # fmt: skip


@dataclass(frozen=True)
class PlanRequest:
    """Everything ``plan_trial`` wants to know. Only treatments, control and a layout are required.

    ``layout`` carries the names of the treatments again in their order. ``start`` None means the next Saturday after
    ``today``; ``days`` are counted from the start; ``stated_on`` None means ``today``. ``measured`` are columns of the
    readings; empty means the usual ones and those that the outcomes need. ``portions`` fill one bin; ``starter`` gives
    amounts to arms by their roles. ``paper`` is "A4" or "Letter".
    """

    treatments: tuple[Treatment, ...]
    control: str
    layout: LayoutRequest
    today: date
    title: str = ""
    question: str = ""
    start: date | None = None
    days: tuple[int, ...] = ()
    stated_on: date | None = None
    comparisons: Literal["with control", "all pairs"] = "with control"
    primary: str | None = None
    secondary: tuple[str, ...] = ()
    level: float = 0.95
    claims: tuple[Claim, ...] = ()
    outcome_settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    finish: Mapping[str, Any] = field(default_factory=dict)
    measured: tuple[str, ...] = ()
    portions: tuple[Portion, ...] = ()
    target_moisture_pct: float = TARGET_MOISTURE
    starter: Starter | None = None
    capacity_l: float | None = None
    blinded: bool = False
    paper: Literal["A4", "Letter"] = "A4"
    pupils: bool = False
    materials: tuple[str, ...] = ()


def complete_request(request: PlanRequest) -> tuple[PlanRequest, tuple[str, ...]]:
    """The request with defaults filled in, and one sentence for each. Raises DesignError with every contradiction."""
    notes: list[str] = []
    reasons = [*_wrong_days(request), *_wrong_outcomes(request), *_wrong_claims(request), *_wrong_rest(request)]
    if reasons:
        raise DesignError("\n".join(reasons))
    changes: dict[str, Any] = {"stated_on": request.stated_on or request.today}
    if request.start is None:
        changes["start"] = next_saturday(request.today)
        notes.append(f"No start was given: the next Saturday, {changes['start'].isoformat()}.")
    elif request.start < request.today:
        notes.append(
            f"The start, {request.start.isoformat()}, lies in the past: a claim stated after the first reading does "
            "not count as stated before the data."
        )
    if request.days:
        changes["days"] = tuple(sorted(request.days))
    else:
        changes["days"] = USUAL_DAYS
        notes.append(f"No days were given: visits on days {', '.join(map(str, USUAL_DAYS))}.")
    if 0 not in changes.get("days", USUAL_DAYS):
        notes.append(
            "Day 0 is no visit: weigh and read the bins when they are filled, into the start_ columns of bins.csv."
        )
    primary = request.primary
    if primary is None:
        primary = request.claims[0].outcome if request.claims else "decay_rate"
        notes.append(f"No primary outcome was given: {primary}.")
        changes["secondary"] = tuple(name for name in request.secondary if name != primary)
    changes["primary"] = primary
    settings = {name: dict(table) for name, table in request.outcome_settings.items()}
    if "decay_rate" in (primary, *request.secondary):
        settings.setdefault("decay_rate", {"from": _course(request.measured), "end_level": "own"})
    changes["outcome_settings"] = settings
    if not request.claims:
        notes.append("Nothing is claimed yet: trial.toml holds a commented example.")
    done = replace(request, **changes)
    return replace(done, measured=_columns(done)), tuple(notes)


def next_saturday(today: date) -> date:
    """The first Saturday after today."""
    return today + timedelta(days=(SATURDAY - today.weekday() - 1) % 7 + 1)


def _course(measured: Sequence[str]) -> str:
    """The column that follows the decay: volume, or height where only that is read."""
    return "height_cm" if "height_cm" in measured and "volume_l" not in measured else "volume_l"


def _columns(request: PlanRequest) -> tuple[str, ...]:
    wanted = list(request.measured or USUAL_COLUMNS)
    for name in (request.primary, *request.secondary, *(claim.outcome for claim in request.claims)):
        table = request.outcome_settings.get(name or "", {})
        needs: tuple[str, ...] = NEEDS.get(name or "", ())
        if name in ("decay_rate", "days_to_threshold"):
            needs = (str(table.get("from", _course(request.measured))),)
        needs = tuple(column for column in needs if column != "dry mass") or ("wet_mass_kg", "moisture_pct")
        wanted += [column for column in needs if column not in wanted]
    if "note" in wanted:
        wanted.remove("note")
    return (*wanted, "note")


def _wrong_days(request: PlanRequest) -> list[str]:
    reasons = []
    before = [day for day in request.days if day < 0]
    if before:
        words = ", ".join(f"{day:g}" for day in before)
        reasons.append(
            f"found visits before the start (day {words}); expected days from 0 up, 0 being the day the "
            "bins are filled. "
            "Nearest plan: the same days without them, or an earlier --start."
        )
    if any(day != int(day) or day > LAST_DAY for day in request.days):
        reasons.append(
            f"found days {', '.join(f'{day:g}' for day in request.days)}; expected whole days up to {LAST_DAY}."
        )
    if len(set(request.days)) < len(request.days):
        reasons.append("found a day twice among the visits; expected every day once.")
    if request.days and len(request.days) < 2:
        reasons.append("found one visit; expected two or more, say --days 0,28.")
    return reasons


def _wrong_outcomes(request: PlanRequest) -> list[str]:
    reasons = []
    for name in (request.primary, *request.secondary, *request.outcome_settings):
        if name is not None and name not in OUTCOMES:
            near = nearest_name(name, OUTCOMES)
            hint = f' Nearest: "{near}".' if near else ""
            reasons.append(f'found the outcome "{name}"; expected one of {", ".join(OUTCOMES)}.{hint}')
    if request.primary is not None and request.primary in request.secondary:
        reasons.append(f"{request.primary} stands as primary and as secondary; expected one of them.")
    table = request.outcome_settings.get("days_to_threshold", {})
    named = {request.primary, *request.secondary, *(claim.outcome for claim in request.claims)}
    if "days_to_threshold" in named and not {"percent_of_start", "percent_of_achievable"} & set(table):
        reasons.append(
            "days_to_threshold needs its threshold, for half of the start and half of the achievable loss are weeks "
            "apart; expected percent_of_start or percent_of_achievable under [outcome.days_to_threshold] in trial.toml."
        )
    return reasons


def _wrong_claims(request: PlanRequest) -> list[str]:
    arms = arms_of(request.layout)
    reasons = []
    for claim in request.claims:
        for what, name in (("treatment", claim.treatment), ("against", claim.against)):
            if name is not None and name not in arms:
                near = nearest_name(name, arms)
                hint = f' Nearest: "{near}".' if near else ""
                reasons.append(
                    f'claim "{claim.text}", {what}: found "{name}"; expected one of {", ".join(arms)}.{hint}'
                )
        if claim.outcome not in OUTCOMES:
            near = nearest_name(claim.outcome, OUTCOMES)
            hint = f' Nearest: "{near}".' if near else ""
            reasons.append(f'claim "{claim.text}": found the outcome "{claim.outcome}".{hint}')
        else:
            reasons += [f'claim "{claim.text}": {reason}' for reason in _wrong_size(claim)]
    return reasons


def _wrong_size(claim: Claim) -> list[str]:
    """Why this size cannot be counted in this outcome, or contradicts its own margin."""
    better, scale = OUTCOMES[claim.outcome]
    fits = {
        "times_as_fast": claim.outcome in ("decay_rate", *TIMES),
        "within_days": claim.outcome in (*TIMES, "days_to_peak"),
        "at_least": scale == "identity",
        "at_least_ratio": scale == "log",
    }
    if not fits[claim.size]:
        right = [size for size, fit in fits.items() if fit]
        return [f"{claim.size} does not fit {claim.outcome}; expected {' or '.join(right)}."]
    reasons = []
    if not claim.amount > 0:
        reasons.append(f"found the size {claim.amount:g}; expected a number above 0.")
    elif claim.equivalence is not None and claim.size != "within_days":
        low, high = claim.equivalence
        falls = claim.outcome != "decay_rate" if claim.size == "times_as_fast" else better < 0
        none, claimed = (0.0, claim.amount) if claim.size == "at_least" else (1.0, claim.amount)
        if falls:
            claimed = -claimed if claim.size == "at_least" else 1.0 / claimed
        if not low < none < high:
            reasons.append(f"found the margin {low:g} to {high:g}; expected one on both sides of {none:g}.")
        elif low < claimed < high:
            reasons.append(
                f"the size {claimed:g} lies inside the margin {low:g} to {high:g}, so it would count as no difference. "
                "Claim more, or narrow the margin."
            )
    return reasons


def _wrong_rest(request: PlanRequest) -> list[str]:
    reasons = []
    for name in request.measured:
        if name not in HEADINGS:
            near = nearest_name(name, HEADINGS)
            hint = f' Nearest: "{near}".' if near else ""
            reasons.append(f'found the column "{name}" to be read; expected one of {", ".join(HEADINGS)}.{hint}')
    if len(set(request.measured)) < len(request.measured):
        reasons.append("found a column twice among those to be read; expected every column once.")
    for what, text in (("title", request.title), ("question", request.question)):
        if not is_plain(text, also="\n\t"):
            reasons.append(f"found a control character in the {what}; expected plain text. Type it again.")
    if not 0.5 < request.level < 1:
        reasons.append(f"found the level {request.level:g}; expected a number between 0.5 and 1, say 0.95.")
    if request.paper not in ("A4", "Letter"):
        reasons.append(f'found the paper "{request.paper}"; expected A4 or Letter.')
    if request.capacity_l is not None and not 0 < request.capacity_l <= 100_000:
        reasons.append(f"found a bin of {request.capacity_l:g} L; expected a number above 0 up to 100 000.")
    if request.stated_on is not None and request.start is not None and request.stated_on > request.start:
        reasons.append(
            f"stated_on {request.stated_on.isoformat()} lies after the start {request.start.isoformat()}; expected a "
            "plan that is stated before the bins are filled. Move the start, or leave stated_on to the day of planning."
        )
    return reasons
