"""How often the intervals of Latin squares and split plots hold, with and without lost bins.

A cell is one layout with one pattern of lost bins and one ratio of the larger units' standard deviation (rows and
columns, whole plots) to that of bins; what an interval is judged by makes a row of its own. Errors are normal, true
differences are drawn once a cell. Every design is worked out once and applied to all trials of its cell, and the first
trials also go through the analysis of a report, which must give the same numbers. Squares with one error degree of
freedom have two random terms and go through that analysis in every trial.

The short form runs on each change. ``TRIALKIT_CALIBRATION=full`` runs 20,000 trials a cell (1,000 where each goes by
itself) and writes ``tables/squares_and_split_plots.csv``.
"""

from __future__ import annotations

import csv
import itertools
import os
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.contrasts import compare, compare_factors
from trialkit.contrasts.families import critical_t, family_of, pairs_asked
from trialkit.models import fit_bins
from trialkit.numerics.many_responses import many_responses
from trialkit.numerics.rows_and_columns import square_design
from trialkit.numerics.strata import fit_strata, strata_design
from trialkit.numerics.whole_plots import (
    FEW_WHOLE_PLOT_DF,
    blocks_and_treatments,
    cautious_df,
    mixed_variance,
    replication,
    whole_plot_map,
)
from trialkit.records import BinValue, BinValues, Comparison, Fit, Layout, Outcome, Plan, Treatment

pytestmark = pytest.mark.calibration

FULL = os.environ.get("TRIALKIT_CALIBRATION") == "full"
TRIALS = 20_000 if FULL else 2_000
ONE_BY_ONE = 1_000 if FULL else 60
CHECKED = 3  # trials of a cell that also go through the analysis of a report
SPREADS = (0.0, 0.5, 1.0, 2.0) if FULL else (1.0,)
SEED = 20261204
LEVEL = 0.95
TABLE = Path(__file__).parent / "tables" / "squares_and_split_plots.csv"
PH = Outcome("ph", "pH", "", "identity", 0, "pH of the compost", "where pH was read", "It cannot tell why.")
SQUARES = ((3, ()), (3, (4,)), (4, ()), (4, (0,)), (4, (0, 1)), (4, (0, 5)), (4, (0, 1, 6)), (5, (0, 6, 12)))
# blocks, levels set per whole plot, treatments inside, lost bins
PLOTS = (
    (3, 2, 2, ()), (3, 2, 2, (0,)), (3, 2, 2, (0, 6)), (3, 3, 2, ()), (4, 2, 2, ()), (4, 2, 3, ()), (4, 2, 3, (0,)),
    (4, 2, 3, (0, 8)), (4, 3, 2, (0, 9)), (5, 2, 2, (0,)), (6, 2, 2, ()), (6, 2, 2, (0, 6)), (6, 2, 2, (0, 3, 9)),
)  # fmt: skip
INSIDE, WHOLE = "bins inside whole plots", "whole plots"
SATTERTHWAITE, CAPPED = "both, complete", "both, capped Kenward–Roger"


@dataclass(frozen=True)
class Row:
    """One row of the table: shares of trials in which intervals hold."""

    layout: str
    size: str
    lost: tuple[int, ...]
    spread: float
    judged_by: str
    df: float
    trials: int
    refused: int
    single: float
    together: float
    false_support: float


def allowance(share: float, trials: int, rows: int) -> float:
    """Simulation error that all rows together exceed with chance 0.001."""
    return float(stats.norm.isf(0.0005 / rows) * np.sqrt(share * (1.0 - share) / trials))


def row_of(cell, judged_by, miss, std_error, df, together=None, refused=0) -> Row:
    """miss, std_error: (K, S), NaN where refused; df, together (critical values of the family): to broadcast."""
    single = critical_t(1.0 - LEVEL, np.asarray(df, dtype=float)) * std_error
    told = np.isfinite(std_error) & np.isfinite(single)
    alone = np.array([(np.abs(m) <= s)[t].mean() for m, s, t in zip(miss, single, told, strict=True)])
    support = np.array([(m - s >= 0.0)[t].mean() for m, s, t in zip(miss, single, told, strict=True)])
    every = np.nan
    if together is not None:
        every = float(np.all(np.abs(miss) <= together * std_error, axis=0).mean())
    middle = float(np.median(np.broadcast_to(df, std_error.shape)[told]))
    worst = float(alone[np.argmax(np.abs(alone - LEVEL))])
    return Row(*cell, judged_by, middle, miss.shape[1], refused, worst, every, float(support.max()))


