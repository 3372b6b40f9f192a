"""Comparisons against published simultaneous limits, and what joins a family."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats

from trialkit.contrasts import adjust_secondary, compare, compare_level, compare_pair
from trialkit.errors import DesignError
from trialkit.models import fit_bins
from trialkit.numerics.turning import inverted
from trialkit.records import BinValue, BinValues, Claim, Comparison, Interval, Layout, Outcome, Plan, Refusal

REFERENCE = Path(__file__).parents[1] / "reference"
RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "falling curves", "It cannot tell why.")
PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")
DAYS = Outcome("days_to_finish", "days to finish", "days", "log", -1, "time", "where seen", "It cannot tell why.")


def load(name):
    return json.loads((REFERENCE / f"strata_{name}.json").read_text(encoding="utf-8"))


def values_from(case, variances="common", without=(), **plan):
    data = case["data"]
    blocks = data["block"] or [None] * len(data["y"])
    values = tuple(
        BinValue(f"b{k}", t, y, block=b)
        for k, (t, b, y) in enumerate(zip(data["treatment"], blocks, data["y"], strict=True))
        if t not in without
    )
    outcome = RATE if case["scale"] == "log" else PH
    return BinValues(
        outcome, "primary", Plan(case["control"], layout=Layout(case["layout"], variances), **plan), values
    )


def compared(name, **keywords):
    case = load(name)
    found = compare(fit_bins(values_from(case, **keywords)))
    assert all(isinstance(one, Comparison) for one in found)
    return case, {one.treatment: one for one in found}


@pytest.mark.parametrize(
    "name", ["insecticides", "soybean_failures", "fabric_strength", "blood_counts", "plant_growth", "three_arms"]
)
def test_published_limits_against_the_control(name):
    case, found = compared(name)
    expected, tolerance = case["expected"], case["tolerance"]
    for treatment, known in expected.get("versus", {}).items():
        one = found[treatment]
        estimate, p = known if isinstance(known, list) else (known, None)
        assert one.estimate == pytest.approx(estimate, abs=tolerance["estimate"])
        if p is not None:
            assert one.p == pytest.approx(p, abs=tolerance["p"])
    for treatment, p in expected.get("versus_p", {}).items():
        assert found[treatment].p == pytest.approx(p, abs=tolerance["p"])
    for treatment, (low, high) in expected.get("limits", {}).items():
        assert found[treatment].interval.low == pytest.approx(low, abs=tolerance["limits"])
        assert found[treatment].interval.high == pytest.approx(high, abs=tolerance["limits"])
    for one in found.values():
        assert one.interval.adjustment == "multivariate t"
        assert one.against == case["control"]
        if "half_width" in expected:
            half = 0.5 * (one.interval.high - one.interval.low)
            assert half == pytest.approx(expected["half_width"], abs=tolerance["half_width"])
        if "critical" in expected and one.kind == "difference":
            critical = (one.interval.high - one.estimate) / one.std_error
            assert critical == pytest.approx(expected["critical"], abs=tolerance["critical"])


@pytest.mark.parametrize(("treatment", "key"), [("treated", "pooled"), ("equal", "equal")])
def test_two_treatments_as_the_t_test(treatment, key):
    """Invented rates, R 4.2.2 t.test with equal variances; 90 % limits for equivalence."""
    other = "equal" if treatment == "treated" else "treated"
    case, found = compared("two_rates", without=(other,))
    expected, one = case["expected"][key], found[treatment]
    assert one.interval == replace(one.alone)
    assert one.interval.adjustment == "none"
    assert one.margin_interval.level == 0.9
    for name, value in {
        "estimate": one.estimate,
        "std_error": one.std_error,
        "df": one.df,
        "p": one.p,
        "low": one.interval.low,
        "high": one.interval.high,
        "inner_low": one.margin_interval.low,
        "inner_high": one.margin_interval.high,
    }.items():
        if name in expected:
            assert value == pytest.approx(expected[name], abs=5.1e-7), name


def test_unadjusted_limits_stand_beside_the_simultaneous_ones():
    """Snedecor & Cochran, soybean failures: unadjusted p .0065 .0962 .0115 .0037."""
    case, found = compared("soybean_failures")
    for name, p in zip(["T1", "T2", "T3", "T4"], case["expected"]["p_alone"], strict=True):
        one = found[name]
        assert 2.0 * special.stdtr(one.df, -abs(one.estimate / one.std_error)) == pytest.approx(p, abs=5.1e-5)
        assert one.alone.low > one.interval.low and one.alone.high < one.interval.high
        assert one.margin_alone.low > one.margin_interval.low > one.interval.low
        assert (one.alone.adjustment, one.margin_alone.level) == ("none", 0.9)


def test_p_and_interval_agree():
    for name in ("insecticides", "soybean_failures", "plant_growth", "three_arms"):
        for one in compared(name)[1].values():
            none = 1.0 if one.kind == "ratio" else 0.0
            assert (one.p < 0.05) == (not one.interval.low <= none <= one.interval.high)


def test_variances_of_their_own_give_bonferroni():
    case = load("doughnut_fats")
    values = values_from(case, variances="by treatment")
    arms = {name: [v.value for v in values.values if v.treatment == name] for name in case["data"]["treatment"]}
    found = compare(fit_bins(values))
    for one in found:
        critical = special.stdtrit(one.df, 1.0 - 0.05 / 6.0)
        own = [np.log(v) if case["scale"] == "log" else v for v in arms[one.treatment]]
        base = [np.log(v) if case["scale"] == "log" else v for v in arms[one.against]]
        assert one.df == pytest.approx(stats.ttest_ind(own, base, equal_var=False).df)
        assert one.interval.adjustment == "bonferroni"
        assert one.interval.high - one.estimate == pytest.approx(critical * one.std_error)
        alone = 2.0 * special.stdtr(one.df, -abs(one.estimate / one.std_error))
        assert one.p == pytest.approx(min(1.0, 3.0 * alone))


def test_all_pairs_are_later_minus_earlier():
    case = load("three_arms")
    found = compare(fit_bins(values_from(case, comparisons="all pairs")))
    assert [(c.treatment, c.against) for c in found] == [("sham", "water"), ("live", "water"), ("live", "sham")]
    # Studentised range, 3 treatments, 6 df, 5 %: 4.339 (published tables), over √2.
    half = math.log(found[2].interval.high / found[2].estimate) / found[2].std_error
    assert half == pytest.approx(4.339 / math.sqrt(2.0), abs=5e-4)


def test_a_claims_pair_joins_the_family():
    case = load("three_arms")
    claim = Claim("live beats killed", "live", "sham", "decay_rate", "times_as_fast", 1.05)
    plain = compare(fit_bins(values_from(case)))
    found = compare(fit_bins(values_from(case, claims=(claim,))))
    assert [(c.treatment, c.against) for c in found] == [("sham", "water"), ("live", "water"), ("live", "sham")]
    assert found[0].interval.high > plain[0].interval.high
    same = compare(fit_bins(values_from(case, comparisons="all pairs")))
    assert [c.interval for c in found] == [c.interval for c in same]
    # Neither a claim on another outcome, nor one of a pair that is there in the other order, adds anything.
    other = (replace(claim, outcome="ph"), replace(claim, treatment="water", against="live"))
    assert [c.interval for c in compare(fit_bins(values_from(case, claims=other)))] == [c.interval for c in plain]


def test_one_pair_in_either_order():
    fit = fit_bins(values_from(load("three_arms")))
    straight, turned = compare_pair(fit, "live", "water"), compare_pair(fit, "water", "live")
    assert straight == compare(fit)[1]
    assert turned == inverted(straight)
    assert turned.estimate == pytest.approx(1.0 / straight.estimate)
    assert turned.interval.low == pytest.approx(1.0 / straight.interval.high)


def test_one_pair_outside_the_family_is_added_to_it():
    case = load("three_arms")
    one = compare_pair(fit_bins(values_from(case)), "live", "sham")
    together = compare(fit_bins(values_from(case, comparisons="all pairs")))[2]
    assert one.interval == together.interval and one.p == together.p


def test_names_that_are_not_there():
    fit = fit_bins(values_from(load("three_arms")))
    with pytest.raises(DesignError, match=r'found the treatment "Live"; expected one of water, sham, live\. Nearest'):
        compare_pair(fit, "Live", "water")
    with pytest.raises(DesignError, match='found "live" compared with itself'):
        compare_pair(fit, "live", "live")


def test_a_pair_that_cannot_be_estimated_stands_as_a_refusal_and_leaves_the_family():
    case = load("three_arms")
    values = values_from(case)
    lost = tuple(replace(v, value=None) if v.treatment == "sham" else v for v in values.values)
    found = compare(fit_bins(replace(values, values=lost)))
    assert isinstance(found[0], Refusal)
    assert (found[0].stage, found[0].treatment, found[0].against) == ("contrasts", "sham", "water")
    assert found[0].reasons == ("No bin of sham has a value of decay rate. Two bins or more would be needed.",)
    assert found[1].interval.adjustment == "none"
    one = compare_pair(fit_bins(replace(values, values=lost)), "water", "sham")
    assert (one.treatment, one.against) == ("water", "sham")


def test_a_refused_fit_travels_on():
    values = values_from(load("three_arms"))
    refusal = fit_bins(replace(values, plan=replace(values.plan, control=None)))
    assert compare(refusal) == (refusal,)
    assert compare_pair(refusal, "live", "water") == replace(refusal, treatment="live", against="water")


def test_kenward_roger_comparisons_keep_their_own_df():
    """Two blocks of three, one bin lost: one df inside blocks."""
    rows = [("A", "1", 10.0), ("B", "1", 11.0), ("C", "1", 12.5), ("A", "2", 13.0), ("B", "2", 14.3)]
    values = tuple(BinValue(f"b{k}", t, y, block=b) for k, (t, b, y) in enumerate(rows))
    fit = fit_bins(BinValues(PH, "primary", Plan("A", layout=Layout("blocks")), values))
    found = compare(fit)
    assert fit.method == "reml"
    assert [one.method for one in found] == ["reml, Kenward–Roger, a tenth fewer df"] * 2
    assert all(one.interval.adjustment == "multivariate t" for one in found)
    assert found[0].df == pytest.approx(float(fit.df[1, 0]))


def test_an_interval_too_wide_for_a_ratio_has_an_open_end():
    rows = [("A", -300.0), ("A", 300.0), ("B", -300.0), ("B", 301.0)]
    values = tuple(BinValue(f"b{k}", t, math.exp(y)) for k, (t, y) in enumerate(rows))
    (one,) = compare(fit_bins(BinValues(RATE, "primary", Plan("A"), values)))
    assert one.interval.high is None and one.interval.low == 0.0
    assert inverted(one).interval.high is None


# ---------------------------------------------------------------- one treatment by itself
def test_level_is_a_one_sample_interval():
    days = [62.0, 65.0, 59.0, 64.0]
    values = tuple(BinValue(f"b{k}", "live", y, block=str(k)) for k, y in enumerate(days))
    one = compare_level(BinValues(DAYS, "primary", Plan("water"), values), "live")
    y = np.log(days)
    half = special.stdtrit(3, 0.975) * y.std(ddof=1) / 2.0
    assert (one.kind, one.against, one.bins, one.p) == ("level", None, (4, 0), None)
    assert one.estimate == pytest.approx(math.exp(y.mean()))
    assert one.interval.low == pytest.approx(math.exp(y.mean() - half))
    assert one.interval == one.alone
    with pytest.raises(ValueError, match="no opposite order"):
        inverted(one)


@pytest.mark.parametrize(
    ("days", "reason"),
    [
        ([62.0, None], "live has one bin with a value of days to finish; two or more are needed for an interval."),
        ([None, None], "live has no bin with a value of days to finish; two or more are needed for an interval."),
        ([62.0, 62.0], "The bins of live all have exactly the same days to finish, so no spread shows."),
        ([62.0, 0.0], "days to finish of live has values that have no logarithm; found 0."),
    ],
)
def test_levels_that_are_refused(days, reason):
    values = tuple(BinValue(f"b{k}", "live", y) for k, y in enumerate(days))
    found = compare_level(BinValues(DAYS, "primary", Plan("water"), values), "live")
    assert isinstance(found, Refusal)
    assert found.reasons == (reason,)


def test_level_of_a_treatment_that_is_not_there():
    values = BinValues(DAYS, "primary", Plan("water"), (BinValue("b1", "live", 1.0),))
    with pytest.raises(DesignError, match='found the treatment "alive"; expected one of live'):
        compare_level(values, "alive")


# ---------------------------------------------------------------- secondary outcomes
def test_holm_over_one_set_of_comparisons():
    """Snedecor & Cochran, soybean failures, as two outcomes of two comparisons: Holm p .0195 .0962 .0229 .0147."""
    case, found = compared("soybean_failures")
    halves = {"first": (found["T1"], found["T2"]), "second": (found["T3"], found["T4"])}
    adjusted = adjust_secondary(halves)
    p = [one.p for one in (*adjusted["first"], *adjusted["second"])]
    assert p == pytest.approx(case["expected"]["p_holm"], abs=1.6e-4)  # three times a p printed to four digits
    one = adjusted["second"][1]
    assert one.interval.adjustment == one.margin_interval.adjustment == "holm"
    assert one.interval.high - one.estimate == pytest.approx(special.stdtrit(16, 1 - 0.025 / 4) * one.std_error)
    assert one.method.endswith("p by Holm and interval by Bonferroni over 4 secondary comparisons")
    assert one.alone == found["T4"].alone


def test_the_interval_never_says_more_than_holms_p():
    generator = np.random.default_rng(8)
    base = compared("soybean_failures")[1]["T1"]
    for _ in range(200):
        estimates = generator.normal(0.0, 4.0, size=5)
        outcomes = {f"o{k}": (replace(base, estimate=float(e)),) for k, e in enumerate(estimates)}
        for (one,) in adjust_secondary(outcomes).values():
            if not one.interval.low <= 0.0 <= one.interval.high:
                assert one.p <= 0.05


def test_one_secondary_outcome_and_refusals_stay_as_they_are():
    _, found = compared("soybean_failures")
    alone = {"first": (found["T1"],)}
    assert adjust_secondary(alone) == alone
    refusal = Refusal("contrasts", ("nothing measured",))
    adjusted = adjust_secondary({"first": (found["T1"],), "second": (refusal,)})
    assert adjusted["second"] == (refusal,)
    assert adjusted["first"][0].p == pytest.approx(2.0 * special.stdtr(16, -abs(-4.6 / found["T1"].std_error)))
    assert (adjusted["first"][0].interval.adjustment, adjusted["first"][0].method) == ("none", found["T1"].method)
    assert adjust_secondary({"a": (refusal,), "b": (refusal,)}) == {"a": (refusal,), "b": (refusal,)}


def test_ratios_are_adjusted_on_the_log_scale():
    _, found = compared("three_arms")
    one = adjust_secondary({"a": (found["live"],), "b": (found["sham"],)})["a"][0]
    half = special.stdtrit(6, 1.0 - 0.025 / 2) * one.std_error
    assert one.interval.low == pytest.approx(one.estimate * math.exp(-half))
    assert one.interval.high == pytest.approx(one.estimate * math.exp(half))


def test_turning_keeps_open_ends_open():
    _, found = compared("three_arms")
    one = replace(found["live"], interval=Interval(1.1, None, 0.95), alone=Interval(None, 2.0, 0.95))
    turned = inverted(one)
    assert (turned.interval.low, turned.interval.high) == (None, pytest.approx(1.0 / 1.1))
    assert (turned.alone.low, turned.alone.high) == (0.5, None)


def test_live_beside_killed_alone():
    """Invented set, R 4.2.2: 0.0819234, SE 0.0146342, 95 % 0.0461148 to 0.117732 without adjustment."""
    case = load("three_arms")
    one = compare_pair(fit_bins(values_from(case)), "live", "sham")
    estimate, std_error, t, _, low, high = case["expected"]["live_sham"]
    assert math.log(one.estimate) == pytest.approx(estimate, abs=5.1e-8)
    assert one.std_error == pytest.approx(std_error, abs=5.1e-8)
    assert math.log(one.estimate) / one.std_error == pytest.approx(t, abs=5.1e-4)
    assert math.log(one.alone.low) == pytest.approx(low, abs=5.1e-7)
    assert math.log(one.alone.high) == pytest.approx(high, abs=5.1e-7)


def test_without_blocks_neither_difference_is_seen_so_well():
    """The same bins with blocks ignored: two-sided p .1495 and .0202 (quadrature of Dunnett's distribution)."""
    case = load("three_arms")
    values = values_from(case)
    plain = replace(values, plan=replace(values.plan, layout=Layout("completely random", "common")))
    for one in compare(fit_bins(plain)):
        assert one.p == pytest.approx(case["expected"]["without_blocks"]["versus_p"][one.treatment], abs=5.1e-4)
