"""Precision of a planned trial: published tables, the analysis it foretells, sentences."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from trialkit.contrasts import compare
from trialkit.errors import DesignError
from trialkit.models import fit_bins
from trialkit.numerics.analysis_cases import analysis_case
from trialkit.numerics.loss_patterns import loss_patterns, planned_bins
from trialkit.numerics.precision import CALLS
from trialkit.numerics.trial_simulation import simulate_intervals
from trialkit.planning.precision import bins_needed, precision, precision_curve
from trialkit.planning.precision_inputs import PLANNING_GUESSES, cv_of_fit
from trialkit.records import BinValue, BinValues, Comparison, Fit, Layout, Outcome, Plan, Treatment

PUBLISHED = json.loads(
    (Path(__file__).resolve().parents[1] / "reference" / "power_t_test.json").read_text(encoding="utf-8")
)
RATE = Outcome("decay_rate", "decay rate", "1/d", "log", 1, "rate", "", "")
NAMES = ("control", "claimed", "third", "fourth")


# ---------------------------------------------------------------- published tables
@pytest.mark.parametrize(
    ("table", "layout", "counted"),
    [("smallest_ratio", "completely random", "bins"), ("smallest_ratio_in_blocks", "blocks", "blocks")],
)
def test_smallest_ratios_to_their_printed_digits(table, layout, counted):
    """Computed independently with the noncentral t, one variance for both arms, 80 %, two-sided 5 %."""
    rows = PUBLISHED[table]
    for cv in rows.keys() - {counted}:
        for bins, ratio in zip(rows[counted], rows[cv], strict=True):
            found = precision(2, layout, bins, float(cv), 1.5, variances="common")
            assert found.smallest_ratio_shown == pytest.approx(ratio, abs=5.1e-4), (cv, bins)


def test_bins_needed_as_published():
    """Computed independently with the noncentral t, one variance for both arms, 80 %, two-sided 5 %."""
    table = PUBLISHED["bins_needed"]
    for ratio in table.keys() - {"cv"}:
        found = [bins_needed(cv=cv, ratio=float(ratio), variances="common") for cv in table["cv"]]
        assert found == table[ratio]


def test_floors_as_published():
    """Counted: 3 v 3 completely random 0.10, five pairs 0.0625, three treatments in three blocks 6/216."""
    floors = PUBLISHED["floor"]
    for bins, floor in floors["completely random"].items():
        assert precision(bins_per_treatment=int(bins)).rerandomisation_floor == pytest.approx(floor, abs=5.1e-5)
    for blocks, floor in floors["blocks"].items():
        assert precision(2, "blocks", int(blocks)).rerandomisation_floor == floor
    for blocks, floor in floors["blocks of three treatments, all together"].items():
        assert precision(3, "blocks", int(blocks)).omnibus_floor == pytest.approx(floor, abs=5.1e-7)


# ---------------------------------------------------------------- the analysis it foretells
def analysed(bins, y):
    """The trial with these bins and log values through the rooms that analyse a real one."""
    present = sorted(set(bins.treatment.tolist()))
    plan = Plan(
        control=NAMES[0],
        primary="decay_rate",
        layout=Layout("completely random" if bins.block is None else "blocks"),
        treatments=tuple(Treatment(NAMES[arm]) for arm in present),
    )
    values = tuple(
        BinValue(f"B{i}", NAMES[arm], math.exp(value), block=None if bins.block is None else f"block {bins.block[i]}")
        for i, (arm, value) in enumerate(zip(bins.treatment, y, strict=True))
    )
    fit = fit_bins(BinValues(RATE, "primary", plan, values))
    if not isinstance(fit, Fit):
        return None
    for item in compare(fit):
        if isinstance(item, Comparison) and (item.treatment, item.against) == (NAMES[1], NAMES[0]):
            return fit, item
    return None


@pytest.mark.parametrize(
    ("layout", "treatments", "bins", "lost"),
    [
        ("completely random", 2, 3, 1),
        ("completely random", 2, 6, 1),
        ("completely random", 3, 4, 2),
        ("completely random", 3, 6, 2),
        ("blocks", 2, 3, 1),
        ("blocks", 2, 4, 0),
        ("blocks", 2, 7, 1),
        ("blocks", 3, 2, 1),
        ("blocks", 3, 4, 2),
        ("blocks", 4, 3, 2),
        ("blocks", 3, 7, 1),
    ],
)
def test_simulated_intervals_are_those_of_the_analysis(layout, treatments, bins, lost):
    """One trial of each pattern of lost bins, value by value the same, goes both ways."""
    compared = 0
    for pattern in loss_patterns(planned_bins(layout, treatments, bins), lost)[:6]:
        case = analysis_case(pattern.bins)
        found = simulate_intervals(case, 1, np.random.default_rng(5), std_deviation=0.2)
        y = np.random.default_rng(5).normal(0.0, 0.2, size=(pattern.bins.treatment.size, 1))[:, 0]
        answer = analysed(pattern.bins, y)
        if np.isnan(found.half[0]):
            assert answer is None
            continue
        fit, comparison = answer
        half = 0.5 * math.log(comparison.interval.high / comparison.interval.low)
        margin_half = 0.5 * math.log(comparison.margin_interval.high / comparison.margin_interval.low)
        assert fit.method == ("reml" if case.method == "random blocks" else "least squares in strata")
        assert math.log(comparison.estimate) == pytest.approx(found.estimate[0], abs=1e-9)
        # The family of random blocks takes its critical value from a spline, so 1e-3 there.
        tolerance = 1e-3 if case.method == "random blocks" and case.comparisons > 1 else 1e-6
        assert half == pytest.approx(found.half[0], rel=tolerance)
        assert margin_half == pytest.approx(found.margin_half[0], rel=tolerance)
        compared += 1
    assert compared


def test_chances_under_the_three_truths():
    found = precision(3, "blocks", 4, 0.20, 1.6)
    assert set(found.calls) == {"claim true", "half true", "nothing"}
    for chances in found.calls.values():
        assert tuple(chances) == CALLS
        assert sum(chances.values()) == pytest.approx(1.0, abs=1e-9)
    assert found.half_ratio == pytest.approx(math.sqrt(1.6))
    assert found.power > found.power_half > 0.05 / 2
    assert found.exaggeration["half true"] > found.exaggeration["claim true"] > 1.0
    assert found.expected_low * found.expected_high == pytest.approx(1.6**2)


def test_a_ratio_below_one_is_the_mirror_image():
    up, down = precision(ratio=1.6), precision(ratio=1 / 1.6)
    assert down.power == pytest.approx(up.power, abs=1e-12)
    assert down.calls["nothing"] == pytest.approx(up.calls["nothing"], abs=1e-12)
    assert down.smallest_ratio_shown == pytest.approx(1 / up.smallest_ratio_shown)
    assert down.expected_low == pytest.approx(1 / up.expected_high)
    skew = precision(ratio=0.5, equivalence=(0.7, 1.1)).calls["nothing"]["no_difference"]
    assert skew == pytest.approx(precision(ratio=2.0, equivalence=(1 / 1.1, 1 / 0.7)).calls["nothing"]["no_difference"])


def test_lost_bins_cost():
    found = precision(2, "blocks", 4)
    assert [row.lost for row in found.with_lost] == [1, 2]
    assert found.half_width < found.with_lost[0].half_width < found.with_lost[1].half_width
    assert found.power > found.with_lost[0].power > found.with_lost[1].power
    one = precision(2, "blocks", 4, lost=1)
    assert one.power == pytest.approx(found.with_lost[0].power, abs=1e-12)
    assert precision(2, "blocks", 3, lost=2).calls["nothing"]["not_answerable"] == pytest.approx(0.8, abs=0.01)


def test_same_seed_same_answer_and_json():
    first = asdict(precision(2, "blocks", 3, 0.2, 2.0, lost=1, seed=9))
    assert first == asdict(precision(2, "blocks", 3, 0.2, 2.0, lost=1, seed=9))
    assert first["simulated"] is True
    assert "come from 20000 simulated trials" in first["notes"][0]
    text = json.loads(json.dumps(first, allow_nan=False))
    assert 0.0 < text["power"] < 1.0


def test_curve():
    curve = precision_curve((3, 4, 6), cv=0.25)
    assert [found.bins_per_treatment for found in curve] == [3, 4, 6]
    assert curve[0].power < curve[1].power < curve[2].power
    with pytest.raises(DesignError, match="bins_per_treatment: found an empty list"):
        precision_curve(())


def test_the_rule_of_the_analysis_may_cost_precision():
    """Three treatments in blocks: variances by treatment from six blocks on make five the first that is enough."""
    five, six = (precision(3, "blocks", blocks, 0.2, 1.6) for blocks in (5, 6))
    assert (five.method, six.method) == ("common variance", "paired differences")
    assert five.power > 0.8 > six.power
    assert five.bins_needed == 5


# ---------------------------------------------------------------- earlier trials, guesses
def test_cv_of_an_earlier_trial():
    """By hand: log values ±0.1 around each mean give s² = 0.02 and CV = √(e^0.02 − 1)."""
    bins = planned_bins("completely random", 2, 2)
    fit, _ = analysed(bins, np.array([0.1, 1.1, -0.1, 0.9]))
    assert cv_of_fit(fit) == pytest.approx(math.sqrt(math.expm1(0.02)))


def test_guesses_are_of_known_outcomes_and_in_range():
    from trialkit.outcome_names import OUTCOMES

    assert set(PLANNING_GUESSES) <= set(OUTCOMES)
    assert all(0.0 < guess.low < guess.cv < guess.high < 1.0 for guess in PLANNING_GUESSES.values())


# ---------------------------------------------------------------- sentences
@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"cv": 0}, "cv: found 0; expected a fraction above 0 and up to 2. Bins treated alike always differ"),
        ({"cv": 20}, "cv: found 20; expected a fraction above 0 and up to 2. For 20 % write 0.2."),
        ({"cv": float("nan")}, "cv: found nan; expected a fraction above 0 and up to 2"),
        ({"ratio": 1.0}, "ratio: found 1; a claim of no effect cannot be supported by more bins."),
        ({"ratio": -0.5}, "ratio: found -0.5; expected a number above 0"),
        ({"ratio": 0.0}, "ratio: found 0.0; expected a number above 0"),
        ({"treatments": 1}, "treatments: found 1; expected a whole number from 2"),
        ({"bins_per_treatment": 0}, "bins_per_treatment: found 0; expected a whole number from 1"),
        ({"layout": "block"}, 'layout: found "block"; expected one of .* Nearest is "blocks".'),
        ({"layout": "split plot"}, 'layout: found "split plot"; its two kinds of comparison'),
        ({"layout": "latin square"}, "bins_per_treatment: found 4; a Latin square of 2 treatments has 2 of each"),
        ({"lost": 7}, "lost: found 7 of 8 bins; at least two must be left"),
        ({"lost": -1}, "lost: found -1; expected a whole number from 0"),
        ({"level": 1.0}, "level: found 1.0; expected a number between 0.5 and 1"),
        ({"chance": 0.0}, "chance: found 0.0; expected a number between 0 and 1"),
        ({"variances": "equal"}, 'variances: found "equal"; expected "common" or "by treatment"'),
        ({"family": "none"}, 'family: found "none"; expected "all" or "claim only"'),
        ({"block_ratio": -1.0}, "block_ratio: found -1.0; expected a number from 0 to 100"),
        ({"equivalence": (1.1, 1.3)}, "equivalence: found 1.1 to 1.3; expected one ratio below 1 and one above it"),
        ({"ratio": 1.2, "equivalence": (0.8, 1.25)}, "ratio: found 1.2 inside the equivalence margin 0.8 to 1.25"),
        ({"bins_per_treatment": 1}, "2 treatments of 1 bin with 0 lost leave no error to measure a difference by"),
    ],
)
def test_bad_questions_are_answered_in_sentences(change, sentence):
    with pytest.raises(DesignError, match=sentence):
        precision(**change)


def test_all_problems_at_once():
    with pytest.raises(DesignError) as caught:
        precision(cv=0, ratio=1, lost=-1)
    assert len(str(caught.value).splitlines()) == 3


def test_a_claim_that_no_number_of_bins_settles():
    found = precision(ratio=1.01, cv=0.5)
    assert found.bins_needed is None
    assert found.notes[0].startswith(
        "No feasible number of bins settles this claim: more than 500 bins a treatment would be needed to tell a "
        "ratio of 1.01 from none with a chance of 80%."
    )
    assert "inside the usual margin of 0.80 to 1.25" in found.notes[1]
    assert found.equivalence is None
