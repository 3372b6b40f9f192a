"""Coverage of the intervals for times known only between visits, on trials with a known truth.

Short form on every run. With TRIALKIT_CALIBRATION=full both grids are run and written to tables/censored_times.csv
(treatments compared) and tables/censored_levels.csv (one treatment by itself), with the seed and the date, whatever
they show. Measured on one thread: 4.8 and 3.3 minutes of processor time.

A trial: log time = treatment + block + bin, normal; times near 30 days. Visits every 2, 3 or 7 days. Either every bin
is watched until it has finished, or the watch ends on a day by which a stated share of all bins has not. A cell of the
grid mixes twelve scenarios in equal parts: standard deviation of bins 0.1 and 0.2, of blocks 0, 1 and 2 times as much,
true ratios all 1, or 0.75 (and 0.9).

The two rules that give intervals are judged together, and apart. Rule 1 (all bins finished) by itself is judged where
bins are watched until they finish. Where the watch ends on a fixed day, the trials in which all bins finish all the
same are those that happened to be quick and even; coverage among these few alone is shown in the table, not judged.

The p of equal times that Holm's adjustment of secondary outcomes starts from is judged where it comes from draws: on
the scenarios in which all true ratios are 1, by itself, at 5, 2.5 and 1 %, the levels that an adjustment over up to
five comparisons asks for.
"""

from __future__ import annotations

import csv
import os
from datetime import date
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from trialkit.numerics.censored_level import censored_level
from trialkit.numerics.censored_many import censored_times_of_many

BAR = 0.93
P_LEVELS = (0.05, 0.025, 0.01)
CELL_KEYS = ("never_finished", "block_to_bin_sd")
TABLE = Path(__file__).parent / "tables" / "censored_times.csv"
LEVELS_TABLE = Path(__file__).parent / "tables" / "censored_levels.csv"
SEED = 20261125
FULL = os.environ.get("TRIALKIT_CALIBRATION") == "full"
SCENARIOS = tuple(product((0.1, 0.2), (0.0, 1.0, 2.0), (False, True)))


def simulate(blocks, treatments, every, never, sigma, block_spread, effect, sets, rng, in_blocks=True):
    """Windows (n, sets) of trials with the given truth, their codes, and the true median times (treatments, sets)."""
    arm = np.tile(np.arange(treatments), blocks)
    block = np.repeat(np.arange(blocks), treatments)
    log_ratio = np.log([1.0, 0.75, 0.9][:treatments]) if effect else np.zeros(treatments)

    def log_times(count):
        between = (
            block_spread * sigma * rng.standard_normal((blocks, count)) if in_blocks else np.zeros((blocks, count))
        )
        return log_ratio[arm][:, None] + between[block] + sigma * rng.standard_normal((arm.size, count))

    last = rng.uniform(28, 28 + every, sets)
    middle = np.log(last) - np.quantile(log_times(20_000), 1 - never) if never else np.full(sets, np.log(30.0))
    day = np.exp(middle + log_times(sets))
    high = last + np.ceil((day - last) / every) * every
    low = np.maximum(high - every, 0.0)
    if never:
        low, high = np.where(day > last, last, low), np.where(day > last, np.inf, high)
    return arm, block if in_blocks else None, low, high, np.exp(middle + log_ratio[:, None])