# ---------------------------------------------------------------- Latin squares
def square_values(size, kept, y) -> BinValues:
    values = []
    for k, (i, j) in enumerate(itertools.product(range(size), repeat=2)):
        value = float(y[kept.index(k)]) if k in kept else None
        values.append(BinValue(f"B{k}", f"t{(i + j) % size}", value, row=str(i), column=str(j)))
    return BinValues(PH, "exploratory", Plan("t0", layout=Layout("latin square")), tuple(values))


def square_row(size: int, lost: tuple[int, ...], spread: float, number: int) -> Row:
    random = np.random.default_rng([SEED, 1, number])
    kept = [k for k in range(size**2) if k not in lost]
    i, j = np.divmod(np.array(kept), size)
    arm = (i + j) % size
    truth = random.normal(size=size)
    design = square_design(arm, i, j, treatments=size).strata
    alone = design.error_df == 1 or not design.connected.all()
    trials = ONE_BY_ONE if alone else TRIALS
    lines = spread * random.normal(size=(2, size, trials))
    y = truth[arm][:, None] + lines[0, i] + lines[1, j] + random.normal(size=(len(kept), trials))
    cell = ("latin square", f"{size} × {size}", lost, spread)
    effect = (truth[1:] - truth[0])[:, None]
    if alone:
        miss, errors, df, critical = (np.full((size - 1, trials), np.nan) for _ in range(4))
        for s in range(trials):
            for k, one in enumerate(compare(fit_bins(square_values(size, kept, y[:, s])))):
                if isinstance(one, Comparison):
                    miss[k, s], errors[k, s], df[k, s] = one.estimate - effect[k, 0], one.std_error, one.df
                    critical[k, s] = (one.interval.high - one.estimate) / one.std_error
        refused = int(np.isnan(errors).any(axis=0).sum())
        return row_of(cell, "rows and columns random", miss, errors, df, critical, refused)
    fit = fit_bins(square_values(size, kept, y[:, 0]))
    assert isinstance(fit, Fit)
    family = family_of(fit, pairs_asked(fit))
    assert family is not None
    found = fit_strata(design, y)
    estimate, std_error = found.differences[1:, 0], found.std_errors[1:, 0]
    for s in range(CHECKED):
        again = fit_bins(square_values(size, kept, y[:, s]))
        np.testing.assert_allclose(again.std_errors[1:, 0], std_error[:, s], rtol=1e-10)
        np.testing.assert_allclose(again.differences[1:, 0], estimate[:, s], atol=1e-12)
    critical = family.critical(LEVEL)[:, None]
    return row_of(cell, "rows and columns fixed", estimate - effect, std_error, family.df[:, None], critical)


# ---------------------------------------------------------------- split plots
def plot_values(levels, size, place, y) -> BinValues:
    arms = tuple(Treatment(f"{w} {s}", factors={"w": str(w), "s": str(s)}) for w in range(levels) for s in range(size))
    plan = Plan("0 0", treatments=arms, layout=Layout("split plot", whole_plot_factor="w"))
    values = tuple(
        BinValue(f"B{k}", f"{w} {s}", float(value), block=str(b), whole_plot=f"{b}.{w}")
        for k, ((b, w, s), value) in enumerate(zip(place, y, strict=True))
    )
    return BinValues(PH, "exploratory", plan, values)


