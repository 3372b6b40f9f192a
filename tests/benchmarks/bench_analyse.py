"""The whole way from readings to verdicts beside one general-purpose mixed fit per outcome, in processor time.

Run by hand: ``python tests/benchmarks/bench_analyse.py [rounds]``. The trial is invented: 40 bins, ten blocks of four
treatments, 3,000 readings a bin from a logger (every hour, 125 days), twelve outcomes. Our side starts
from the trial in memory, as the other does: bin values, fits, comparisons, the layout drawn again, every bin and block
left out, the other scale, verdicts. The other side is statsmodels' MixedLM of the same readings, one column an outcome,
treatment × day fixed and bins random, fitted once each. Sides in turn, the least of some rounds; exit 1 above 5 times.
Printed beside them, not compared: the same fits of one value a bin, which read no readings.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import statsmodels.api as sm

from trialkit.outcomes import bin_values
from trialkit.records import Bin, Claim, Layout, Plan, Readings, Source, Treatment, Trial, read_only
from trialkit.workflow import analyse

ALLOWED = 5.0
ARMS = ("nothing", "water only", "killed starter", "live starter")
RATES = dict(zip(ARMS, (0.030, 0.036, 0.041, 0.045), strict=True))
BINS, READINGS = 40, 3000
# outcome, the column the other side fits
OUTCOMES = {
    "decay_rate": "volume_l",
    "days_to_threshold": "volume_l",
    "volume_loss_pct": "volume_l",
    "wet_mass_kg": "wet_mass_kg",
    "moisture_pct": "moisture_pct",
    "ph": "ph",
    "ec_ds_m": "ec_ds_m",
    "cn_ratio": "cn_ratio",
    "degree_days": "core_temp_c",
    "hours_above_45": "core_temp_c",
    "peak_temp_c": "core_temp_c",
    "days_to_peak": "core_temp_c",
}
ON_A_DAY = ("volume_loss_pct", "wet_mass_kg", "moisture_pct", "ph", "ec_ds_m", "cn_ratio")


def invent(seed: int = 20) -> Trial:
    """40 bins with 3,000 readings each, every column at every reading."""
    draw = np.random.default_rng(seed)
    blocks = [str(number) for number in range(1, BINS // len(ARMS) + 1)]
    bins = tuple(Bin(f"B{b}{a[0]}", a, block=b) for b in blocks for a in ARMS)
    shift = np.repeat(draw.normal(0, 0.10, len(blocks)), len(ARMS)) + draw.normal(0, 0.06, BINS)
    rate = np.array([RATES[item.treatment] for item in bins]) * np.exp(shift)
    day = np.round(np.linspace(0, 125, READINGS), 4)
    gone = 1.0 - np.exp(-rate[:, None] * day)

    def noise(scale: float) -> np.ndarray:
        return draw.normal(0, scale, gone.shape)

    ambient = np.broadcast_to(12 + 5 * np.sin(2 * np.pi * day), gone.shape)
    heat = 40 * (rate[:, None] / 0.04) * (1 - gone) * (1 - np.exp(-(day + 0.3) / 1.5))
    columns = {
        "volume_l": 200 * (1 - 0.6 * gone) * np.exp(noise(0.01)),
        "wet_mass_kg": 42 * (1 - 0.5 * gone) * np.exp(noise(0.01)),
        "moisture_pct": 55 + 3 * gone + noise(1.0),
        "ph": 6.5 + 1.4 * gone + noise(0.1),
        "ec_ds_m": 1.6 * (1 + 0.6 * gone) * np.exp(noise(0.05)),
        "cn_ratio": 40 * (1 - 0.5 * gone) * np.exp(noise(0.03)),
        "core_temp_c": np.minimum(ambient + heat + noise(0.5), 90.0),
        "ambient_temp_c": ambient,
    }
    rows = BINS * READINGS
    readings = Readings(
        read_only(np.repeat(np.arange(BINS), READINGS)),
        read_only(np.tile(day, BINS)),
        {name: read_only(np.ascontiguousarray(value).ravel()) for name, value in columns.items()},
        read_only(np.zeros(rows, dtype=np.intp)),
        read_only(np.arange(2, rows + 2)),
        read_only(np.arange(rows)),
    )
    last = float(day[READINGS // 2])
    settings = {name: {} for name in OUTCOMES} | {name: {"day": last} for name in ON_A_DAY}
    settings["decay_rate"] = {"from": "volume_l", "end_level": "own"}
    settings["days_to_threshold"] = {"from": "volume_l", "percent_of_start": 60}
    plan = Plan(
        "water only",
        start=date(2026, 4, 1),
        stated_on=date(2026, 3, 1),
        primary="decay_rate",
        secondary=tuple(name for name in OUTCOMES if name != "decay_rate"),
        layout=Layout("blocks"),
        treatments=tuple(Treatment(name) for name in ARMS),
        outcome_settings=settings,
        claims=(Claim("Twice as fast.", "live starter", "water only", "decay_rate", "times_as_fast", 2.0),),
        stated_before_data=True,
    )
    return Trial("invented", plan, bins, readings, (), (Source("readings.csv", "0" * 64, rows),), rows, rows)


def ours(trial: Trial) -> None:
    found = {answer.name for answer in analyse(trial).answers}
    if not found >= set(OUTCOMES):
        raise SystemExit(f"not all outcomes were answered: {sorted(set(OUTCOMES) - found)}")


def theirs(trial: Trial) -> None:
    where = trial.readings.bin
    frame = pd.DataFrame({name: trial.readings.columns[name] for name in set(OUTCOMES.values())})
    frame["bin"], frame["day"] = where, trial.readings.day
    frame["treatment"] = np.array([item.treatment for item in trial.bins])[where]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for column in OUTCOMES.values():
            sm.MixedLM.from_formula(f"{column} ~ C(treatment) * day", frame, groups="bin").fit(reml=True)


def theirs_on_bins(trial: Trial) -> None:
    """The fits alone, of bin values that our own side has measured before the clock starts."""
    for frame in measured_bins(trial):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sm.MixedLM.from_formula("value ~ C(treatment)", frame, groups="block").fit(reml=True)


@cache
def measured_bins(trial: Trial) -> tuple[pd.DataFrame, ...]:
    measured = (bin_values(trial, name) for name in OUTCOMES)
    frames = (pd.DataFrame([(v.treatment, v.block, v.value) for v in one.values]) for one in measured)
    return tuple(frame.set_axis(["treatment", "block", "value"], axis=1).dropna() for frame in frames)


def processor_seconds(call: Callable[[Trial], None], trial: Trial) -> float:
    start = time.process_time()
    call(trial)
    return time.process_time() - start


def main(rounds: int = 2) -> float:
    trial = invent()
    sides = (theirs, ours)
    taken = [[processor_seconds(side, trial) for side in sides] for _ in range(rounds)]
    fits, whole = (min(times) for times in zip(*taken, strict=True))
    ratio = whole / fits
    measured_bins(trial)
    alone = min(processor_seconds(theirs_on_bins, trial) for _ in range(rounds))
    outcomes = len(OUTCOMES)
    print(f"{BINS} bins, {READINGS} readings a bin, {outcomes} outcomes")
    print(f"statsmodels mixed fits, {outcomes} times: {fits:.2f} s of processor time")
    print(f"workflow.analyse:                 {whole:.2f} s")
    print(f"mixed fits of one value a bin:    {alone:.2f} s (not compared)")
    print(f"ratio {ratio:.2f}, allowed {ALLOWED:g}")
    return ratio


if __name__ == "__main__":
    sys.exit(0 if main(*(int(text) for text in sys.argv[1:2])) <= ALLOWED else 1)
