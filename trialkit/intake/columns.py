"""The catalogue of template columns: name, kind, unit, range and meaning of each, and the units they may also come in.

``hard`` bounds mark the impossible (an error), ``soft`` bounds the unlikely (a warning that stays in the analysis).
The ranges are common practice of the trade. Everything else in this room, and the published table schema, is made
from this catalogue.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Kind = Literal["name", "text", "number", "amount", "yes-no", "score", "day", "date"]
FileKind = Literal["bins", "readings"]

MOST_DAYS = 3650.0
MOST_MASS_OR_VOLUME = 100_000.0
MOST_LENGTH = 1_000.0


@dataclass(frozen=True)
class Bounds:
    """A range in the template unit. An open end excludes its own value."""

    low: float
    high: float
    low_open: bool = False
    high_open: bool = False


@dataclass(frozen=True)
class Column:
    """One template column. ``unit`` is empty where a number has none; ``soft`` None where nothing is unlikely."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    hard: Bounds | None = None
    soft: tuple[float, float] | None = None
    required: bool = False

    @property
    def holds_numbers(self) -> bool:
        """Whether a cell is a number with a range."""
        return self.kind in ("number", "amount", "score", "day")


@dataclass(frozen=True)
class Heading:
    """A heading as it may stand in a file: the column it fills, and ``template = factor * typed + offset``."""

    column: Column
    unit: str
    factor: float = 1.0
    offset: float = 0.0


# ---------------------------------------------------------------- ranges
_POSITIVE = Bounds(0, MOST_MASS_OR_VOLUME, low_open=True)
_AMOUNT = Bounds(0, MOST_MASS_OR_VOLUME)
_MOISTURE = Bounds(0, 100, high_open=True)
_SHARE = Bounds(0, 100)
_DAYS = Bounds(0, MOST_DAYS)
# carbon above 60 % and nitrogen above 20 % of dry mass do not occur without char, urea or the like: see rules.py
_CARBON = Bounds(0, 100)
_NITROGEN = Bounds(0, 50)

_DRY = "% of dry mass"


def _number(
    name: str, meaning: str, unit: str, hard: Bounds, soft: tuple[float, float] | None = None, kind: Kind = "number"
) -> Column:
    return Column(name, kind, meaning, unit, hard, soft)


_INF = float("inf")

BINS: tuple[Column, ...] = (
    Column("bin", "name", "Name of the bin, the thing that got one treatment; unique in a trial.", required=True),
    Column("treatment", "name", "What the bin got, in the words of the trial file.", required=True),
    Column("block", "name", "Bins alike in place, fill or team, in which treatments were drawn by lot."),
    Column("site", "name", "Where the bin stands, in a trial of several sites."),
    Column("whole_plot", "name", "Group of bins that share the treatment set per whole plot (split plot)."),
    Column("row", "name", "Row of a Latin square."),
    Column("column", "name", "Column of a Latin square."),
    Column("start_date", "date", "Day 0 of this bin, where it differs from the start of the trial."),
    _number("capacity_l", "Volume of the empty bin up to the brim.", "L", _POSITIVE),
    _number("start_wet_mass_kg", "Wet mass filled in at the start.", "kg", _POSITIVE),
    _number("start_moisture_pct", "Water at the start.", "% of wet mass", _MOISTURE, (30, 70)),
    _number("start_volume_l", "Volume filled in at the start.", "L", _POSITIVE),
    _number("start_ash_pct", "Ash at the start, of the whole mix.", _DRY, _SHARE),
    _number("start_carbon_pct", "Total carbon at the start.", _DRY, _CARBON),
    _number("start_nitrogen_pct", "Total nitrogen at the start.", _DRY, _NITROGEN, (-_INF, 6)),
    _number("lost_on_day", "Day from which the bin no longer counts; readings up to it do.", "days", _DAYS, kind="day"),
    Column("lost_reason", "text", "Why the bin was lost."),
    Column("code", "text", "Code on the bin, for readers who must not know the treatment."),
    Column("note", "text", "Anything else about the bin."),
)

