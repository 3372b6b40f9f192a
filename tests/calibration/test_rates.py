"""Coverage of rate ratios from noisy settling curves, on trials with a known truth.

Short form on every run. With TRIALKIT_CALIBRATION=full the whole grid, 96 cells of 1,000 trials, is run and written to
tables/rates.csv, with the seed and the date, whatever it shows. Measured on one thread: 5.1 minutes of processor time;
with the two parts of test_censored.py 13.2 minutes, so all of it is done in under half an hour on one core, and in
about 8 minutes on two when each file has a core of its own.

A trial: every bin settles along a one-pool curve of its own, with its own k and V∞; treatments differ in k, and in
half of the cells in V∞ too. Every reading errs. Each curve is fitted as ``outcomes.decay`` does it, with both levels
free (all curves of a cell at once, which gives the same numbers); k then goes the way of every outcome, logs with equal
weights, through the default analysis. A trial in which some
bin has no k is refused by the report for that bin; such trials are counted apart, since leaving out a bin because its
curve is flat is a selection.
"""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from datetime import date
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from trialkit.contrasts import compare
from trialkit.models import fit_bins
from trialkit.numerics.decay_many import fit_decay_of_many
from trialkit.records import BinValue, BinValues, Comparison, Layout, Outcome, Plan

FULL = os.environ.get("TRIALKIT_CALIBRATION") == "full"
SEED = 20261126
TABLE = Path(__file__).parent / "tables" / "rates.csv"
LOW, HIGH = 0.94, 0.96
RATE = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "rate k", "falling curves", "It cannot tell how far.")
SPREAD = 0.15  # SD of log k between bins treated alike
RATIO = 1.3


@dataclass(frozen=True)
class Cell:
    """``visits`` readings a bin over ``half_lives`` of the mean curve; ``noise`` as a share of a reading."""

    layout: str
    bins: int
    treatments: int
    visits: int
    half_lives: float
    noise: float
    ends_differ: bool


def grid():
    for layout, bins, treatments, visits, noise, ends_differ in product(
        ("blocks", "completely random"), (3, 4, 6), (2, 3), (8, 14), (0.01, 0.02), (False, True)
    ):
        yield Cell(layout, bins, treatments, visits, 4.0, noise, ends_differ)


SHORT = (
    Cell("blocks", 4, 2, 10, 4.0, 0.01, False),
    Cell("blocks", 4, 3, 14, 4.0, 0.02, True),
    Cell("completely random", 6, 2, 8, 4.0, 0.01, True),
)


def calibrate(cell, trials, rng):
    """Trials judged, trials in which all ranges at once held the truth, trials with a bin without k, mean log error."""
    arm = np.tile(np.arange(cell.treatments), cell.bins)
    block = np.repeat(np.arange(cell.bins), cell.treatments)
    names = [f"treatment {code}" for code in range(cell.treatments)]
    plan = Plan(names[0], layout=Layout(cell.layout))
    log_ratio = np.log([1.0, RATIO, 1.0][: cell.treatments])
    days = np.linspace(0.0, cell.half_lives * np.log(2.0) / 0.05, cell.visits)
    end_of = np.array([40.0, 32.0, 44.0][: cell.treatments]) if cell.ends_differ else np.full(cell.treatments, 40.0)
    judged = held = without = 0
    errors = []
    log_k = np.log(0.05) + log_ratio[arm] + SPREAD * rng.standard_normal((trials, arm.size))
    if cell.layout == "blocks":
        log_k += 0.15 * rng.standard_normal((trials, cell.bins))[:, block]
    end = (end_of[arm] + 2.0 * rng.standard_normal((trials, arm.size)))[..., None]
    volume = end + (100.0 - end) * np.exp(-np.exp(log_k)[..., None] * days)
    volume *= 1.0 + cell.noise * rng.standard_normal(volume.shape)
    fits = fit_decay_of_many(days, volume.reshape(-1, days.size))
    has_rate = (fits.identified & (fits.end < fits.start)).reshape(trials, arm.size).all(axis=1)
    for rates, complete in zip(fits.rate.reshape(trials, arm.size).tolist(), has_rate, strict=True):
        if not complete:
            without += 1
            continue
        values = tuple(
            BinValue(f"B{i}", names[arm[i]], rate, block=str(block[i]) if cell.layout == "blocks" else None)
            for i, rate in enumerate(rates)
        )
        found = compare(fit_bins(BinValues(RATE, "primary", plan, values)))
        assert all(isinstance(one, Comparison) for one in found)
        truth = np.exp(log_ratio[1:])
        held += all(one.interval.low <= true <= one.interval.high for one, true in zip(found, truth, strict=True))
        errors.append(np.log(found[0].estimate) - log_ratio[1])
        judged += 1
    return judged, held, without, float(np.mean(errors))


@pytest.mark.calibration
def test_rate_ratios_from_noisy_curves_hold():
    """Simultaneous coverage within 94 to 96 %, less three simulation standard errors, and no bias."""
    trials = 1000 if FULL else 100
    rows = []
    for number, cell in enumerate(grid() if FULL else SHORT):
        rng = np.random.default_rng([SEED, number])
        judged, held, without, bias = calibrate(cell, trials, rng)
        rows.append((cell, judged, held, without, bias))
        if FULL:
            write(rows)
    for cell, judged, held, without, bias in rows:
        slack = 3.0 * np.sqrt(0.95 * 0.05 / judged)
        assert LOW - slack <= held / judged <= HIGH + slack, (cell, held / judged)
        assert without <= 0.2 * trials, (cell, without)
        spread = SPREAD * np.sqrt(2.0 / cell.bins)
        assert abs(bias) < 4.0 * 1.3 * spread / np.sqrt(judged) + 0.01, (cell, bias)
    judged, held = sum(row[1] for row in rows), sum(row[2] for row in rows)
    slack = 3.0 * np.sqrt(0.95 * 0.05 / judged)
    assert LOW - slack <= held / judged <= HIGH + slack, held / judged


def write(rows):
    TABLE.parent.mkdir(exist_ok=True)
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([
            "layout", "bins_per_treatment", "treatments", "visits", "noise", "end_levels_differ", "trials",
            "coverage", "trials_with_a_bin_without_k", "bias_of_log_ratio", "outside", "seed", "date",
        ])  # fmt: skip
        for number, (cell, judged, held, without, bias) in enumerate(rows):
            share = held / judged
            slack = 3.0 * np.sqrt(0.95 * 0.05 / judged)
            outside = not LOW - slack <= share <= HIGH + slack
            writer.writerow([
                cell.layout, cell.bins, cell.treatments, cell.visits, cell.noise, cell.ends_differ, judged,
                f"{share:.4f}", without, f"{bias:.4f}", outside, f"{SEED},{number}", date.today().isoformat(),
            ])  # fmt: skip