def calibrate(blocks, treatments, every, never, sets, rng, *, in_blocks=True, chains=25):
    """One row of the table: what happened in ``sets`` trials of each scenario."""
    tally = dict.fromkeys(
        ("rule1", "rule1_held", "rule2", "rule2_held", "rule3", "bounds", "bounds_wrong", "bounds_allowed", "refused"),
        0.0,
    )
    widths = {1: [], 2: []}
    no_effect_p = []
    for sigma, spread, effect in SCENARIOS:
        arm, block, low, high, median = simulate(
            blocks, treatments, every, never, sigma, spread, effect, sets, rng, in_blocks
        )
        found = censored_times_of_many(low, high, arm, block, rng=rng, chains=chains)
        truth = median[1:] / median[0]
        given = (found.rule == 1) | (found.rule == 2)
        held = (((found.low <= truth) & (truth <= found.high)) | ~given).all(axis=0)
        for rule in (1, 2):
            here = (given & (found.rule == rule)).any(axis=0)
            tally[f"rule{rule}"] += here.sum()
            tally[f"rule{rule}_held"] += held[here].sum()
            shown = given & (found.rule == rule)
            widths[rule].extend(((np.log(found.high[shown]) - np.log(found.low[shown])) / 2 / sigma).tolist())
        if not effect:
            no_effect_p.extend(found.p[given & (found.rule == 2)].tolist())
        bound = found.rule == 4
        tally["rule3"] += (found.rule == 3).sum()
        tally["bounds"] += bound.sum()
        tally["bounds_wrong"] += (bound & ((truth < found.low) | (truth > found.high))).sum()
        tally["bounds_allowed"] += (1 - found.level_attained[bound]).sum()
        tally["refused"] += (found.rule == 5).sum()
    row = {
        "layout": "blocks" if in_blocks else "completely random",
        "bins_per_treatment": blocks,
        "treatments": treatments,
        "visits_every": every,
        "never_finished": never,
        "trials": sets * len(SCENARIOS),
    }
    for rule in (1, 2):
        count = tally[f"rule{rule}"]
        row[f"rule{rule}_trials"] = int(count)
        row[f"rule{rule}_coverage"] = tally[f"rule{rule}_held"] / count if count else float("nan")
        row[f"rule{rule}_half_width_sd"] = float(np.median(widths[rule])) if widths[rule] else float("nan")
    count = row["rule1_trials"] + row["rule2_trials"]
    row["both_coverage"] = (tally["rule1_held"] + tally["rule2_held"]) / count if count else float("nan")
    row["rule2_no_effect_comparisons"] = len(no_effect_p)
    for alpha in P_LEVELS:
        row[f"rule2_p_at_most_{alpha:g}"] = float(np.mean(np.array(no_effect_p) <= alpha)) if no_effect_p else np.nan
    row["rule3_comparisons"] = int(tally["rule3"])
    row["bound_comparisons"] = int(tally["bounds"])
    row["bounds_wrong"] = int(tally["bounds_wrong"])
    row["bounds_wrong_allowed"] = float(tally["bounds_allowed"])
    row["refused_comparisons"] = int(tally["refused"])
    row["below_the_bar"] = "; ".join(
        name
        for name, number in (("rule1", row["rule1_trials"]), ("rule2", row["rule2_trials"]), ("both", count))
        if below(row[f"{name}_coverage"], number)
    )
    return row


def below(coverage, count):
    """Whether a share seen in ``count`` trials is below the bar by more than three simulation standard errors."""
    return bool(count and coverage + 3 * np.sqrt(BAR * (1 - BAR) / count) < BAR)


def alarms_too_often(share, alpha, count):
    """Whether a share of false alarms is above ``alpha`` by more than three simulation standard errors."""
    return bool(count and share > alpha + 3 * np.sqrt(alpha * (1 - alpha) / count))


def grid():
    for blocks, treatments, every, never in product((3, 4, 5, 6, 8), (2, 3), (2, 3, 7), (0.0, 0.15, 0.3)):
        yield blocks, treatments, every, never, True
    for bins, treatments, never in product((3, 4, 5, 6, 8), (2, 3), (0.0, 0.15, 0.3)):
        yield bins, treatments, 3, never, False


@pytest.mark.calibration
def test_coverage_over_the_grid():
    if FULL:
        judged = run_grid()
    else:
        rng = np.random.default_rng(SEED + 1)
        sets = 20
        short = (
            (3, 2, 7, 0.15),
            (4, 3, 3, 0.3),
            (5, 2, 2, 0.15),
            (6, 2, 3, 0.3),
            (8, 2, 7, 0.3),
            (4, 2, 7, 0.0),
            (3, 3, 2, 0.0),
        )
        judged = [calibrate(*cell, sets, rng) for cell in short]
        judged.append(calibrate(5, 2, 3, 0.15, sets, rng, in_blocks=False))
    for row in judged:
        cell = {name: row[name] for name in list(row)[:5]}
        assert not below(row["rule2_coverage"], row["rule2_trials"]), (cell, row["rule2_coverage"])
        assert not below(row["both_coverage"], row["rule1_trials"] + row["rule2_trials"]), (cell, row["both_coverage"])
        if row["never_finished"] == 0:
            assert not below(row["rule1_coverage"], row["rule1_trials"]), (cell, row["rule1_coverage"])
    for rule in (1, 2):
        here = [row for row in judged if rule == 2 or row["never_finished"] == 0]
        count = sum(row[f"rule{rule}_trials"] for row in here)
        held = held_under(rule, here)
        assert count > 100
        assert held / count > BAR, (rule, held / count)
    count = sum(row["rule2_no_effect_comparisons"] for row in judged)
    for alpha in P_LEVELS:
        name = f"rule2_p_at_most_{alpha:g}"
        for row in judged:
            cell = {key: row[key] for key in list(row)[:5]}
            assert not alarms_too_often(row[name], alpha, row["rule2_no_effect_comparisons"]), (cell, alpha, row[name])
        alarms = sum(row[name] * row["rule2_no_effect_comparisons"] for row in judged if row[name] == row[name])
        assert count > 100
        assert not alarms_too_often(alarms / count, alpha, count), (alpha, alarms / count)
    wrong = sum(row["bounds_wrong"] for row in judged)
    allowed = sum(row["bounds_wrong_allowed"] for row in judged)
    assert wrong <= allowed + 3 * np.sqrt(allowed + 1)