READINGS: tuple[Column, ...] = (
    Column("bin", "name", "Name of the bin.", required=True),
    _number("day", "Day of the visit, counted from the start.", "days", _DAYS, kind="day"),
    Column("date", "date", "Date of the visit (2026-10-31), in place of the day."),
    _number("core_temp_c", "Temperature in the core of the bin.", "°C", Bounds(-30, 95), (-_INF, 70)),
    _number("ambient_temp_c", "Air temperature in the shade at the same time.", "°C", Bounds(-60, 60)),
    _number("height_cm", "Height of the fill.", "cm", Bounds(0, MOST_LENGTH, low_open=True)),
    _number("volume_l", "Volume of the fill.", "L", _POSITIVE),
    _number("wet_mass_kg", "Wet mass of what is in the bin.", "kg", _POSITIVE),
    _number("moisture_pct", "Water.", "% of wet mass", _MOISTURE, (30, 70)),
    _number("ash_pct", "Ash.", _DRY, _SHARE),
    _number("carbon_pct", "Total carbon.", _DRY, _CARBON),
    _number("nitrogen_pct", "Total nitrogen.", _DRY, _NITROGEN, (-_INF, 6)),
    _number("cn_ratio", "Carbon-to-nitrogen ratio.", "", Bounds(3, 1000), (8, 100)),
    _number("respired_c_g_kg", "Carbon respired since the start, cumulative.", "g per kg", Bounds(0, 1000)),
    _number("ph", "pH of a water slurry.", "", Bounds(2, 12), (5, 9.2)),
    _number("ec_ds_m", "Electrical conductivity of a water slurry.", "dS/m", Bounds(0, 60), (-_INF, 10)),
    Column("finished", "yes-no", "Whether the bin met the written finish rule at this visit."),
    _number("appearance_score", "Look, 0 far from compost to 5 compost.", "", Bounds(0, 5), kind="score"),
    _number("odour_score", "Smell, 0 far from compost to 5 compost.", "", Bounds(0, 5), kind="score"),
    Column("rater", "name", "Who judged the scores and the finish."),
    _number("germination_pct", "Seeds germinated, of the water blank.", "%", Bounds(0, 1000), (-_INF, 220)),
    _number("seedlings_pct", "Seedlings standing, of the water blank.", "%", Bounds(0, 1000), (-_INF, 220)),
    _number("root_length_pct", "Root length, of the water blank.", "%", Bounds(0, 1000), (-_INF, 220)),
    _number(
        "self_heating_rise_c",
        "Highest rise above the air around it, of moist compost in an insulated flask.",
        "°C",
        Bounds(-5, 65),
        (0, 50),
    ),
    _number("water_added_l", "Water added at this visit.", "L", _AMOUNT, kind="amount"),
    Column("turned", "yes-no", "Whether the bin was turned at this visit, after the readings."),
    _number("sample_removed_kg", "Wet mass taken out as samples.", "kg", _AMOUNT, kind="amount"),
    _number("added_wet_mass_kg", "Wet mass of matter added at this visit.", "kg", _AMOUNT, kind="amount"),
    _number("added_moisture_pct", "Water in the matter added.", "% of wet mass", _SHARE, kind="amount"),
    _number("added_ash_pct", "Ash in the matter added.", _DRY, _SHARE, kind="amount"),
    _number("added_carbon_pct", "Carbon in the matter added.", _DRY, _CARBON, kind="amount"),
    _number("added_nitrogen_pct", "Nitrogen in the matter added.", _DRY, _NITROGEN, kind="amount"),
    Column("note", "text", "Anything else about the visit."),
)

# bin columns that readings may carry where no bins file came with them
CARRIED = ("treatment", "block", "site", "whole_plot", "row", "column")

# suffix of the template unit -> suffix typed instead -> (unit, factor, offset); US gallon, international inch and pound
OTHER_UNITS: Mapping[str, Mapping[str, tuple[str, float, float]]] = {
    "_temp_c": {"_temp_f": ("°F", 5 / 9, -160 / 9)},
    "_rise_c": {"_rise_f": ("°F", 5 / 9, 0.0)},  # a difference of temperatures: its zero is the same in both
    "_l": {"_gal": ("gal", 3.785411784, 0.0), "_ft3": ("ft³", 28.316846592, 0.0), "_m3": ("m³", 1000.0, 0.0)},
    "_cm": {"_in": ("in", 2.54, 0.0)},
    "_kg": {"_lb": ("lb", 0.45359237, 0.0), "_g": ("g", 0.001, 0.0)},
}


def columns_of(kind: FileKind, *, with_bins: bool = True) -> tuple[Column, ...]:
    """The columns a file may have. Readings without a bins file (``with_bins`` False) carry the bins' columns too."""
    if kind == "bins":
        return BINS
    carried = tuple(column for column in BINS if column.name in CARRIED)
    if not with_bins:
        return READINGS + carried
    return READINGS + tuple(Column(c.name, c.kind, c.meaning) for c in carried)


def headings_of(columns: tuple[Column, ...]) -> dict[str, Heading]:
    """Every heading that fills one of ``columns``: its own name first, then its name in other units."""
    headings = {column.name: Heading(column, column.unit) for column in columns}
    for column in columns:
        for suffix, others in OTHER_UNITS.items():
            # a name that also ends in another unit's suffix (g_kg) is a ratio, not a mass
            if column.holds_numbers and column.name.endswith(suffix) and not column.name.endswith("_g_kg"):
                for other, (unit, factor, offset) in others.items():
                    name = column.name.removesuffix(suffix) + other
                    headings.setdefault(name, Heading(column, unit, factor, offset))
    return headings


def show_number(value: float) -> str:
    """A bound or a reading in a sentence: up to six significant digits, thousands set apart."""
    text = f"{value:.6g}"
    if "e" not in text and abs(value) >= 1000:
        whole, _, rest = text.partition(".")
        return f"{int(whole):,}".replace(",", " ") + (f".{rest}" if rest else "")
    return text