def plot_rows(blocks: int, levels: int, size: int, lost: tuple[int, ...], spread: float, number: int) -> list[Row]:
    """Single intervals beside the first treatment (the first level), by what they are judged by."""
    random = np.random.default_rng([SEED, 2, number])
    every = list(itertools.product(range(blocks), range(levels), range(size)))
    place = [where for k, where in enumerate(every) if k not in lost]
    b, w, s = np.array(place).T
    arm, plot, level = w * size + s, np.unique(b * levels + w, return_inverse=True)[1], np.arange(levels * size) // size
    truth = random.normal(size=levels * size)
    y = truth[arm][:, None] + random.normal(size=(blocks, TRIALS))[b]
    y += spread * random.normal(size=(plot.max() + 1, TRIALS))[plot] + random.normal(size=(len(place), TRIALS))

    bins = strata_design(arm, plot, treatments=truth.size)
    inside = fit_strata(bins, y)
    to_value = whole_plot_map(bins, arm, plot, level)
    first = np.unique(plot, return_index=True)[1]
    plots = strata_design(w[first], b[first], treatments=levels)
    whole = fit_strata(plots, to_value @ y)
    near, far = np.arange(1, size), np.arange(size, truth.size)
    complete = replication(arm, plot, b, level)
    if complete is not None:
        means = np.stack([y[arm == t].mean(axis=0) for t in range(truth.size)])
        mixed = mixed_variance(
            complete, size, whole.error_mean_square, plots.error_df, inside.error_mean_square, bins.error_df
        )
        between = means[far] - means[0]
        std_error, df = np.tile(mixed.std_error, (far.size, 1)), np.tile(mixed.df, (far.size, 1))
    else:
        between, std_error, df = capped_kenward_roger(arm, plot, b, far, y, inside, whole, bins, plots, to_value)
    compared = [
        (INSIDE, near, inside.differences[near, 0], inside.std_errors[near, 0], np.full((near.size, 1), bins.error_df)),
        (CAPPED if complete is None else SATTERTHWAITE, far, between, std_error, df),
    ]
    check(levels, size, place, y, compared, whole, plots)
    cell = ("split plot", f"{blocks} × {levels} × {size}", lost, spread)
    rows = [
        row_of(cell, name, estimate - (truth[those] - truth[0])[:, None], error, own_df,
               refused=int(np.isnan(error).any(axis=0).sum()))
        for name, those, estimate, error, own_df in compared
    ]  # fmt: skip
    average = truth.reshape(levels, size).mean(axis=1)
    miss = whole.differences[1:, 0] - (average[1:] - average[0])[:, None]
    return [*rows, row_of(cell, WHOLE, miss, whole.std_errors[1:, 0], np.full((levels - 1, 1), plots.error_df))]


def capped_kenward_roger(arm, plot, block, far, y, inside, whole, bins, plots, to_value):
    """Of treatments in different whole plots where bins are missing: (K, S) estimates, standard errors, df."""
    x, _ = blocks_and_treatments(arm, block, bins.counts.shape[0])
    weights = np.zeros((far.size, x.shape[1]))
    weights[:, 0], weights[np.arange(far.size), far] = -1.0, 1.0
    found = many_responses(y, x, plot, weights, bounded=True)
    df = found.df
    if plots.error_df < FEW_WHOLE_PLOT_DF:
        share_inside = float(np.sum((plots.error_projection @ to_value) ** 2)) / plots.error_df
        residual = inside.error_mean_square
        of_plots = np.maximum(whole.error_mean_square - share_inside * residual, 0.0)
        share = (of_plots + share_inside * residual) / (of_plots + max(1.0, share_inside) * residual)
        df = np.minimum(df, cautious_df(share, plots.error_df, bins.error_df))
    return found.estimate, found.std_error, df


