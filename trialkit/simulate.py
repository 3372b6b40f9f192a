"""Trials with a known truth, for teaching, planning and for testing this toolkit itself.

Everything made here is invented. A bin decays as V(t) = V∞ + (V₀ − V∞)·exp(−k·t), with k log-normal between blocks,
between whole plots and between bins; volume, mass, moisture, temperature and C:N are read with error from that one
course, so that they agree with each other.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Protocol

import numpy as np

from trialkit.errors import DesignError
from trialkit.numerics.log_normal import sd_log_of
from trialkit.records import Bin, Plan


@dataclass(frozen=True)
class Truth:
    """What is true in an invented trial.

    ``rate_per_day`` maps each treatment to its median k (1/day). The CVs are between blocks, between the whole plots
    of a block where there are any, between the bins of a block or whole plot, and of one volume reading. ``end_share``
    is V∞/V₀ with its SD between bins; ``carbon_lost`` the share of the carbon that goes once decay is complete,
    ``nitrogen_lost`` the same for nitrogen.
    """

    rate_per_day: Mapping[str, float]
    block_cv: float = 0.10
    whole_plot_cv: float = 0.0
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
    courses = _draw_courses(bins, truth, random)
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


def _draw_courses(
    bins: Sequence[Bin], truth: Truth, random: np.random.Generator
) -> dict[str, tuple[float, float, float]]:
    """Rate (1/day), share of the volume at the end, and filling (share of the start volume) of every bin."""
    blocks = {bin_.block for bin_ in bins}
    block_effect = {block: random.normal(0.0, sd_log_of(truth.block_cv)) for block in sorted(blocks, key=str)}
    # without whole plots nothing is drawn, so that the same seed still gives the same trial
    plots = {(bin_.block, bin_.whole_plot) for bin_ in bins if bin_.whole_plot is not None}
    plot_effect = {plot: random.normal(0.0, sd_log_of(truth.whole_plot_cv)) for plot in sorted(plots, key=str)}
    courses = {}
    for bin_ in bins:
        rate = truth.rate_per_day[bin_.treatment] * np.exp(
            block_effect[bin_.block]
            + plot_effect.get((bin_.block, bin_.whole_plot), 0.0)
            + random.normal(0.0, sd_log_of(truth.bin_cv))
        )
        end = truth.end_share + random.normal(0.0, truth.end_share_sd)
        courses[bin_.bin] = (float(rate), float(end), float(random.normal(1.0, 0.01)))
    return courses


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


# ---------------------------------------------------------------- a whole planned trial, filled in
MARK = "invented"
CONTROL_RATE = 0.045
# of the decay constant, between the bins of a block: a guess of common practice, 15 to 25 %. Between blocks and
# between whole plots: judgement, for places differ less than fillings do; no published value is known
BIN_CV, BLOCK_CV, WHOLE_PLOT_CV = 0.15, 0.10, 0.10
_BULK_KG_L = 0.21


class Planned(Protocol):
    """What ``simulate_trial`` needs of a planned trial: ``bins`` with their true treatments, and the texts of
    ``bins.csv`` and ``readings.csv`` by these names; of ``trial.toml`` too, where the plan stands there."""

    @property
    def plan(self) -> Plan: ...
    @property
    def bins(self) -> Sequence[Bin]: ...
    @property
    def files(self) -> Mapping[str, bytes]: ...


@dataclass(frozen=True)
class PlannedFolder:
    """A planned folder read back: the files of ``Planned`` and what they say."""

    plan: Plan
    bins: tuple[Bin, ...]
    files: Mapping[str, bytes]


@dataclass(frozen=True)
class InventedTrial:
    """``files`` to put over those of the plan, each marked as invented, as its new ``title`` is; ``truth`` behind them;
    the bin that was "lost" on which day, or None."""

    files: Mapping[str, bytes]
    title: str
    truth: Truth
    lost: tuple[str, float] | None


def suppose_truth(plan: Plan, times_as_fast: float, capacity_l: float | None = None) -> Truth:
    """A truth in which the claimed treatment decays so many times as fast as the control.

    Without a claim it is every live treatment, and without one every treatment but the control. A killed or carrier
    arm gets the square root, for half of the effect would come with the carrier; the others equal the control.
    """
    if not 0.05 <= times_as_fast <= 20:
        raise DesignError(f"found a true ratio of {times_as_fast:g}; expected 0.05 to 20, 1 for no effect at all.")
    others = [item for item in plan.treatments if item.name != plan.control]
    faster = {claim.treatment for claim in plan.claims} - {plan.control}
    faster = faster or {item.name for item in others if item.role == "live"} or {item.name for item in others}
    rates = {}
    for item in plan.treatments:
        ratio = times_as_fast if item.name in faster else 1.0
        if item.role in ("killed", "carrier") and item.name not in faster and item.name != plan.control:
            ratio = times_as_fast**0.5
        rates[item.name] = CONTROL_RATE * ratio
    volume = 200.0 if capacity_l is None else 0.9 * capacity_l
    return Truth(
        rates,
        block_cv=BLOCK_CV,
        whole_plot_cv=WHOLE_PLOT_CV,
        bin_cv=BIN_CV,
        start_volume_l=volume,
        start_wet_mass_kg=_BULK_KG_L * volume,
    )


def simulate_trial(
    planned: Planned, truth: Truth | float, seed: int, *, missed_share: float = 0.03, lose_a_bin: bool = True
) -> InventedTrial:
    """Fill the readings of a planned trial with invented numbers whose truth is known.

    ``truth`` is a ``Truth`` or how many times as fast the claimed treatment is. ``missed_share`` of the bins' visits
    after the first stay empty, and one bin is lost part of the way where ``lose_a_bin``. Raises DesignError where the
    readings hold measurements already.
    """
    heads, rows = _table(planned.files["readings.csv"])
    _refuse_measured(heads, rows)
    bins = tuple(planned.bins)
    capacity = min((bin_.starts["capacity_l"] for bin_ in bins if "capacity_l" in bin_.starts), default=None)
    if not isinstance(truth, Truth):
        truth = suppose_truth(planned.plan, truth, capacity)
    days = [_day(dict(zip(heads, row, strict=False)), planned.plan.start) for row in rows]
    visits = sorted(set(days))
    chance = np.random.default_rng([seed, 1])  # a stream of its own: the courses stay those of simulate_readings
    lost = _lose(bins, visits, chance) if lose_a_bin and len(visits) > 2 else None
    missed = [
        (bin_.bin, day)
        for bin_ in bins
        for day in visits
        if (day > visits[0] and chance.random() < missed_share)
        or (lost is not None and bin_.bin == lost[0] and day > lost[1])
    ]
    truth = replace(truth, missed=missed)
    courses = _draw_courses(bins, truth, np.random.default_rng(seed))
    read = {
        (cells["bin"], float(cells["day"])): cells
        for cells in simulate_readings(bins, visits, truth, seed, weigh_on=visits)
    }
    heads = heads if "note" in heads else [*heads, "note"]
    finish_at = {bin_.bin: float(chance.normal(0.88, 0.02)) for bin_ in bins}
    filled = []
    for row, day in zip(rows, days, strict=True):
        name = row[heads.index("bin")]
        cells = dict(zip(heads, row, strict=False))
        if (name, day) not in missed:
            rate = courses[name][0]
            more = _read_more(1.0 - float(np.exp(-rate * day)), day, read[name, day], finish_at[name], truth, chance)
            known = read[name, day] | more
            cells |= {head: known[head] for head in heads if head in known and head not in ("bin", "day", "date")}
            cells["note"] = MARK
        filled.append([cells.get(head, "") for head in heads])
    texts = {
        "readings.csv": _csv(heads, filled),
        "bins.csv": _mark_bins(planned.files["bins.csv"], lost),
        "INVENTED.txt": _card(planned.plan, truth, seed, lost, len(missed)),
    }
    title = f"Invented: {planned.plan.title}" if planned.plan.title else "Invented trial"
    if "trial.toml" in planned.files:
        texts["trial.toml"], title = _mark_trial(planned.files["trial.toml"].decode("utf-8-sig"), planned.plan.title)
    return InventedTrial({name: text.encode() for name, text in texts.items()}, title, truth, lost)


def _read_more(
    done: float, day: float, cells: Mapping[str, str], finish_at: float, truth: Truth, random: np.random.Generator
) -> dict[str, str]:
    """The columns that ``simulate_readings`` does not know, from how far decay has come (``done``, 0 to 1)."""
    noise = random.normal(size=10)
    lost = 2.05 * truth.start_carbon_pct / 100.0 * truth.carbon_lost * done  # share of the dry matter
    score = np.clip(np.round(5.0 * done + 0.4 * noise[:2]), 0, 5)
    return {
        "height_cm": f"{90.0 * float(cells['volume_l']) / truth.start_volume_l * (1 + 0.004 * noise[2]):.1f}",
        "ash_pct": f"{8.0 / (1.0 - lost) * np.exp(0.03 * noise[3]):.1f}",
        "cn_ratio": f"{float(cells['carbon_pct']) / float(cells['nitrogen_pct']):.1f}",
        "respired_c_g_kg": f"{10.0 * truth.start_carbon_pct * truth.carbon_lost * done:.1f}",
        "ph": f"{6.2 + 1.6 * done + 0.12 * noise[4]:.1f}",
        "ec_ds_m": f"{1.6 * (1 + 0.7 * done) * np.exp(0.06 * noise[5]):.2f}",
        "finished": "yes" if done > finish_at else "no",
        "appearance_score": f"{score[0]:.0f}",
        "odour_score": f"{score[1]:.0f}",
        "rater": "R1",
        "germination_pct": f"{np.clip(45 + 50 * done + 5 * noise[6], 1, 110):.0f}",
        "seedlings_pct": f"{np.clip(40 + 50 * done + 5 * noise[7], 1, 110):.0f}",
        "root_length_pct": f"{np.clip(35 + 60 * done + 6 * noise[8], 1, 130):.0f}",
        "self_heating_rise_c": f"{np.clip(45.0 * (1.0 - done) + 2.0 * noise[9], 0.0, 50.0):.1f}",
        "turned": "yes" if day > 0 else "no",
    }


def _lose(bins: Sequence[Bin], visits: Sequence[float], random: np.random.Generator) -> tuple[str, float]:
    bin_ = bins[int(random.integers(len(bins)))]
    return bin_.bin, visits[int(0.6 * (len(visits) - 1))]


def _table(raw: bytes) -> tuple[list[str], list[list[str]]]:
    rows = [row for row in csv.reader(io.StringIO(raw.decode("utf-8-sig"))) if any(cell.strip() for cell in row)]
    return rows[0], rows[1:]


def _refuse_measured(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    for line, row in enumerate(rows, start=2):
        for head, cell in zip(heads, row, strict=False):
            if head not in ("bin", "day", "date") and cell.strip():
                raise DesignError(
                    f'readings.csv, line {line}, {head}: found "{cell.strip()}"; expected a planned trial without '
                    "readings. Invented numbers are never put over measured ones: plan a folder for practice."
                )


def _day(cells: Mapping[str, str], start: date | None) -> float:
    if cells.get("day"):
        return float(cells["day"])
    if start is None:
        raise DesignError("readings.csv gives dates and trial.toml no start; expected start = a date in trial.toml.")
    return float((date.fromisoformat(cells["date"]) - start).days)


def _csv(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([heads, *rows])
    return text.getvalue()


def _mark_bins(raw: bytes, lost: tuple[str, float] | None) -> str:
    heads, rows = _table(raw)
    heads = [*heads, *(name for name in ("lost_on_day", "lost_reason", "note") if name not in heads)]
    marked = []
    for row in rows:
        cells = dict(zip(heads, row, strict=False)) | {"note": MARK}
        if lost is not None and cells["bin"] == lost[0]:
            cells |= {"lost_on_day": f"{lost[1]:g}", "lost_reason": f"{MARK}: tipped over in a storm"}
        marked.append([cells.get(head, "") for head in heads])
    return _csv(heads, marked)


def _mark_trial(text: str, title: str) -> tuple[str, str]:
    """The trial file with a comment and a title that say so, and the title; one typed in an unusual way stays."""
    head = "# INVENTED: nobody filled these bins, the readings were drawn by a computer.\n"
    if not title:
        text = re.sub(r"""^title\s*=\s*(""|'')[^\n]*\n""", "", text, count=1, flags=re.MULTILINE)
        return head + 'title = "Invented trial"\n' + text, "Invented trial"
    marked, times = re.subn(r"""^(title\s*=\s*["'])(?!["'])""", r"\g<1>Invented: ", text, count=1, flags=re.MULTILINE)
    return head + marked, f"Invented: {title}" if times else title


def _card(plan: Plan, truth: Truth, seed: int, lost: tuple[str, float] | None, missed: int) -> str:
    base = truth.rate_per_day.get(plan.control or "", CONTROL_RATE)
    rates = "\n".join(
        f"  {name}: k = {rate:.4f} per day, {rate / base:.3g} times the control"
        for name, rate in truth.rate_per_day.items()
    )
    split = plan.layout.kind == "split plot"
    plots = f"whole plots of a block with {100 * truth.whole_plot_cv:g} %, " if split else ""
    inner = "whole plot" if split else "block"
    gone = "No bin was lost." if lost is None else f"Bin {lost[0]} was lost after day {lost[1]:g}."
    return (
        "INVENTED\n\nNobody filled these bins. The readings were drawn by a computer, to practise on and to hold the "
        f"report against the truth.\n\nSeed {seed}. Median decay rates:\n{rates}\nBlocks differ with a CV of "
        f"{100 * truth.block_cv:g} %, {plots}bins of a {inner} with {100 * truth.bin_cv:g} %, a volume reading errs "
        "by "
        f"{100 * truth.reading_cv:g} %. The volume ends at {100 * truth.end_share:g} % of the start in "
        "every arm, give or "
        f"take {100 * truth.end_share_sd:g} points.\n{missed} readings of a bin were missed. {gone}\n"
    )
