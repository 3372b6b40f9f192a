"""How often the intervals of the default analysis hold, by loss pattern.

A cell is one layout with one pattern of lost bins (up to renaming blocks and treatments other than the control) and
one ratio of block to bin standard deviation. Errors are normal; the true differences are drawn once a cell. In every
cell the analysis decides itself how to go about it, from which bins exist; refused cells are counted and shown.

The short form runs on each change. ``TRIALKIT_CALIBRATION=full`` runs 20,000 trials a cell and writes
``tables/blocks.csv``.
"""

from __future__ import annotations

import csv
import itertools
import os
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats

from trialkit.contrasts import compare
from trialkit.contrasts.families import critical_t, family_of, pairs_asked
from trialkit.models import fit_bins
from trialkit.numerics.analysis_cases import BinCodes, analysis_case, family_critical
from trialkit.numerics.kenward_roger import df_with_one_inside
from trialkit.numerics.many_responses import many_responses
from trialkit.numerics.strata import fit_strata, strata_design
from trialkit.numerics.unequal_variances import blocks_by_treatment, completely_random_by_treatment
from trialkit.records import BinValue, BinValues, Comparison, Fit, Layout, Outcome, Plan, Refusal

pytestmark = pytest.mark.calibration

FULL = os.environ.get("TRIALKIT_CALIBRATION") == "full"
SEED = 20261003
TRIALS = 20_000 if FULL else 2_000
CHECKED = 3  # trials of a cell that also go through the records where all are solved at once
RATIOS = (0.0, 1.0, 2.0) if FULL else (1.0,)
LEVEL = 0.95
TABLE = Path(__file__).parent / "tables" / "blocks.csv"
PH = Outcome("ph", "pH", "", "identity", 0, "pH of the compost", "where pH was read", "It cannot tell why.")


@dataclass(frozen=True)
class LayoutCase:
    """(n,) treatment and block codes of the bins that are left; ``lost`` names the pattern."""

    kind: str
    treatments: int
    replicates: int
    lost: str
    treatment: tuple[int, ...]
    block: tuple[int, ...]


@dataclass(frozen=True)
class Cell:
    """One row of the table. Coverages are shares of trials; NaN where refused."""

    case: LayoutCase
    variances: str
    ratio: float
    method: str
    df: float
    trials: int
    single: float
    together: float
    false_support: float


def block_cases() -> list[LayoutCase]:
    cases = []
    for blocks, arms in itertools.product((3, 4, 5, 6), (2, 3, 4)):
        seen = set()
        for lost in range(4):
            for holes in itertools.combinations(range(blocks * arms), lost):
                grid = np.ones(blocks * arms, dtype=int)
                grid[list(holes)] = 0
                key = _canonical(grid.reshape(blocks, arms))
                if key not in seen:
                    seen.add(key)
                    place, arm = np.nonzero(np.array(key))
                    pattern = "/".join("".join(map(str, row)) for row in key if not all(row)) or "none"
                    cases.append(LayoutCase("blocks", arms, blocks, pattern, tuple(arm.tolist()), _dense(place)))
    return cases


def random_cases(replicates: tuple[int, ...] = (3, 4, 5, 6), fewest: int = 0) -> list[LayoutCase]:
    cases = []
    for n, arms in itertools.product(replicates, (2, 3, 4)):
        seen = set()
        for lost in range(4):
            for where in itertools.combinations_with_replacement(range(arms), lost):
                counts = [n - where.count(i) for i in range(arms)]
                key = (counts[0], *sorted(counts[1:], reverse=True))
                if key in seen or min(key) < fewest:
                    continue
                seen.add(key)
                arm = tuple(i for i, count in enumerate(key) for _ in range(count))
                pattern = "+".join(map(str, key)) if lost else "none"
                cases.append(LayoutCase("completely random", arms, n, pattern, arm, ()))
    return cases


def _canonical(grid: np.ndarray) -> tuple[tuple[int, ...], ...]:
    """The same for layouts that differ by the names of blocks and of treatments other than the control only."""
    options = []
    for order in itertools.permutations(range(1, grid.shape[1])):
        columns = grid[:, [0, *order]]
        options.append(tuple(sorted(map(tuple, columns.tolist()), reverse=True)))
    return max(options)