def check(levels, size, place, y, compared, whole, plots) -> None:
    """What is counted here is what is reported: the records of the first trials carry the same numbers."""
    for s in range(CHECKED):
        fit = fit_bins(plot_values(levels, size, place, y[:, s]))
        assert isinstance(fit, Fit)
        for _, those, estimate, error, df in compared:
            told = np.isfinite(error[:, s])
            np.testing.assert_allclose(fit.differences[those, 0][told], estimate[told, s], rtol=1e-5, atol=1e-6)
            np.testing.assert_allclose(fit.std_errors[those, 0][told], error[told, s], rtol=1e-5)
            expected = np.broadcast_to(df, error.shape)[told, s]
            np.testing.assert_allclose(fit.df[those, 0][told], expected, rtol=1e-4)
            assert np.isnan(fit.std_errors[those, 0][~told]).all()
        factor = [one for one in compare_factors(fit) if isinstance(one, Comparison) and one.treatment.startswith("w:")]
        np.testing.assert_allclose([one.std_error for one in factor], whole.std_errors[1:, 0, s], rtol=1e-9)
        np.testing.assert_allclose([one.df for one in factor], plots.error_df)


# ---------------------------------------------------------------- what must be true
@pytest.fixture(scope="module")
def rows() -> list[Row]:
    squares = list(itertools.product(SQUARES, SPREADS))
    found = [square_row(*layout, spread, number) for number, (layout, spread) in enumerate(squares)]
    for number, (layout, spread) in enumerate(itertools.product(PLOTS, SPREADS)):
        found += plot_rows(*layout, spread, number)
    if FULL:
        write_table(found)
    return found


def write_table(found: list[Row]) -> None:
    names = "layout,size,lost,sd_ratio,judged_by,df,trials,refused,single,together,false_support"
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# Share of trials whose {LEVEL:.0%} intervals hold; seed {SEED}, {date.today().isoformat()}\n")
        file.write("# size: blocks × levels set per whole plot × treatments inside; lost: numbers of the lost bins\n")
        file.write("# sd_ratio: rows and columns, or whole plots, to bins; df: the median over trials\n")
        file.write("# single: the comparison farthest from 0.95; together: all of the family at once\n")
        file.write("# false_support: a claim of exactly the true size called supported, worst of the comparisons\n")
        writer = csv.writer(file)
        writer.writerow(names.split(","))
        for one in found:
            lost = " ".join(map(str, one.lost)) or "none"
            shares = ["" if np.isnan(x) else f"{x:.4f}" for x in (one.single, one.together, one.false_support)]
            head = [one.layout, one.size, lost, one.spread, one.judged_by, f"{one.df:.4g}", one.trials, one.refused]
            writer.writerow([*head, *shares])


def test_every_way_of_judging_has_rows(rows):
    assert {one.judged_by for one in rows} == {
        "rows and columns fixed", "rows and columns random", INSIDE, WHOLE, SATTERTHWAITE, CAPPED,
    }  # fmt: skip


def test_what_is_judged_by_least_squares_holds_exactly(rows):
    exact = [one for one in rows if one.judged_by in ("rows and columns fixed", INSIDE)]
    exact += [one for one in rows if one.judged_by == WHOLE and not one.lost]
    slack = allowance(LEVEL, TRIALS, 2 * len(exact))
    assert not [one for one in exact if abs(one.single - LEVEL) > slack]
    assert not [one for one in exact if abs(one.together - LEVEL) > slack]  # NaN, where no family is counted, passes
    assert max(one.false_support for one in exact) <= 0.025 + allowance(0.025, TRIALS, len(exact))


def test_what_leans_on_estimated_variances_never_holds_too_seldom(rows):
    """Two mean squares or a mixed model; and whole-plot means of which some rest on fewer bins."""
    others = [one for one in rows if one.judged_by in (SATTERTHWAITE, CAPPED)]
    others += [one for one in rows if one.judged_by == WHOLE and one.lost]
    slack = allowance(0.94, TRIALS, len(others))
    assert not [one for one in others if one.single < 0.94 - slack]
    assert max(one.false_support for one in others) <= 0.03 + allowance(0.03, TRIALS, len(others))


def test_squares_with_one_degree_of_freedom_never_hold_too_seldom(rows):
    alone = [one for one in rows if one.judged_by == "rows and columns random"]
    slack = allowance(0.94, ONE_BY_ONE, 2 * len(alone))
    assert alone and not [one for one in alone if min(one.single, one.together) < 0.94 - slack]
    assert sum(one.refused for one in alone) <= 0.01 * ONE_BY_ONE * len(alone)
