"""The names of all outcomes, with the direction one would wish for and the scale of analysis.

On the floor because the gate must know which names a plan may use and the bench must measure them. ``better`` is +1
where more is as one would wish, -1 where less is, 0 where neither; ``scale`` "log" means that the effect is a ratio.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

OUTCOMES: Mapping[str, tuple[Literal[-1, 0, 1], Literal["identity", "log"]]] = {
    "decay_rate": (1, "log"),
    "days_to_threshold": (-1, "log"),
    "days_to_finish": (-1, "log"),
    "volume_loss_pct": (1, "identity"),
    "dry_matter_loss_pct": (1, "identity"),
    "organic_matter_loss_pct": (1, "identity"),
    "carbon_loss_pct": (1, "identity"),
    "nitrogen_loss_pct": (-1, "identity"),
    "wet_mass_kg": (-1, "log"),
    "dry_mass_kg": (-1, "log"),
    "cn_ratio": (-1, "log"),
    "cn_ratio_change": (-1, "identity"),
    "carbon_pct": (0, "identity"),
    "nitrogen_pct": (0, "identity"),
    "moisture_pct": (0, "identity"),
    "ph": (0, "identity"),
    "ec_ds_m": (0, "log"),
    "degree_days": (0, "identity"),
    "hours_above_40": (0, "identity"),
    "hours_above_45": (0, "identity"),
    "hours_above_55": (0, "identity"),
    "peak_temp_c": (0, "identity"),
    "days_to_peak": (0, "identity"),
    "germination_pct": (1, "identity"),
    "germination_index_pct": (1, "log"),
    "appearance_score": (1, "identity"),
    "odour_score": (1, "identity"),
}

# Steps, not amounts: only the order of two bins is used.
SCORES = frozenset({"appearance_score", "odour_score"})

_HEAT = ("degree_days", "hours_above_40", "hours_above_45", "hours_above_55", "peak_temp_c", "days_to_peak")
_BY_MASS = ("mass_sd_kg", "moisture_sd_points")
# the keys that the table of an outcome may hold in a trial file
SETTINGS: Mapping[str, tuple[str, ...]] = {
    **{name: ("day",) for name in OUTCOMES},
    "decay_rate": ("from", "end_level"),
    "days_to_threshold": ("from", "percent_of_start", "percent_of_achievable"),
    "days_to_finish": (),
    "dry_matter_loss_pct": ("day", *_BY_MASS),
    "dry_mass_kg": ("day", *_BY_MASS),
    "organic_matter_loss_pct": ("day", "from", "start_ash_sd_points", "ash_sd_points", *_BY_MASS),
    "carbon_loss_pct": ("day", "from"),
    "nitrogen_loss_pct": ("day", "from"),
    **{name: ("day", "max_gap_days") for name in _HEAT},
}
