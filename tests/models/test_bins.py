"""From bin values to a fit: which method, which refusal, in which words."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import DesignError
from trialkit.models import fit_bins
from trialkit.records import BinValue, BinValues, Claim, Fit, Layout, Outcome, Plan, Refusal, Treatment

REFERENCE = Path(__file__).parents[1] / "reference"
RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "falling curves", "It cannot tell why.")
PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")


def values_of(rows, *, outcome=PH, control="A", kind="blocks", variances=None, **plan):
    """rows of (treatment, block, value); bins are numbered."""
    found = tuple(
        BinValue(f"b{k}", treatment, value, block=block, reason=None if value is not None else "it was lost")
        for k, (treatment, block, value) in enumerate(rows, start=1)
    )
    return BinValues(outcome, "primary", Plan(control, layout=Layout(kind, variances=variances), **plan), found)


def reference_values(name):
    case = json.loads((REFERENCE / f"strata_{name}.json").read_text(encoding="utf-8"))
    data = case["data"]
    blocks = data["block"] or [None] * len(data["y"])
    outcome = RATE if case["scale"] == "log" else PH
    rows = list(zip(data["treatment"], blocks, data["y"], strict=True))
    return values_of(rows, outcome=outcome, control=case["control"], kind=case["layout"], variances="common"), case


def complete(treatments, blocks, seed=1, kind="blocks"):
    generator = np.random.default_rng(seed)
    return [
        (t, None if kind != "blocks" else str(b), float(generator.normal(10.0, 1.0)))
        for t in treatments
        for b in range(1, blocks + 1)
    ]


# ---------------------------------------------------------------- what comes out
def test_three_arms_in_blocks():
    """Invented set; analysis of variance of the logs with R 4.2.2."""
    values, case = reference_values("three_arms")
    fit = fit_bins(values)
    assert isinstance(fit, Fit)
    assert (fit.method, fit.df_method, fit.variances) == ("least squares in strata", "intra-block error", "common")
    assert fit.treatments == ("water", "sham", "live")
    assert fit.f_test["f"] == pytest.approx(100.740, abs=5.1e-4)
    assert (fit.f_test["df_num"], fit.f_test["df_den"]) == (2.0, 6.0)
    estimate, std_error = case["expected"]["live_sham"][:2]
    assert fit.differences[2, 1] == pytest.approx(estimate, abs=5.1e-8)
    assert fit.std_errors[2, 1] == pytest.approx(std_error, abs=5.1e-8)
    assert fit.components["block"] == pytest.approx(case["expected"]["block_variance"], rel=1e-7)
    assert fit.blocks_used == ("1", "2", "3", "4")
    assert fit.counts.tolist() == [[4, 4, 4]] * 3
    assert fit.notes == () and fit.refused == {}


def test_the_same_bins_without_blocks():
    values, case = reference_values("three_arms")
    plan = replace(values.plan, layout=Layout("completely random", variances="common"))
    fit = fit_bins(replace(values, plan=plan))
    expected = case["expected"]["without_blocks"]
    assert fit.f_test["f"] == pytest.approx(expected["f"], abs=5.1e-5)
    assert fit.f_test["p"] == pytest.approx(expected["p"], abs=5.1e-6)
    assert fit.notes == (
        "The bins name blocks, but the layout is declared completely random; the blocks are not used.",
    )


def test_bins_count_and_probes_do_not():
    """Invented: four probes in each of three bins; by bins F(1, 4) = 0.649351, p = 0.465521."""
    values, _ = reference_values("probes")
    fit = fit_bins(values)
    assert fit.f_test["f"] == pytest.approx(0.649351, abs=5.1e-7)
    assert fit.f_test["df_den"] == 4.0
    assert fit.f_test["p"] == pytest.approx(0.465521, abs=5.1e-7)


def test_means_of_the_penicillin_blends():
    values, case = reference_values("penicillin")
    fit = fit_bins(values)
    assert fit.means.tolist() == pytest.approx(case["expected"]["means"])
    assert fit.mean_std_error.tolist() == pytest.approx([np.sqrt(226 / 12 / 5)] * 4)


def test_arrays_are_read_only():
    fit = fit_bins(values_of(complete("AB", 4)))
    with pytest.raises(ValueError, match="read-only"):
        fit.differences[0, 1] = 0.0


# ---------------------------------------------------------------- order and lost bins
def test_treatments_follow_the_plan_then_the_control_first():
    rows = complete("CAB", 3)
    assert fit_bins(values_of(rows)).treatments == ("A", "C", "B")
    declared = (Treatment("B"), Treatment("A"), Treatment("C"))
    assert fit_bins(values_of(rows, treatments=declared)).treatments == ("B", "A", "C")


def test_lost_bins_are_left_out_and_named():
    rows = complete("AB", 4)
    rows[1] = ("A", "2", None)
    fit = fit_bins(values_of(rows))
    assert "Bin b2 (A) has no value and is left out: it was lost." in fit.notes
    assert "Block 2 holds one treatment only, so nothing can be compared inside it." in fit.notes
    assert fit.blocks_used == ("1", "3", "4")
    assert fit.counts.tolist() == [[3, 3], [3, 4]]
    pairs = np.array([[r[2] for r in rows if r[0] == t and r[1] != "2"] for t in "AB"])
    expected = stats.ttest_rel(pairs[1], pairs[0])
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(expected.statistic)


def test_several_silent_blocks():
    rows = [(t, b, None if (t, b) in {("A", "2"), ("B", "4")} else v) for t, b, v in complete("AB", 6)]
    fit = fit_bins(values_of(rows, variances="common"))
    assert "Blocks 2 and 4 each hold one treatment only, so nothing can be compared inside them." in fit.notes


def test_one_bin_of_a_treatment_borrows_the_spread_of_the_others():
    rows = [r for r in complete("ABC", 4) if r[0] != "C" or r[1] == "1"]
    fit = fit_bins(values_of(rows))
    assert np.isfinite(fit.std_errors[2, 0])
    assert (
        "Only one bin of C has a value; its interval rests on how much the bins of the other treatments differ."
        in fit.notes
    )


def test_a_treatment_without_a_value_is_refused_and_the_others_stay():
    rows = [(t, b, None if t == "C" else v) for t, b, v in complete("ABC", 4)]
    fit = fit_bins(values_of(rows))
    assert np.isnan(fit.differences[2, 0]) and np.isfinite(fit.differences[1, 0])
    assert fit.refused["C", "A"] == "No bin of C has a value of pH. Two bins or more would be needed."
    assert fit.counts[2].tolist() == [0, 0, 0]


def test_a_treatment_that_coincides_with_a_block_is_refused_and_the_others_stay():
    rows = [*complete("AB", 4), ("C", "5", 10.0), ("C", "5", 11.0)]
    fit = fit_bins(values_of(rows))
    assert fit.method == "least squares in strata"
    assert np.isnan(fit.differences[2, 0]) and np.isfinite(fit.differences[1, 0])
    assert fit.refused["C", "A"] == (
        "All bins of C stand in block 5, which holds nothing else, so what C does cannot be told from what that block "
        "does. Bins of C in a block with the others would be needed."
    )


# ---------------------------------------------------------------- variances
@pytest.mark.parametrize(("bins", "rule"), [(4, "common"), (5, "by treatment")])
def test_default_rule_completely_random(bins, rule):
    rows = complete("AB", bins, kind="completely random")
    assert fit_bins(values_of(rows, kind="completely random")).variances == rule


@pytest.mark.parametrize(("blocks", "rule"), [(5, "common"), (6, "by treatment")])
def test_default_rule_in_blocks_counts_complete_blocks(blocks, rule):
    assert fit_bins(values_of(complete("AB", blocks))).variances == rule


def test_default_rule_ignores_incomplete_blocks():
    rows = complete("AB", 6)
    rows[0] = ("A", "1", None)
    assert fit_bins(values_of(rows)).variances == "common"


def test_declared_and_asked_for_win():
    rows = complete("AB", 4)
    assert fit_bins(values_of(rows, variances="by treatment")).variances == "by treatment"
    assert fit_bins(values_of(rows, variances="by treatment"), variances="common").variances == "common"
    assert fit_bins(values_of(complete("AB", 8), variances="common")).variances == "common"
    with pytest.raises(DesignError, match='found "welch"; expected "common" or "by treatment"'):
        fit_bins(values_of(rows), variances="welch")


def test_two_bins_have_no_variance_of_their_own():
    rows = [*complete("AB", 2, kind="completely random"), ("B", None, 11.0)]
    fit = fit_bins(values_of(rows, kind="completely random", variances="by treatment"))
    assert fit.variances == "common"
    assert fit.notes == (
        "Variances by treatment were asked for, but A has fewer than 3 bins; one common variance is used.",
    )


def test_by_treatment_completely_random():
    rows = complete("AB", 6, kind="completely random")[:-1]
    fit = fit_bins(values_of(rows, kind="completely random"))
    a, b = ([r[2] for r in rows if r[0] == t] for t in "AB")
    expected = stats.ttest_ind(b, a, equal_var=False)
    assert fit.df_method == "Welch–Satterthwaite"
    assert fit.df[1, 0] == pytest.approx(expected.df)
    assert fit.covariance is None and fit.f_test is None
    assert fit.components == pytest.approx({"residual, A": np.var(a, ddof=1), "residual, B": np.var(b, ddof=1)})


def test_by_treatment_in_blocks():
    rows = complete("AB", 6)
    fit = fit_bins(values_of(rows))
    a, b = ([r[2] for r in rows if r[0] == t] for t in "AB")
    assert fit.df_method == "paired differences"
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(stats.ttest_rel(b, a).statistic)
    assert fit.components == {"paired difference, B − A": pytest.approx(np.var(np.subtract(b, a), ddof=1))}


# ---------------------------------------------------------------- blocks random
def test_one_error_df_takes_blocks_as_random():
    """Two complete blocks of two: where blocks differ, Kenward–Roger gives the paired t on 1 df."""
    rows = [("A", "1", 10.0), ("B", "1", 11.0), ("A", "2", 20.0), ("B", "2", 21.4)]
    fit = fit_bins(values_of(rows))
    assert (fit.method, fit.df_method, fit.bounded, fit.at_bound) == (
        "reml",
        "Kenward–Roger, a tenth fewer df",
        True,
        False,
    )
    assert fit.differences[1, 0] == pytest.approx(1.2)
    assert fit.std_errors[1, 0] == pytest.approx(0.2, rel=1e-5)
    assert fit.df[1, 0] == pytest.approx(1.0, rel=1e-6)
    assert fit.notes[-1].startswith("One degree of freedom is left inside blocks")


def test_one_error_df_where_blocks_do_not_differ_pools_them():
    """Block variance at its bound 0: the two-sample t with 2 df (and its lower adjusted information)."""
    rows = [("A", "1", 10.0), ("B", "1", 13.0), ("A", "2", 11.0), ("B", "2", 12.0)]
    fit = fit_bins(values_of(rows))
    assert fit.method == "reml" and fit.at_bound
    assert fit.components["block"] == 0.0
    assert fit.differences[1, 0] == pytest.approx(2.0)


def test_treatments_that_meet_in_no_block_are_compared_between_blocks():
    """Two bins of one treatment in each block: the t-test of the block means, 3 blocks against 3."""
    cells = {
        "1": [10.0, 10.4],
        "2": [12.0, 12.6],
        "3": [11.0, 11.2],
        "4": [14.0, 14.2],
        "5": [13.0, 13.6],
        "6": [15.5, 15.1],
    }
    rows = [("A" if block in "123" else "B", block, v) for block, pair in cells.items() for v in pair]
    fit = fit_bins(values_of(rows, variances="common"))
    means = {block: np.mean(pair) for block, pair in cells.items()}
    expected = stats.ttest_ind([means[b] for b in "456"], [means[b] for b in "123"])
    assert fit.method == "reml"
    assert fit.df[1, 0] == pytest.approx(4.0, rel=1e-6)
    assert fit.differences[1, 0] / fit.std_errors[1, 0] == pytest.approx(expected.statistic, rel=1e-6)
    assert any("compare B with A side by side" in note for note in fit.notes)


def test_a_pair_nobody_asks_for_does_not_change_the_method():
    """A, B in blocks 1 to 3 and C, D in blocks 4 to 6, A the control: C and D need differences between blocks."""
    rows = complete("AB", 3) + [(t, str(int(b) + 3), v) for t, b, v in complete("CD", 3, seed=2)]
    fit = fit_bins(values_of(rows))
    assert fit.method == "reml"
    # The same bins where the claim is all that is asked: C beside D, inside their blocks.
    two = [row for row in rows if row[0] in "CD"]
    inside = fit_bins(values_of(two, control="C"))
    assert inside.method == "least squares in strata"


# ---------------------------------------------------------------- refusals
def refused(values, **keywords):
    found = fit_bins(values, **keywords)
    assert isinstance(found, Refusal)
    assert found.stage == "models" and found.outcome == values.outcome.name and found.values is values
    return found.reasons


def test_one_bin_per_treatment():
    reasons = refused(values_of([("A", "1", 1.0), ("B", "1", 2.0), ("C", "2", 2.0)]))
    assert reasons == (
        "Each treatment has one bin, so a difference between treatments cannot be told from a difference between two "
        "bins treated alike. More readings of the same bins do not help; one more bin of each treatment would.",
    )


def test_each_treatment_in_a_block_of_its_own():
    rows = [("A", "1", 1.0), ("A", "1", 2.0), ("B", "2", 2.0), ("B", "2", 3.0)]
    reasons = refused(values_of(rows))
    assert len(reasons) == 2
    assert reasons[0].startswith("All bins of A stand in block 1, which holds nothing else")


def test_no_error_left():
    rows = [("A", "1", 1.0), ("B", "1", 2.0), ("A", "2", 2.0)]
    (reason,) = refused(values_of(rows))
    assert reason == (
        "After differences between blocks and between treatments are taken out, these 3 bins leave nothing to show how "
        "much bins treated alike differ. One more bin of each treatment, best as a further complete block, would be "
        "needed."
    )


def test_control_without_a_value():
    rows = [(t, b, None if t == "A" else v) for t, b, v in complete("AB", 3)]
    (reason,) = refused(values_of(rows))
    assert reason.startswith("No bin of the control (A) has a value of pH, so nothing can be compared with it.")


def test_no_control_and_unknown_control():
    assert refused(values_of(complete("AB", 3), control=None)) == (
        "No control is named, so there is nothing to compare with. Name one of the treatments as control.",
    )
    assert refused(values_of(complete("AB", 3), control="Z")) == (
        'The control "Z" is not a treatment of these bins; they have A and B.',
    )


def test_all_pairs_need_no_control():
    assert isinstance(fit_bins(values_of(complete("AB", 3), control=None, comparisons="all pairs")), Fit)


def test_one_treatment_and_no_value_at_all():
    rows = [(t, b, None if t == "B" else v) for t, b, v in complete("AB", 3)]
    assert refused(values_of(rows))[0].startswith("Only one treatment (A) has a value of pH")
    nothing = values_of([("A", "1", None), ("B", "1", None)], control=None, comparisons="all pairs")
    assert refused(nothing) == ("No bin has a value of pH.",)


def test_a_bin_without_a_block():
    rows = complete("AB", 3)
    rows[2] = ("A", None, 9.0)
    assert refused(values_of(rows)) == (
        "The layout says blocks, but bin b3 has no block. "
        'Fill in the block of every bin, or declare the layout as "completely random" if that is how it was drawn.',
    )


def test_a_value_without_a_logarithm():
    rows = complete("AB", 3)
    rows[4] = ("B", "2", 0.0)
    assert refused(values_of(rows, outcome=RATE)) == (
        "decay rate needs values above 0, because treatments are compared as ratios; found b5 (0). "
        "Check these bins' readings; a bin is never left out because of its value.",
    )


def test_a_value_that_is_no_number():
    rows = complete("AB", 3)
    rows[4] = ("B", "2", float("inf"))
    assert "that are finite numbers; found b5 (inf)" in refused(values_of(rows))[0]


@pytest.mark.parametrize("kind", ["blocks", "completely random"])
@pytest.mark.parametrize("variances", ["common", "by treatment"])
def test_bins_without_any_spread(kind, variances):
    rows = [(t, str(b), 7.0 if t == "A" else 8.0) for t in "AB" for b in range(6)]
    (reason,) = refused(values_of(rows, kind=kind), variances=variances)
    assert "all have exactly the same pH, so there is no spread to judge a difference by" in reason


def test_no_spread_with_blocks_random():
    rows = [("A", "1", 10.0), ("B", "1", 11.0), ("A", "2", 20.0), ("B", "2", 21.0)]
    (reason,) = refused(values_of(rows))
    assert "no spread to judge a difference by" in reason


def test_pairs_that_never_meet_are_refused_by_name():
    """Variances by treatment need pairs; A and C share one block only."""
    rows = [*complete("AB", 4), ("C", "1", 9.0), *[("C", str(b), 9.0 + b) for b in (5, 6)]]
    rows += [("B", "5", 9.5), ("B", "6", 10.1)]
    claims = (Claim("x", "B", "A", "ph", "at_least", 1.0),)
    values = values_of(rows, variances="by treatment", claims=claims)
    fit = fit_bins(values)
    assert fit.variances == "common"  # A and C have too few complete pairs
    assert any("A and C" in note or "C and A" in note for note in fit.notes)


def test_values_that_were_refused_travel_on():
    earlier = Refusal("outcomes", ("No column carries it.",), "ph")
    assert fit_bins(earlier) is earlier


def test_importing_the_room_needs_no_data_frames():
    code = "import sys, trialkit.models; sys.exit('pandas' in sys.modules or 'statsmodels' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_names_of_the_room():
    import trialkit.models

    with pytest.raises(AttributeError, match=r"it has .*fit_bins, fit_mixed"):
        trialkit.models.fit_something  # noqa: B018
