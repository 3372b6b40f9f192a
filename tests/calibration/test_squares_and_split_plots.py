"""How often the intervals of Latin squares and split plots hold, with and without lost bins.

Every trial goes through the analysis of a report. The short form runs few trials of some patterns on each change;
``TRIALKIT_CALIBRATION=full`` runs 4,000 of every pattern and spread of the larger units.
"""

from __future__ import annotations

import itertools
import os

import numpy as np
import pytest

from trialkit.contrasts import compare, compare_factors
from trialkit.models import fit_bins
from trialkit.records import BinValue, BinValues, Comparison, Fit, Layout, Outcome, Plan, Treatment

pytestmark = pytest.mark.calibration

FULL = os.environ.get("TRIALKIT_CALIBRATION") == "full"
TRIALS = 4_000 if FULL else 150
SPREADS = (0.0, 1.0, 2.0) if FULL else (1.0,)
SEED = 20261204
PH = Outcome("ph", "pH", "", "identity", 0, "pH of the compost", "where pH was read", "It cannot tell why.")
SQUARES = ((3, ()), (3, (4,)), (4, (0,)), (4, (0, 5)), (4, (0, 1, 6)))
PLOTS = ((4, 2, 3, ()), (4, 2, 3, (0,)), (4, 2, 3, (0, 8)), (3, 2, 2, (0,)), (6, 2, 2, (0, 6)))


def slack(share: float, trials: int, cells: int) -> float:
    """Three standard errors and a little for the worst of many cells."""
    return (3.0 + 0.4 * np.log(cells)) * np.sqrt(share * (1.0 - share) / trials)


def square_share(size: int, lost: tuple[int, ...], spread: float, number: int) -> tuple[float, int]:
    """Share of trials in which every interval of the family holds, and how many gave one."""
    random = np.random.default_rng([SEED, 1, number])
    truth, hold = random.normal(size=size), []
    for _ in range(TRIALS):
        lines = spread * random.normal(size=(2, size))
        values = []
        for k, (i, j) in enumerate(itertools.product(range(size), repeat=2)):
            arm = (i + j) % size
            y = float(truth[arm] + lines[0, i] + lines[1, j] + random.normal())
            values.append(BinValue(f"B{k}", f"t{arm}", None if k in lost else y, row=str(i), column=str(j)))
        fit = fit_bins(BinValues(PH, "exploratory", Plan("t0", layout=Layout("latin square")), tuple(values)))
        found = compare(fit)
        if not all(isinstance(one, Comparison) for one in found):
            continue
        differences = [truth[int(one.treatment[1:])] - truth[0] for one in found]
        hold.append(all(one.interval.low <= d <= one.interval.high for one, d in zip(found, differences, strict=True)))
    return float(np.mean(hold)), len(hold)


def plot_shares(
    blocks: int, levels: int, size: int, lost: tuple[int, ...], spread: float, number: int
) -> dict[str, float]:
    """Share of single intervals that hold, by what they are judged by."""
    random = np.random.default_rng([SEED, 2, number])
    truth = random.normal(size=(levels, size))
    arms = tuple(Treatment(f"{w} {s}", factors={"w": str(w), "s": str(s)}) for w in range(levels) for s in range(size))
    plan = Plan("0 0", treatments=arms, layout=Layout("split plot", whole_plot_factor="w"))
    hold: dict[str, list[bool]] = {"inside": [], "between": [], "whole-plot factor": []}
    for _ in range(TRIALS):
        block = random.normal(size=blocks)
        plot = spread * random.normal(size=(blocks, levels))
        values = []
        for k, (b, w, s) in enumerate(itertools.product(range(blocks), range(levels), range(size))):
            y = float(truth[w, s] + block[b] + plot[b, w] + random.normal())
            values.append(BinValue(f"B{k}", f"{w} {s}", None if k in lost else y, block=str(b), whole_plot=f"{b}.{w}"))
        fit = fit_bins(BinValues(PH, "exploratory", plan, tuple(values)))
        assert isinstance(fit, Fit)
        for one in compare(fit):
            if isinstance(one, Comparison):
                w, s = map(int, one.treatment.split())
                inside = one.alone.low <= truth[w, s] - truth[0, 0] <= one.alone.high
                hold["inside" if w == 0 else "between"].append(inside)
        for one in compare_factors(fit):
            if isinstance(one, Comparison) and one.treatment.startswith("w: "):
                d = truth[int(one.treatment[3:])].mean() - truth[0].mean()
                hold["whole-plot factor"].append(one.alone.low <= d <= one.alone.high)
    return {name: float(np.mean(found)) for name, found in hold.items()}


@pytest.mark.slow
def test_latin_squares_hold():
    cells = list(itertools.product(SQUARES if FULL else SQUARES[1:3], SPREADS))
    for number, ((size, lost), spread) in enumerate(cells):
        share, trials = square_share(size, lost, spread, number)
        assert trials >= 0.99 * TRIALS
        assert share >= 0.95 - slack(0.95, trials, len(cells)), (size, lost, spread, share)
        if FULL and lost != (4,):  # one error degree of freedom is judged by a mixed model, which may be conservative
            assert share <= 0.95 + slack(0.95, trials, len(cells)), (size, lost, spread, share)


@pytest.mark.slow
def test_split_plots_hold():
    """Inside whole plots exactly; between them exactly where complete up to Satterthwaite, else conservatively."""
    cells = list(itertools.product(PLOTS if FULL else PLOTS[:2], SPREADS))
    for number, (layout, spread) in enumerate(cells):
        shares = plot_shares(*layout, spread, number)
        for name, share in shares.items():
            assert share >= 0.945 - slack(0.95, TRIALS, 3 * len(cells)), (layout, spread, name, share)
