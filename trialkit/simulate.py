"""Trials with a known truth, for teaching, planning and for testing this toolkit itself.

Everything made here is invented. A bin decays as V(t) = V∞ + (V₀ − V∞)·exp(−k·t), with k log-normal between blocks and
between bins; volume, mass, moisture, temperature and C:N are read with error from that one course, so that they agree
with each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trialkit.records import Bin


@dataclass(frozen=True)
class Truth:
    """What is true in an invented trial.

    ``rate_per_day`` maps each treatment to its median k (1/day). The CVs are between blocks, between the bins of a
    block, and of one volume reading. ``end_share`` is V∞/V₀ with its SD between bins; ``carbon_lost`` the share of the
    carbon that goes once decay is complete, ``nitrogen_lost`` the same for nitrogen.
    """

    rate_per_day: Mapping[str, float]
    block_cv: float = 0.10
    bin_cv: float = 0.08
    reading_cv: float = 0.012
    end_share: float = 0.42
    end_share_sd: float = 0.015
    carbon_lost: float = 0.55
    nitrogen_lost: float = 0.12
    start_volume_l: float = 200.0
    start_wet_mass_kg: float = 42.0
    start_moisture_pct: float = 56.0
    start_carbon_pct: float = 46.0
    start_cn_ratio: float = 38.0
    ambient_c: float = 14.0
    heat_c: float = 26.0
    missed: Sequence[tuple[str, float]] = field(default_factory=tuple)


def simulate_readings(
    bins: Sequence[Bin], days: Sequence[float], truth: Truth, seed: int, weigh_on: Sequence[float] = ()
) -> list[dict[str, str]]:
    """Readings of every bin at every visit, as rows of template text cells, visits in order and bins within visits.

    ``days`` are counted from the start; on ``weigh_on`` days (a subset) mass, moisture, carbon and nitrogen are read
    too. (bin, day) pairs in ``truth.missed`` leave their cells empty. Raises KeyError for a treatment without a rate.
    """
    random = np.random.default_rng(seed)
    blocks = {bin_.block for bin_ in bins}
    block_effect = {block: random.normal(0.0, _log_sd(truth.block_cv)) for block in sorted(blocks, key=str)}
    courses = {}
    for bin_ in bins:
        rate = truth.rate_per_day[bin_.treatment] * np.exp(
            block_effect[bin_.block] + random.normal(0.0, _log_sd(truth.bin_cv))
        )
        end = truth.end_share + random.normal(0.0, truth.end_share_sd)
        courses[bin_.bin] = (float(rate), float(end), float(random.normal(1.0, 0.01)))
    weather = truth.ambient_c + np.cumsum(random.normal(0.0, 1.2, size=len(days))) * 0.5
    rows = []
    for visit, day in enumerate(days):
        for bin_ in bins:
            rate, end, fill = courses[bin_.bin]
            row = {"bin": bin_.bin, "day": f"{day:g}"}
            if (bin_.bin, day) not in truth.missed:
                row |= _read(day, rate, end, fill, float(weather[visit]), truth, random, day in weigh_on)
            rows.append(row)
    return rows


def _read(
    day: float,
    rate: float,
    end: float,
    fill: float,
    ambient: float,
    truth: Truth,
    random: np.random.Generator,
    weighed: bool,
) -> dict[str, str]:
    done = 1.0 - np.exp(-rate * day)
    volume = truth.start_volume_l * fill * (1.0 - (1.0 - end) * done) * np.exp(random.normal(0.0, truth.reading_cv))
    # heat follows the rate of decay, delayed by a day or two of warming up
    heat = truth.heat_c * (rate / 0.04) * np.exp(-rate * day) * (1.0 - np.exp(-(day + 0.3) / 1.5))
    cells = {
        "core_temp_c": f"{ambient + heat + random.normal(0.0, 1.2):.1f}",
        "ambient_temp_c": f"{ambient:.1f}",
        "volume_l": f"{volume:.0f}",
    }
    if weighed:
        carbon_kept = 1.0 - truth.carbon_lost * done
        dry_start = truth.start_wet_mass_kg * fill * (1.0 - truth.start_moisture_pct / 100.0)
        carbon_start = dry_start * truth.start_carbon_pct / 100.0
        dry = dry_start - 2.05 * carbon_start * truth.carbon_lost * done  # dry matter goes with its carbon
        moisture = truth.start_moisture_pct + 3.0 * done + random.normal(0.0, 1.0)
        carbon_pct = 100.0 * carbon_start * carbon_kept / dry * np.exp(random.normal(0.0, 0.015))
        nitrogen = carbon_start / truth.start_cn_ratio * (1.0 - truth.nitrogen_lost * done)
        nitrogen_pct = 100.0 * nitrogen / dry * np.exp(random.normal(0.0, 0.03))
        cells |= {
            "wet_mass_kg": f"{dry / (1.0 - moisture / 100.0) + random.normal(0.0, 0.15):.1f}",
            "moisture_pct": f"{moisture + random.normal(0.0, 0.7):.1f}",
            "carbon_pct": f"{carbon_pct:.1f}",
            "nitrogen_pct": f"{nitrogen_pct:.2f}",
        }
    return cells


def _log_sd(cv: float) -> float:
    """The SD on the log scale of a log-normal quantity with this coefficient of variation."""
    return float(np.sqrt(np.log1p(cv**2)))