def run_grid(sets=60):
    """The whole grid, written to the table row by row as it is found."""
    rows = []
    TABLE.parent.mkdir(exist_ok=True)
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        writer = None
        for number, (blocks, treatments, every, never, in_blocks) in enumerate(grid()):
            rng = np.random.default_rng([SEED, number])
            row = calibrate(blocks, treatments, every, never, sets, rng, in_blocks=in_blocks)
            row = row | {"seed": f"{SEED},{number}", "date": date.today().isoformat()}
            if writer is None:
                writer = csv.DictWriter(file, list(row), lineterminator="\n")
                writer.writeheader()
            writer.writerow(
                {k: f"{v:.4f}" if isinstance(v, float) and k not in CELL_KEYS else v for k, v in row.items()}
            )
            file.flush()
            rows.append(row)
    return rows


def held_under(rule, rows):
    """Trials under a rule whose interval held, over rows of a table."""
    return sum(row[f"rule{rule}_trials"] * row[f"rule{rule}_coverage"] for row in rows if row[f"rule{rule}_trials"])


def level_grid():
    return product((3, 5, 8), (2, 7), (0.0, 0.2), (0.0, 2.0))


def calibrate_level(bins, every, never, spread, sets, rng):
    """One row of the table of one treatment's time: bins in different blocks, the median over all blocks the truth."""
    _, _, low, high, median = simulate(bins, 1, every, never, 0.15, spread, False, sets, rng)
    found = [censored_level(low[:, trial], high[:, trial], seed=trial) for trial in range(sets)]
    held = [one.low <= true <= one.high for one, true in zip(found, median[0], strict=True)]
    row = {
        "bins": bins,
        "visits_every": every,
        "never_finished": never,
        "block_to_bin_sd": spread,
        "trials": sets,
    }
    for rule in (1, 2, 4):
        here = [ok for one, ok in zip(found, held, strict=True) if one.rule == rule]
        row[f"rule{rule}_trials"] = len(here)
        row[f"rule{rule}_coverage"] = float(np.mean(here)) if here else float("nan")
    wrong = sum(not ok for one, ok in zip(found, held, strict=True) if one.rule == 4)
    row["rule4_wrong_of_all_trials"] = wrong / sets
    row["rule4_wrong_allowed"] = 0.5 ** (bins - 1)
    row["refused"] = sum(one.rule == 3 for one in found)
    row["below_the_bar"] = "; ".join(
        f"rule{rule}" for rule in (1, 2) if below(row[f"rule{rule}_coverage"], row[f"rule{rule}_trials"])
    )
    return row


@pytest.mark.calibration
def test_coverage_of_the_time_of_one_treatment():
    """Bins of one treatment in different blocks; the median over all blocks is the truth.

    A bound (rule 4) errs only where all bins fall on one side of the median, whether or not a bound is then given, so
    its errors are counted among all trials: among the trials with a bound they are far more, the more so the rarer it
    is that bins agree so closely.
    """
    rows = []
    for number, cell in enumerate(level_grid()):
        row = calibrate_level(*cell, 1000 if FULL else 40, np.random.default_rng([SEED + 2, number]))
        rows.append(row | {"seed": f"{SEED + 2},{number}", "date": date.today().isoformat()})
        if FULL:
            write_levels(rows)
    watched_to_the_end = [row for row in rows if row["never_finished"] == 0]
    for rule, judged in ((1, watched_to_the_end), (2, rows)):
        count = sum(row[f"rule{rule}_trials"] for row in judged)
        held = held_under(rule, judged)
        assert count > 200
        assert not below(held / count, count), (rule, held / count)
    for row in rows:
        allowed = row["rule4_wrong_allowed"]
        assert row["rule4_wrong_of_all_trials"] <= allowed + 3 * np.sqrt(allowed / row["trials"]), row
    count = sum(row["rule1_trials"] + row["rule2_trials"] for row in rows)
    held = held_under(1, rows) + held_under(2, rows)
    assert not below(held / count, count), held / count


def write_levels(rows):
    with LEVELS_TABLE.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow(
                {k: f"{v:.4f}" if isinstance(v, float) and k not in CELL_KEYS else v for k, v in row.items()}
            )