def _dense(place: np.ndarray) -> tuple[int, ...]:
    return tuple(np.unique(place, return_inverse=True)[1].tolist())


def bin_values(case: LayoutCase, y: np.ndarray, variances: str | None = None) -> BinValues:
    plan = Plan(control="t0", level=LEVEL, layout=Layout(kind=case.kind, variances=variances))  # type: ignore[arg-type]
    block = case.block or (None,) * len(case.treatment)
    values = tuple(
        BinValue(f"b{k}", f"t{arm}", float(value), block=None if place is None else str(place))
        for k, (arm, place, value) in enumerate(zip(case.treatment, block, y, strict=True))
    )
    return BinValues(PH, "exploratory", plan, values)


def simulate(
    case: LayoutCase, ratio: float, trials: int, generator: np.random.Generator, control_sd: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """(n, S) responses and the (T,) true treatment effects."""
    arm = np.array(case.treatment)
    truth = generator.normal(size=case.treatments)
    sd = np.where(arm == 0, control_sd, 1.0)[:, None]
    y = truth[arm][:, None] + sd * generator.normal(size=(arm.size, trials))
    if case.block:
        place = np.array(case.block)
        y = y + ratio * generator.normal(size=(place.max() + 1, trials))[place]
    return y, truth


def summarise(case, variances, ratio, method, df, estimate, std_error, single, together, truth) -> Cell:
    """Shares of trials from (K, S) estimates and standard errors and their critical values."""
    miss = estimate - truth[:, None]
    alone = np.abs(miss) <= single * std_error
    all_hold = np.all(np.abs(miss) <= together * std_error, axis=0)
    # A claim of exactly the true size is supported where the family's interval lies at or beyond it.
    support = (miss - together * std_error >= 0.0).mean(axis=1)
    return Cell(
        case=case,
        variances=variances,
        ratio=ratio,
        method=method,
        df=df,
        trials=estimate.shape[1],
        single=float(alone.mean(axis=1)[np.argmax(np.abs(alone.mean(axis=1) - LEVEL))]),  # the worst comparison
        together=float(all_hold.mean()),
        false_support=float(support.max()),
    )


def run_common(case: LayoutCase, ratio: float, generator: np.random.Generator) -> Cell:
    y, truth = simulate(case, ratio, TRIALS, generator)
    fit = fit_bins(bin_values(case, y[:, 0], "common"))
    if isinstance(fit, Refusal):
        return Cell(case, "common", ratio, "refused", np.nan, 0, np.nan, np.nan, np.nan)
    if fit.method == "reml":
        return run_random(case, ratio, y, truth)
    family = family_of(fit, pairs_asked(fit))
    assert family is not None
    row = np.array([int(a[1:]) for a, _ in family.pairs])
    block = np.array(case.block) if case.block else None
    result = fit_strata(strata_design(np.array(case.treatment), block, treatments=case.treatments), y)
    estimate, std_error = result.differences[row, 0], result.std_errors[row, 0]
    # What is counted here is what is reported: the record of the first trial carries the same numbers.
    np.testing.assert_allclose(family.estimate, estimate[:, 0], atol=1e-12)
    np.testing.assert_allclose(family.std_error, std_error[:, 0], rtol=1e-10)
    single = critical_t(1.0 - LEVEL, family.df)[:, None]
    together = family.critical(LEVEL)[:, None]
    effect = truth[row] - truth[0]
    return summarise(
        case, "common", ratio, fit.method, float(family.df[0]), estimate, std_error, single, together, effect
    )


def run_random(case: LayoutCase, ratio: float, y: np.ndarray, truth: np.ndarray) -> Cell:
    """Blocks random, all trials at once; the first of them also through the records, which must carry the same."""
    arm, block = np.array(case.treatment), np.array(case.block)
    fits = [fit_bins(bin_values(case, y[:, s], "common")) for s in range(CHECKED)]
    asked = next(pairs_asked(fit) for fit in fits if isinstance(fit, Fit))
    told = [pair for pair in asked if any(isinstance(fit, Fit) and pair not in fit.refused for fit in fits)]
    row = np.array([int(a[1:]) for a, _ in told])
    eye = np.eye(case.treatments)
    present = np.bincount(arm, minlength=case.treatments) > 0
    contrasts = [eye[i] - eye[0] for i in row]
    pairs = list(itertools.combinations(range(row.size), 2))
    rows = np.array([*contrasts, *(contrasts[i] - contrasts[j] for i, j in pairs)])[:, present]
    found = many_responses(y, eye[arm][:, present], block, rows, bounded=True)
    estimate, std_error = found.estimate[: row.size], found.std_error[: row.size]
    df, variance = df_with_one_inside(found.df[: row.size]), found.std_error**2
    shared = np.full((max(len(pairs), 1), y.shape[1]), np.nan)
    for k, (i, j) in enumerate(pairs):
        shared[k] = (variance[i] + variance[j] - variance[row.size + k]) / (2 * np.sqrt(variance[i] * variance[j]))
    family = analysis_case(BinCodes(arm, block), "common")
    family = replace(family, method="random blocks", comparisons=row.size)
    together = np.array([family_critical(family, LEVEL, one, shared.mean(axis=0))[0] for one in df])
    for s, fit in enumerate(fits):
        for k, one in enumerate(compare(fit) if isinstance(fit, Fit) else ()):
            if isinstance(one, Comparison) and np.isfinite(std_error[:, s]).all():
                np.testing.assert_allclose([one.estimate, one.std_error], [estimate[k, s], std_error[k, s]], rtol=1e-4)
                np.testing.assert_allclose(one.df, df[k, s], rtol=1e-3)
                width = (one.interval.high - one.estimate) / one.std_error
                # Three correlations are taken as equal: that moves a share of trials by less than 0.001.
                np.testing.assert_allclose(width, together[k, s], rtol=0.015)
    known = np.isfinite(std_error).all(axis=0) & np.isfinite(together).all(axis=0)
    refused = int((~known).sum())
    method = "reml" if refused == 0 else f"reml, {refused} refused"
    single = special.stdtrit(df[:, known], 0.5 + 0.5 * LEVEL)
    effect = truth[row] - truth[0]
    return summarise(
        case, "common", ratio, method, float(np.median(df[:, known])), estimate[:, known], std_error[:, known], single,
        together[:, known], effect,
    )  # fmt: skip


def run_by_treatment(case: LayoutCase, control_sd: float, generator: np.random.Generator) -> Cell:
    """A variance for each treatment, the control's standard deviation ``control_sd`` times the others'."""
    y, truth = simulate(case, 1.0, TRIALS, generator, control_sd)
    arm = np.array(case.treatment)
    if case.block:
        pairs = blocks_by_treatment(y, arm, np.array(case.block), treatments=case.treatments)
    else:
        pairs = completely_random_by_treatment(y, arm, treatments=case.treatments)
    row = np.arange(1, case.treatments)
    fit = fit_bins(bin_values(case, y[:, 0]))
    assert isinstance(fit, Fit) and fit.variances == "by treatment"
    family = family_of(fit, pairs_asked(fit))
    assert family is not None
    df, std_error = pairs.df[row, 0], pairs.std_errors[row, 0]
    np.testing.assert_allclose(family.std_error, std_error[:, 0], rtol=1e-10)
    np.testing.assert_allclose(family.df, df[:, 0], rtol=1e-10)
    single = special.stdtrit(df, 0.5 + 0.5 * LEVEL)
    together = special.stdtrit(df, 1.0 - 0.5 * (1.0 - LEVEL) / row.size)
    effect = truth[row] - truth[0]
    middle = float(np.median(df))
    return summarise(
        case, "by treatment", control_sd, fit.df_method, middle, pairs.differences[row, 0], std_error, single, together,
        effect,
    )  # fmt: skip


def allowance(cells: int, trials: int, share: float) -> float:
    """Simulation error that all cells together exceed with chance 0.001."""
    return float(stats.norm.isf(0.0005 / cells) * np.sqrt(share * (1.0 - share) / trials))


def write_table(common_cells: list[Cell], separate_cells: list[Cell]) -> None:
    columns = "layout,treatments,replicates,lost,variances,sd_ratio,method,df,trials,single,together,false_support"
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# Share of trials whose {LEVEL:.0%} intervals hold; seed {SEED}, {date.today().isoformat()}\n")
        file.write("# lost: blocks that are short (control first, 1 = has a value), or bins left per treatment\n")
        file.write("# sd_ratio: block to bin, with variances by treatment: control to others (blocks then 1)\n")
        file.write("# single: the comparison farthest from 0.95; together: all of the family at once\n")
        file.write("# false_support: a claim of exactly the true size called supported, worst of the family\n")
        writer = csv.writer(file)
        writer.writerow(columns.split(","))
        for cell in [*common_cells, *separate_cells]:
            case = cell.case
            numbers = [f"{x:.4f}" for x in (cell.single, cell.together, cell.false_support)]
            head = [case.kind, case.treatments, case.replicates, case.lost, cell.variances, cell.ratio]
            writer.writerow([*head, cell.method, f"{cell.df:g}", cell.trials, *numbers])


@pytest.fixture(scope="module")
def common_cells() -> list[Cell]:
    cases = block_cases() + random_cases()
    runs = [(case, ratio) for case in cases for ratio in (RATIOS if case.block else (0.0,))]
    seeds = np.random.SeedSequence(SEED).spawn(len(runs))
    return [run_common(*run, np.random.default_rng(seed)) for run, seed in zip(runs, seeds, strict=True)]


@pytest.fixture(scope="module")
def separate_cells() -> list[Cell]:
    cases = random_cases((5, 6, 8), fewest=5)
    cases += [case for case in block_cases() if case.replicates == 6 and case.lost == "none"]
    runs = [(case, sd) for case in cases for sd in (1.0, 2.0)]
    seeds = np.random.SeedSequence(SEED + 1).spawn(len(runs))
    return [run_by_treatment(*run, np.random.default_rng(seed)) for run, seed in zip(runs, seeds, strict=True)]


def test_every_pattern_is_there_once():
    cases = block_cases()
    counted = {(c.replicates, c.treatments): 0 for c in cases}
    for case in cases:
        counted[case.replicates, case.treatments] += 1
    # 3 × 2 by hand: none; one of the control, one of the other; two in a block, two of an arm (twice), one of each in
    # two blocks; three: a whole arm (twice), a block and one of an arm (twice), two of an arm and one of the other in
    # the third block (twice).
    assert counted[3, 2] == 13
    assert len({(c.replicates, c.treatments, c.treatment, c.block) for c in cases}) == len(cases)


def test_fixed_blocks_hold_exactly_in_every_pattern(common_cells, separate_cells):
    cells = [c for c in common_cells if c.method == "least squares in strata"]
    assert len(cells) > 100
    slack = allowance(3 * len(cells), TRIALS, LEVEL)
    if FULL:
        write_table(common_cells, separate_cells)
    wrong = [c for c in cells if abs(c.together - LEVEL) > slack or abs(c.single - LEVEL) > slack]
    assert not wrong
    if FULL:
        assert all(0.94 <= c.together <= 0.96 and 0.94 <= c.single <= 0.96 for c in cells)


def test_a_true_claim_of_the_exact_size_is_supported_no_more_often_than_allowed(common_cells):
    cells = [c for c in common_cells if c.method == "least squares in strata"]
    slack = allowance(3 * len(cells), TRIALS, 0.025)
    assert max(c.false_support for c in cells) <= 0.025 + slack


def test_a_difference_at_the_edge_of_the_margin_is_rarely_called_none():
    """The level 90 % interval lies wholly short of a true difference in at most 5 % of trials, in every pattern."""
    cases = [c for c in block_cases() if c.replicates == 4 and c.treatments == 3]
    for number, case in enumerate(cases):
        y, truth = simulate(case, 1.0, TRIALS, np.random.default_rng([SEED, 3, number]))
        fit = fit_bins(bin_values(case, y[:, 0], "common"))
        if isinstance(fit, Refusal) or fit.method == "reml":
            continue
        family = family_of(fit, pairs_asked(fit))
        assert family is not None
        row = np.array([int(a[1:]) for a, _ in family.pairs])
        design = strata_design(np.array(case.treatment), np.array(case.block), treatments=case.treatments)
        result = fit_strata(design, y)
        high = result.differences[row, 0] + family.critical(0.9)[:, None] * result.std_errors[row, 0]
        share = (high < (truth[row] - truth[0])[:, None]).mean(axis=1)
        assert np.all(share <= 0.05 + allowance(2 * len(cases), TRIALS, 0.05)), case


def test_random_blocks_hold_where_one_degree_of_freedom_is_left(common_cells):
    cells = [c for c in common_cells if c.method.startswith("reml")]
    slack = allowance(2 * len(cells), TRIALS, 0.94)
    assert len(cells) > 20
    assert min(c.together for c in cells) >= 0.94 - slack
    assert min(c.single for c in cells) >= 0.94 - slack
    assert max(c.false_support for c in cells) <= 0.03 + allowance(len(cells), TRIALS, 0.03)


def test_only_layouts_without_error_or_without_a_treatment_are_refused(common_cells):
    refused = [cell.case for cell in common_cells if cell.method == "refused"]
    assert refused
    for cell in common_cells:
        case = cell.case
        block = np.array(case.block) if case.block else None
        error_df = strata_design(np.array(case.treatment), block, treatments=case.treatments).error_df
        bins = np.bincount(case.treatment, minlength=case.treatments)
        unanswerable = error_df < 1 or bins[0] == 0 or np.sum(bins > 0) < 2
        assert (case in refused) == unanswerable, case


def test_variances_by_treatment_hold_where_the_control_varies_four_times_as_much(separate_cells):
    slack = allowance(2 * len(separate_cells), TRIALS, LEVEL)
    assert min(c.together for c in separate_cells) >= 0.94 - slack
    assert min(c.single for c in separate_cells) >= 0.94 - slack


def test_variances_by_treatment_support_a_true_claim_no_more_often_than_allowed(separate_cells):
    slack = allowance(len(separate_cells), TRIALS, 0.025)
    assert max(c.false_support for c in separate_cells) <= 0.025 + slack


@pytest.mark.parametrize("bins", range(3, 9))
def test_equal_numbers_of_bins_need_welch_where_one_treatment_varies_four_times_as_much(bins):
    """Two arms, declared by treatment; the interval on 2 (n − 1) df supports a true claim too often."""
    case = next(c for c in random_cases((bins,)) if c.treatments == 2 and c.lost == "none")
    y, truth = simulate(case, 0.0, 40_000, np.random.default_rng([SEED, 4, bins]), control_sd=2.0)
    pairs = completely_random_by_treatment(y, np.array(case.treatment), treatments=2)
    miss = (pairs.differences[1, 0] - (truth[1] - truth[0])) / pairs.std_errors[1, 0]
    critical = special.stdtrit(pairs.df[1, 0], 0.975)
    three_errors = 3.0 * np.sqrt(0.025 * 0.975 / miss.size)
    assert np.mean(np.abs(miss) <= critical) >= 0.94
    assert np.mean(miss >= critical) <= 0.025 + three_errors
    shorter = special.stdtrit(2.0 * (bins - 1), 0.975)
    assert np.mean(miss >= shorter) > 0.026  # expected to fail, and shown
    assert np.all(critical >= shorter - 1e-9)


def test_a_common_variance_fails_where_the_control_varies_four_times_as_much():
    case = next(c for c in random_cases((6,)) if c.treatments == 4 and c.lost == "none")
    y, truth = simulate(case, 0.0, TRIALS, np.random.default_rng(SEED + 2), control_sd=2.0)
    fit = fit_bins(bin_values(case, y[:, 0], "common"))
    assert isinstance(fit, Fit)
    family = family_of(fit, pairs_asked(fit))
    assert family is not None
    result = fit_strata(strata_design(np.array(case.treatment)), y)
    miss = np.abs(result.differences[1:, 0] - (truth[1:] - truth[0])[:, None])
    together = np.all(miss <= family.critical(LEVEL)[:, None] * result.std_errors[1:, 0], axis=0).mean()
    assert together < 0.94  # expected to fail, and shown
