"""Factors compared, and a whole effect taken apart."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trialkit.contrasts import compare, compare_factors, compare_pair, partition
from trialkit.contrasts.families import families_of, pairs_asked
from trialkit.models import fit_bins
from trialkit.records import BinValue, BinValues, Claim, Comparison, Layout, Outcome, Plan, Refusal, Treatment

REFERENCE = Path(__file__).parents[1] / "reference"
RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "falling curves", "It cannot tell why.")
DAYS = Outcome("days", "days to finish", "days", "identity", -1, "days", "all", "It cannot tell why.")
FACTORS = {
    "neither": ("water", {"carrier": "without", "culture": "without"}),
    "carrier": ("killed", {"carrier": "with", "culture": "without"}),
    "culture": ("other", {"carrier": "without", "culture": "with"}),
    "both": ("live", {"carrier": "with", "culture": "with"}),
}


def two_by_two(outcome=DAYS, lost=(), transform=float):
    data = json.loads((REFERENCE / "factorial_carrier_culture.json").read_text(encoding="utf-8"))["data"]
    treatments = tuple(Treatment(name, role, factors) for name, (role, factors) in FACTORS.items())
    values = tuple(
        BinValue(f"{name} {k}", name, None if name in lost else transform(value))
        for name, found in data.items()
        for k, value in enumerate(found)
    )
    return BinValues(outcome, "primary", Plan("neither", treatments=treatments, layout=Layout()), values)


def three_arms(roles=("water", "killed", "live"), **plan):
    case = json.loads((REFERENCE / "strata_three_arms.json").read_text(encoding="utf-8"))
    data = case["data"]
    names = ("water", "sham", "live")
    values = tuple(
        BinValue(f"b{k}", name, y, block=block)
        for k, (name, block, y) in enumerate(zip(data["treatment"], data["block"], data["y"], strict=True))
    )
    treatments = tuple(Treatment(name, role) for name, role in zip(names, roles, strict=True))
    layout = Layout("blocks", variances="common")
    return BinValues(RATE, "primary", Plan("water", treatments=treatments, layout=layout, **plan), values)


def test_main_effects_and_interaction_of_two_by_two():
    """Invented days to finish; R 4.2.2: carrier −5.625 (p 0.000184), culture −0.625 (0.5657), interaction −0.25."""
    carrier, culture, both = compare_factors(fit_bins(two_by_two()))
    assert (carrier.treatment, carrier.against, carrier.kind) == ("carrier: with", "carrier: without", "difference")
    assert carrier.estimate == pytest.approx(-5.625) and carrier.p == pytest.approx(0.000184, abs=5.1e-7)
    assert carrier.interval.high - carrier.estimate == pytest.approx(2.178813 * 1.058202, abs=2e-6)  # t, 12 df, 97.5 %
    assert carrier.interval.adjustment == "none" and carrier.bins == (8, 8)
    assert culture.p == pytest.approx(0.5657, abs=5.1e-5)
    assert (both.treatment, both.against) == (
        "effect of carrier at culture: with",
        "effect of carrier at culture: without",
    )
    assert both.estimate == pytest.approx(-0.25) and both.p == pytest.approx(0.9079, abs=5.1e-5)
    assert both.method == "least squares in strata, interaction, judged by bins"


def test_effects_are_ratios_on_the_log_scale():
    """An interaction is a ratio of ratios."""
    values = two_by_two(RATE, transform=lambda days: 1.0 / days)
    carrier, _, both = compare_factors(fit_bins(values))
    g = {}
    for v in values.values:
        g.setdefault(v.treatment, []).append(math.log(v.value))
    m = {name: np.mean(found) for name, found in g.items()}
    assert carrier.kind == "ratio"
    assert carrier.estimate == pytest.approx(math.exp((m["carrier"] + m["both"] - m["neither"] - m["culture"]) / 2))
    assert both.estimate == pytest.approx(math.exp(m["both"] - m["culture"] - m["carrier"] + m["neither"]))


def test_a_term_that_cannot_be_told_is_refused_by_name():
    found = compare_factors(fit_bins(two_by_two(lost=("both",))))
    assert [one.treatment for one in found] == ["carrier", "culture", "carrier × culture"]
    assert all(isinstance(one, Refusal) and one.against is None for one in found)
    assert "no bin of both has a value of days to finish" in found[0].reasons[0]


def test_nothing_to_compare_without_factors():
    assert compare_factors(fit_bins(three_arms())) == ()
    assert compare_factors(Refusal("models", ("no",))) == ()


def test_a_whole_effect_in_two_steps():
    """Invented rates; geometric means 0.03039705, 0.03442201, 0.03736071: 1.132413 × 1.085374 = 1.229090."""
    fit = fit_bins(three_arms())
    found = partition(fit)
    assert [(step.name, step.treatment, step.against) for step in found.steps] == [
        ("carrier", "sham", "water"),
        ("live organisms", "live", "sham"),
    ]
    assert [step.estimate for step in found.steps] == pytest.approx([1.132413, math.exp(0.0819234)], abs=5.1e-7)
    assert found.total.estimate == pytest.approx(1.229090, abs=5.1e-7)
    assert math.prod(step.estimate for step in found.steps) == pytest.approx(found.total.estimate, rel=1e-12)
    assert (found.kind, found.adjustment) == ("ratio", "multivariate t")
    # Dunnett's intervals, d = 2.8628, published to six digits
    assert (found.total.low, found.total.high) == pytest.approx((1.178663, 1.281674), abs=2e-6)
    assert (found.steps[0].low, found.steps[0].high) == pytest.approx((1.085953, 1.180861), abs=2e-6)
    same = compare_pair(fit, "live", "sham")
    assert (found.steps[1].low, found.steps[1].high) == (same.interval.low, same.interval.high)


def test_steps_add_up_off_the_log_scale():
    found = partition(fit_bins(two_by_two()))
    assert found.kind == "difference"
    assert sum(step.estimate for step in found.steps) == pytest.approx(found.total.estimate)


def test_four_steps_where_nothing_was_added_to_some():
    values = three_arms()
    extra = tuple(BinValue(f"n{k}", "nothing", 0.025 + 0.001 * k, block=str(k + 1)) for k in range(4))
    plan = replace(values.plan, treatments=(Treatment("nothing", "nothing"), *values.plan.treatments))
    found = partition(fit_bins(replace(values, plan=plan, values=values.values + extra)))
    assert [step.name for step in found.steps] == ["water and handling", "carrier", "live organisms"]
    assert math.prod(step.estimate for step in found.steps) == pytest.approx(found.total.estimate, rel=1e-12)
    assert (found.total.treatment, found.total.against) == ("live", "nothing")


@pytest.mark.parametrize(
    "roles", [("water", "killed", "killed"), ("water", "other", "live"), ("live", "killed", "live")]
)
def test_no_partition_without_one_treatment_a_role(roles):
    assert partition(fit_bins(three_arms(roles))) is None


def test_no_partition_of_a_refusal():
    assert partition(Refusal("models", ("no",))) is None


# ---------------------------------------------------------------- strata keep apart
def oats():
    """Yates 1935, oats: varieties on whole plots, nitrogen inside them."""
    data = json.loads((REFERENCE / "mixed_oats_split_plot.json").read_text(encoding="utf-8"))["data"]
    names = [f"{v} {n}" for v, n in zip(data["variety"], data["nitrogen"], strict=True)]
    treatments = tuple(
        Treatment(name, factors=dict(zip(("variety", "nitrogen"), name.rsplit(" ", 1), strict=True)))
        for name in dict.fromkeys(names)
    )
    values = tuple(
        BinValue(f"b{k}", name, float(y), block=block, whole_plot=variety)
        for k, (name, y, block, variety) in enumerate(
            zip(names, data["yield"], data["block"], data["variety"], strict=True)
        )
    )
    plan = Plan("Golden Rain 0", treatments=treatments, layout=Layout("split plot", whole_plot_factor="variety"))
    return BinValues(replace(DAYS, name="ph"), "primary", plan, values)


def test_comparisons_of_different_strata_never_share_a_family():
    fit = fit_bins(oats())
    families = families_of(fit, pairs_asked(fit))
    inside = [f for f in families if f.adjustment == "multivariate t"]
    between = [f for f in families if f.adjustment == "bonferroni"]
    assert [len(f.pairs) for f in inside] == [3] and [len(f.pairs) for f in between] == [8]
    found = {one.treatment: one for one in compare(fit)}
    assert found["Golden Rain 0.6"].interval.adjustment == "multivariate t"
    assert found["Golden Rain 0.6"].method == "least squares in strata, whole plots taken out"
    assert found["Victory 0"].interval.adjustment == "bonferroni"
    assert found["Victory 0"].method == "least squares in strata, bins and whole plots, Satterthwaite"


def test_nitrogen_averaged_over_varieties():
    """Three amounts beside none, Dunnett's intervals at 45 df; varieties at 10 df."""
    found = [one for one in compare_factors(fit_bins(oats())) if isinstance(one, Comparison)]
    nitrogen = [one for one in found if one.treatment.startswith("nitrogen")]
    assert [one.estimate for one in nitrogen] == pytest.approx([19.5, 34.833333, 44.0])
    assert {(one.df, one.interval.adjustment) for one in nitrogen} == {(45.0, "multivariate t")}
    varieties = [one for one in found if one.treatment.startswith("variety")]
    assert {one.df for one in varieties} == {10.0}
    assert varieties[0].method == "least squares in strata, average over the other factors, judged by whole plots"


def test_a_claim_across_strata_is_compared_too():
    values = oats()
    claim = Claim("more", "Victory 0.6", "Marvellous 0.6", "ph", "at_least", 5.0)
    fit = fit_bins(replace(values, plan=replace(values.plan, claims=(claim,))))
    found = compare(fit)[-1]
    assert (found.treatment, found.against) == ("Victory 0.6", "Marvellous 0.6")
    assert found.df == pytest.approx(30.23, abs=0.01)
