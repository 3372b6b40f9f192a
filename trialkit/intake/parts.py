"""The shapes of a trial file: which keys each table may hold and what kind of value stands behind each."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model

from trialkit.outcome_names import SETTINGS
from trialkit.records import Material, Size

TREATMENT_ROLES = ("nothing", "water", "carrier", "killed", "live", "soil", "other")
SIZES: tuple[Size, ...] = ("times_as_fast", "at_least", "at_least_ratio", "within_days")

_Positive = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
_Amount = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
_Share = Annotated[float, Field(gt=0, lt=100, allow_inf_nan=False)]
_Score = Annotated[float, Field(ge=0, le=5, allow_inf_nan=False)]
_Day = Annotated[float, Field(ge=0, le=3650, allow_inf_nan=False)]
_Finite = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
_Name = Annotated[str, Field(min_length=1)]


# key of an outcome's table -> kind of value; an outcome may have its own kind of a key
_LossFrom = Literal["ash", "mass"]
_CourseFrom = Literal["volume_l", "height_cm", "respired_c_g_kg", "dry mass", "wet mass", "dry_mass_kg", "wet_mass_kg"]
SETTING_KINDS: Mapping[str | tuple[str, str], Any] = {
    "day": _Day,
    "max_gap_days": _Positive,
    "end_level": Literal["own"] | _Amount,
    "percent_of_start": _Share,
    "percent_of_achievable": _Share,
    "mass_sd_kg": _Positive,
    "moisture_sd_points": _Positive,
    "start_ash_sd_points": _Positive,
    "ash_sd_points": _Positive,
    "from": _CourseFrom,
    ("organic_matter_loss_pct", "from"): _LossFrom,
    ("carbon_loss_pct", "from"): _LossFrom,
    ("nitrogen_loss_pct", "from"): _LossFrom,
}


class Part(BaseModel):
    """A table of the file: its own keys, no others, and no value bent into another kind."""

    model_config = ConfigDict(extra="forbid", strict=True, str_strip_whitespace=True)


class LayoutPart(Part):
    """[layout]"""

    kind: Literal["completely random", "blocks", "latin square", "split plot"] | None = None
    variances: Literal["common", "by treatment"] | None = None
    seed: Annotated[int, Field(ge=0)] | None = None
    drawn: Literal["", "by seed", "by lot", "by hand"] = ""
    redraw_rule: str = "none"
    whole_plot_factor: str = ""


class TreatmentPart(Part):
    """[[treatment]]; what goes into a bin is counted per bin."""

    name: _Name
    role: Literal["nothing", "water", "carrier", "killed", "live", "soil", "other"] = "other"
    factors: dict[str, str] = {}
    water_l: _Amount | None = None
    sugar_g: _Amount | None = None
    nitrogen_g: _Amount | None = None
    soil_kg: _Amount | None = None
    turns_per_week: _Amount | None = None
    urea_g: _Amount | None = None
    manure_kg: _Amount | None = None
    char_kg: _Amount | None = None


AMOUNTS = tuple(name for name in TreatmentPart.model_fields if name not in ("name", "role", "factors"))


def settings_model(outcome: str) -> type[Part]:
    """The model of ``[outcome.NAME]``: exactly the keys of ``SETTINGS``, each with its kind of value."""
    fields: dict[str, Any] = {
        "from_" if key == "from" else key: (
            SETTING_KINDS.get((outcome, key), SETTING_KINDS.get(key)) | None,
            Field(None, alias=key),
        )
        for key in SETTINGS[outcome]
    }
    return create_model(f"Settings_{outcome}", __base__=Part, **fields)


class ClaimPart(Part):
    """[[claim]]"""

    text: _Name
    treatment: _Name
    against: _Name | None = None
    outcome: _Name
    times_as_fast: _Positive | None = None
    at_least: _Positive | None = None
    at_least_ratio: _Positive | None = None
    within_days: _Positive | None = None
    family: Literal["all", "claim only"] = "all"
    equivalence: Annotated[list[_Finite], Field(min_length=2, max_length=2)] | None = None


class FinishPart(Part):
    """[finish]; every key beside ``rule`` is one condition of "all of"."""

    rule: Literal["as recorded", "all of"] = "as recorded"
    reheating_at_most_c: _Positive | None = None
    days_after_turning: _Positive | None = None
    appearance_at_least: _Score | None = None
    odour_at_least: _Score | None = None
    germination_at_least_pct: _Positive | None = None
    cn_at_most: _Positive | None = None
    moisture_at_least_pct: _Share | None = None
    finished: bool | None = None


class TrialPart(Part):
    """The whole file."""

    title: str = ""
    question: str = ""
    start: datetime.date | None = None
    stated_on: datetime.date | None = None
    control: _Name
    comparisons: Literal["with control", "all pairs"] = "with control"
    primary: str | None = None
    secondary: list[str] = []
    level: Annotated[float, Field(ge=0.5, lt=1)] = 0.95
    materials: list[Material] = []
    pupils: bool = False
    layout: LayoutPart | None = None
    treatment: list[TreatmentPart] = []
    outcome: dict[str, dict[str, Any]] = {}
    claim: list[ClaimPart] = []
    finish: FinishPart | None = None
