"""The law of an interval not yet seen: scipy's noncentral t, published tables, trials drawn and analysed."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats

from trialkit.numerics.analysis_cases import analysis_case, family_critical, interval_law
from trialkit.numerics.loss_patterns import loss_patterns, planned_bins
from trialkit.numerics.precision import (
    CALLS,
    call_chances,
    exclusion,
    expected_half_width,
    mixed_law,
    pooled_law,
    scale_nodes,
    smallest_claim_ruled_out,
    smallest_effect_shown,
    smallest_truth_supporting,
)
from trialkit.numerics.simultaneous import simultaneous_quantile
from trialkit.numerics.trial_simulation import SimulatedIntervals, calls_of, simulate_intervals, tally
from trialkit.verdicts.claims import Turned
from trialkit.verdicts.truth_table import call_of, facts_of

PUBLISHED = json.loads(
    (Path(__file__).resolve().parents[1] / "reference" / "power_t_test.json").read_text(encoding="utf-8")
)
MARGIN = (math.log(0.8), math.log(1.25))


def sd_log(cv):
    return math.sqrt(math.log1p(cv**2))


def two_arms(bins, sd):
    """One variance for both arms, as in the published tables, whatever the rule of the analysis is for so many bins."""
    return interval_law(analysis_case(planned_bins("completely random", 2, bins), "common"), sd, 0.95)


# ---------------------------------------------------------------- outside truth
@pytest.mark.parametrize("df", [1, 2, 5, 30, 300])
@pytest.mark.parametrize("effect", [0.0, 0.7, 2.5, 5.0])
def test_power_is_the_noncentral_t(df, effect):
    critical = float(special.stdtrit(df, 0.975))
    law = pooled_law(1.0, df, critical, 1.0)
    expected = stats.nct.sf(critical, df, effect) + stats.nct.cdf(-critical, df, effect)
    assert exclusion(law, effect).power == pytest.approx(expected, abs=1e-10)
    assert scale_nodes(df)[1].sum() == pytest.approx(1.0, abs=1e-11)


@pytest.mark.parametrize("case", PUBLISHED["power"])
def test_published_power(case):
    """R 4.2.2, power.t.test(strict = TRUE)."""
    sd, effect = (case["sd"], case["difference"]) if "sd" in case else (sd_log(case["cv"]), math.log(case["ratio"]))
    assert exclusion(two_arms(case["bins"], sd), effect).power == pytest.approx(case["power"], abs=5.1e-7)


@pytest.mark.parametrize("case", PUBLISHED["exaggeration"])
def test_published_exaggeration_and_wrong_sign(case):
    """Type M and S errors after Gelman & Carlin 2014; the published figures are a simulation of 2e6 trials."""
    found = exclusion(two_arms(case["bins"], sd_log(case["cv"])), math.log(case["ratio"]))
    assert found.power == pytest.approx(case["power"], abs=5.1e-4)
    assert found.exaggeration == pytest.approx(case["exaggeration"], rel=0.01)
    if "wrong_sign" in case:
        assert found.wrong_sign == pytest.approx(case["wrong_sign"], abs=5.1e-3)


def test_effect_shown_with_four_chances_in_five():
    """R 4.2.2 power.t.test: 0.471491, found there by a root search that stops at about 1e-5."""
    assert smallest_effect_shown(two_arms(4, sd_log(0.2))) == pytest.approx(0.471491, abs=5e-6)


def test_welch_law_of_two_and_three_bins_by_numerical_integration():
    """Coverage of Welch's interval with 3 and 5 bins, by scipy's adaptive integration over the variance ratio."""
    from scipy import integrate

    bins = planned_bins("completely random", 2, 5).without((0, 2))  # three of the control, five of the other
    law = interval_law(analysis_case(bins, "by treatment"), 1.0, 0.95)

    def covered(share):
        """Given a/(a + b), the interval covers with the probability of a t at 6 df and a share-dependent scale."""
        df = 1.0 / (share**2 / 2.0 + (1.0 - share) ** 2 / 4.0)
        scale = (8.0 / 15.0) * (2.0 * share * 3.0 + 4.0 * (1.0 - share) * 5.0) / 6.0
        density = stats.beta.pdf(_to_beta(share), 1.0, 2.0) * _jacobian(share)
        bound = special.stdtrit(df, 0.975) / math.sqrt(scale)
        return density * (2.0 * special.stdtr(6, bound) - 1.0)

    # x = χ²₂/(χ²₂ + χ²₄) is Beta(1, 2); share = (x/(2·3)) / (x/(2·3) + (1 − x)/(4·5)).
    def _to_beta(share):
        return share * 6.0 / (share * 6.0 + (1.0 - share) * 20.0)

    def _jacobian(share):
        return 120.0 / (share * 6.0 + (1.0 - share) * 20.0) ** 2

    expected = 1.0 - integrate.quad(covered, 0.0, 1.0, epsabs=1e-12)[0]
    assert exclusion(law, 0.0).power == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------- calls
def test_calls_are_those_of_the_verdict():
    """Every interval that can occur, through the truth table that judges real trials."""
    random = np.random.default_rng(12)
    n, claim = 4000, math.log(1.6)
    estimate = random.normal(0.2, 0.35, n)
    half = np.abs(random.normal(0.25, 0.15, n))
    margin_half = half * random.uniform(0.4, 0.9, n)
    found = calls_of(SimulatedIntervals(estimate, half, margin_half), claim, MARGIN)
    seen = set()
    for i in range(n):
        turned = Turned(
            size=claim,
            no_effect=0.0,
            low=estimate[i] - half[i],
            high=estimate[i] + half[i],
            margin_low=estimate[i] - margin_half[i],
            margin_high=estimate[i] + margin_half[i],
            margin=MARGIN,
        )
        expected = call_of(facts_of(turned))
        assert CALLS[found[i]] == expected
        seen.add(expected)
    assert seen == set(CALLS) - {"not_answerable"}
    assert (
        CALLS[calls_of(SimulatedIntervals(np.zeros(1), np.full(1, np.nan), np.zeros(1)), claim, None)[0]] == CALLS[-1]
    )


@pytest.mark.parametrize("margin", [None, MARGIN])
@pytest.mark.parametrize("truth", [-0.3, 0.0, 0.2, math.log(1.6), 1.5])
def test_chances_of_calls_sum_to_one(truth, margin):
    chances = call_chances(two_arms(4, 0.2), truth, math.log(1.6), margin)
    assert sum(chances.values()) == pytest.approx(1.0, abs=1e-10)
    assert min(chances.values()) >= -1e-12
    assert (chances["no_difference"] > 0) is (margin is not None)


def test_a_true_claim_is_supported_once_in_forty():
    """By construction: the lower end of a 95 % interval lies above the truth in 2.5 %."""
    assert call_chances(two_arms(6, 0.3), 0.5, 0.5)["support"] == pytest.approx(0.025, abs=1e-10)


def test_figures_worth_telling():
    """Four bins an arm at 20 % show a true absence of difference in 4 to 9 of 100 trials; three blocks support "twice"
    in about 30 of 100 when three times is true (published figures: 4-9 %, 29 % by simulation)."""
    nothing = call_chances(two_arms(4, sd_log(0.2)), 0.0, math.log(2.0), MARGIN)["no_difference"]
    assert 0.04 < nothing < 0.09
    blocks = interval_law(analysis_case(planned_bins("blocks", 2, 3)), sd_log(0.2), 0.95)
    assert call_chances(blocks, math.log(3.0), math.log(2.0), MARGIN)["support"] == pytest.approx(0.29, abs=0.015)


def test_the_three_smallest_sizes():
    law = two_arms(5, 0.25)
    shown = smallest_effect_shown(law)
    assert exclusion(law, shown).power == pytest.approx(0.8, abs=1e-8)
    supporting = smallest_truth_supporting(law, 0.4)
    assert call_chances(law, supporting, 0.4)["support"] == pytest.approx(0.8, abs=1e-8)
    ruled_out = smallest_claim_ruled_out(law)
    short = call_chances(law, 0.0, ruled_out)
    assert short["contradict"] + short["less_than_claimed"] == pytest.approx(0.8, abs=1e-8)
    # Mirror images but for the tail on the wrong side.
    assert supporting - 0.4 == pytest.approx(ruled_out, abs=1e-8) == pytest.approx(shown, abs=1e-4)
    assert smallest_effect_shown(mixed_law([law], [0.7])) == math.inf


# ---------------------------------------------------------------- the law against trials drawn and analysed
LAYOUTS = [
    ("completely random", 2, 4, 0, "common variance"),
    ("completely random", 2, 6, 1, "by treatment"),
    ("completely random", 3, 4, 2, "common variance"),
    ("completely random", 3, 6, 0, "by treatment"),
    ("blocks", 2, 4, 0, "common variance"),
    ("blocks", 3, 4, 1, "common variance"),
    ("blocks", 2, 7, 1, "paired differences"),
    ("latin square", 4, 4, 1, "common variance"),
]


@pytest.mark.parametrize(("layout", "treatments", "bins", "lost", "method"), LAYOUTS)
def test_exact_chances_against_trials_analysed_one_by_one(layout, treatments, bins, lost, method):
    claim, effect, trials = math.log(1.6), 0.5 * math.log(1.6), 12_000
    pattern = loss_patterns(planned_bins(layout, treatments, bins), lost)[0]
    case = analysis_case(pattern.bins)
    assert case.method == method
    law = interval_law(case, 0.2, 0.95)
    found = simulate_intervals(
        case, trials, np.random.default_rng(77), std_deviation=0.2, block_deviation=0.3, effect=effect
    )
    counted = tally(found, claim, MARGIN, effect)
    chances = call_chances(law, effect, claim, MARGIN)
    for name, count in zip(CALLS, counted.calls, strict=True):
        expected = chances[name]
        # Four standard errors: 8 layouts × 6 calls, one false alarm in some 300 runs of the whole table; seed fixed.
        assert abs(count / trials - expected) < 4.0 * math.sqrt(max(expected * (1 - expected), 1e-4) / trials), name
    assert counted.half / trials == pytest.approx(expected_half_width(law), rel=0.01)
    errors = exclusion(law, effect)
    assert counted.excluding / trials == pytest.approx(errors.power, abs=4 * 0.5 / math.sqrt(trials))
    assert counted.size / counted.excluding / effect == pytest.approx(errors.exaggeration, rel=0.03)


def test_loss_patterns_are_all_there():
    """By hand: of 2 × 3 blocks one bin lost is control or treated; two lost fall in one block in 3 of 15 pairs."""
    one = loss_patterns(planned_bins("blocks", 2, 3), 1)
    assert [pattern.chance for pattern in one] == [0.5, 0.5]
    two = loss_patterns(planned_bins("blocks", 2, 3), 2)
    whole_block = [p for p in two if p.bins.block is not None and np.unique(p.bins.block).size == 2]
    assert whole_block[0].chance == pytest.approx(3 / 15)
    assert sum(p.chance for p in two) == pytest.approx(1.0)
    drawn = loss_patterns(planned_bins("completely random", 3, 30), 5, seed=4)
    again = loss_patterns(planned_bins("completely random", 3, 30), 5, seed=4)
    assert [p.chance for p in drawn] == [p.chance for p in again]
    with pytest.raises(ValueError, match="lost: found 6; expected 0 to 5 of 6 bins"):
        loss_patterns(planned_bins("blocks", 2, 3), 6)


def test_family_of_random_blocks_is_interpolated_closely():
    case = analysis_case(planned_bins("blocks", 3, 2).without((5,)))
    assert case.method == "random blocks" and case.comparisons == 2
    df = np.array([1.0, 1.37, 2.6, 7.7, 40.0])
    shared = np.array([0.5, 0.33, 0.71, 0.05, 0.9])
    critical, margin_critical = family_critical(case, 0.95, df, shared)
    for level, found in ((0.95, critical), (0.90, margin_critical)):
        exact = [
            simultaneous_quantile(level, x, np.array([[1.0, r], [r, 1.0]])) for x, r in zip(df, shared, strict=True)
        ]
        np.testing.assert_allclose(found, exact, rtol=1e-3)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda law: call_chances(law, 0.0, 0.0), "claim: found 0.0; expected a number above 0"),
        (lambda law: call_chances(law, 0.0, 0.1, (-0.2, 0.2)), "margin: found"),
        (lambda law: smallest_effect_shown(law, 1.0), "chance: found 1.0; expected a number between 0 and 1"),
        (lambda _: planned_bins("latin square", 3, 4), "a Latin square of 3 treatments has 3 bins of each"),
        (lambda _: planned_bins("blocks", 1, 4), "found 1 treatments of 4 bins"),
    ],
)
def test_what_makes_no_sense_is_refused(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call(two_arms(4, 0.2))
