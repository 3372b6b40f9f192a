"""Sensitivity, re-randomisation, factors and partition in the whole answer."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.contrasts import compare, rerandomise, survives
from trialkit.models import fit_bins
from trialkit.planning.layout_request import LayoutRequest
from trialkit.planning.layouts import draw_layout
from trialkit.records import BinValue, BinValues, Claim, Layout, Outcome, Plan, Refusal
from trialkit.shipped import shipped
from trialkit.verdicts import judge
from trialkit.workflow import sensitivity

RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "falling curves", "It cannot tell why.")
LOSS = Outcome(
    "dry_matter_loss_pct", "loss of dry matter", "%", "identity", 1, "loss", "weighed", "It cannot tell why."
)
CLAIM = Claim("faster", "t1", "t0", "decay_rate", "times_as_fast", 1.2)


def values_of(arms=3, blocks=5, *, outcome=RATE, kind="blocks", claims=(CLAIM,), seed=1, effect=0.4, **layout):
    random = np.random.default_rng(seed)
    values = tuple(
        BinValue(
            f"B{b * arms + a + 1}",
            f"t{a}",
            float(np.exp(0.1 * random.normal() + 0.3 * b + effect * (a == 1))),
            block=str(b) if kind == "blocks" else None,
        )
        for b in range(blocks)
        for a in range(arms)
    )
    plan = Plan("t0", layout=Layout(kind, variances="common", drawn="by seed", **layout), claims=claims)
    return BinValues(outcome, "primary", plan, values)


def lines_of(values):
    fit = fit_bins(values)
    compared = compare(fit)
    return fit, compared, sensitivity(fit, compared)


FINISH = Outcome("days_to_finish", "days to finish", "days", "log", -1, "time", "where seen", "It cannot tell why.")
SOONER = Claim("sooner", "t1", "t0", "days_to_finish", "times_as_fast", 1.1)


def times_of(windows):
    """Bins B1, B2 … in blocks of t0 and t1, from (last no, first yes); None: never."""
    values = tuple(
        BinValue(
            f"B{k + 1}",
            f"t{k % 2}",
            None if high is None else (low + high) / 2,
            block=str(k // 2),
            low=float(low),
            high=None if high is None else float(high),
            censored=high is None,
        )
        for k, (low, high) in enumerate(windows)
    )
    return BinValues(FINISH, "primary", Plan("t0", layout=Layout("blocks", "common"), claims=(SOONER,)), values)


def test_times_of_bins_that_never_finished_are_looked_at_without_each_bin_and_block():
    values = times_of([(30, 33), (24, 27), (36, 39), (27, 30), (33, 36), (24, 27), (39, None), (33, 36)])
    fit, compared, lines = lines_of(values)
    assert fit.method == "draws"
    names = [f"bin B{k}" for k in range(1, 9)] + [f"block {b}" for b in range(4)]
    assert [(line.what, line.name) for line in lines] == [("left out", name) for name in names]
    by_name = {line.name: line for line in lines}
    for gone in ("B1", "B7"):
        left = tuple(v for v in values.values if v.bin != gone)
        (expected,) = compare(fit_bins(replace(values, values=left)))
        line = by_name[f"bin {gone}"]
        assert (line.estimate, line.low, line.high) == pytest.approx(
            (expected.estimate, expected.interval.low, expected.interval.high), rel=1e-12
        )
        assert line.call == judge(expected, SOONER).call
    # without the one bin that never finished the days are compared by t, and that is said
    assert by_name["bin B1"].method == ""
    assert by_name["bin B7"].method.startswith("least squares in strata")
    assert by_name["block 3"].method.startswith("least squares in strata")
    assert all(isinstance(one.estimate, float) for one in compared)


def test_leaving_out_a_finished_bin_may_leave_a_bound_or_nothing():
    values = times_of([(30, 33), (24, 27), (36, 39), (27, 30), (39, None), (24, 27), (39, None), (33, 36)])
    (line,) = (line for line in lines_of(values)[2] if line.name == "bin B1")
    assert (line.call, line.low, line.high) == ("not_answerable", None, None)  # one event of t0 is left
    (line,) = (line for line in lines_of(times_of([*[(39, None), (24, 27)] * 3, (39, None), (33, 36)]))[2][:1])
    assert line.low is None
    assert line.high == pytest.approx(36 / 39)


@pytest.fixture(scope="module")
def three():
    return trialkit.analyse(shipped("sample_trials") / "three_arms")


def test_each_line_is_the_answer_to_the_values_without_that_bin():
    values = values_of()
    _, _, lines = lines_of(values)
    for gone in ("B1", "B8", "B15"):
        left = tuple(v if v.bin != gone else replace(v, value=None, reason="gone") for v in values.values)
        expected = {c.treatment: c for c in compare(fit_bins(replace(values, values=left)))}
        own = [line for line in lines if line.name == f"bin {gone}"]
        assert {line.treatment for line in own} == {"t1", "t2"}
        for line in own:
            c = expected[line.treatment]
            assert (line.estimate, line.low, line.high) == pytest.approx(
                (c.estimate, c.interval.low, c.interval.high), rel=1e-12
            )
            assert line.call == (judge(c, CLAIM).call if line.treatment == "t1" else None)


def test_every_change_has_a_line_for_every_comparison():
    _, compared, lines = lines_of(values_of())
    changes = {(line.what, line.name) for line in lines}
    assert len(changes) == 15 + 5 + 1 + 1
    assert len(lines) == len(changes) * len(compared)
    assert {(what, name) for what, name in changes if what != "left out"} == {
        ("scale", "identity"),
        ("variances", "by treatment"),
    }


def test_a_ratio_claim_is_judged_without_logarithms_too():
    _, _, lines = lines_of(values_of())
    (line,) = [line for line in lines if line.what == "scale" and line.treatment == "t1"]
    assert line.call in ("support", "less_than_claimed", "cannot_tell")
    assert line.low < line.estimate < line.high


def test_a_claim_about_a_difference_is_not_judged_by_a_ratio():
    claim = Claim("more", "t1", "t0", LOSS.name, "at_least", 0.5)
    _, _, lines = lines_of(values_of(outcome=LOSS, claims=(claim,)))
    (line,) = [line for line in lines if line.what == "scale" and line.treatment == "t1"]
    assert (line.name, line.call) == ("log", None)


def test_a_bin_that_cannot_be_missed():
    """Two blocks of two: without any bin nothing is left to judge by, and the lines say so."""
    values = values_of(arms=2, blocks=2)
    values = replace(values, values=values.values[:4])
    fit, compared, lines = lines_of(values)
    assert fit.method == "reml"
    left_out = [line for line in lines if line.name.startswith("bin")]
    assert left_out and all(line.call == "not_answerable" and np.isnan(line.estimate) for line in left_out)
    assert not survives(judge(compared[0], CLAIM), lines).holds


def test_two_claims_on_one_pair_are_judged_apart():
    more = replace(CLAIM, text="much faster", amount=3.0)
    _, compared, lines = lines_of(values_of(claims=(CLAIM, more)))
    verdicts = [judge(compared[0], claim) for claim in (CLAIM, more)]
    assert verdicts[0].call != verdicts[1].call
    for verdict in verdicts:
        assert survives(verdict, lines).asked == 22


def test_a_claim_the_other_way_round_finds_its_lines():
    turned = replace(CLAIM, treatment="t0", against="t1")
    _, compared, lines = lines_of(values_of(claims=(turned,)))
    assert survives(judge(compared[0], turned), lines).asked > 15


def test_one_odd_bin_overturns_a_verdict():
    values = values_of(effect=0.0, seed=3)
    odd = tuple(replace(v, value=v.value * 40.0) if v.bin == "B2" else v for v in values.values)
    _, compared, lines = lines_of(replace(values, values=odd))
    found = survives(judge(compared[0], CLAIM), lines)
    assert not found.holds
    assert "bin B2" in {line.name for line in found.changed}


def test_forty_bins_take_less_than_a_second():
    values = values_of(arms=4, blocks=10)
    fit = fit_bins(values)
    compared = compare(fit)
    sensitivity(fit, compared)  # the first time loads modules and tables
    start = time.process_time()
    assert len(sensitivity(fit, compared)) > 150
    assert time.process_time() - start < 1.0


def test_a_refusal_has_no_lines():
    assert sensitivity(Refusal("models", ("no",)), ()) == ()


def test_the_sample_trial_carries_all_of_it(three):
    answer = three.answers[0]
    assert answer.rerandomisation.exact and answer.rerandomisation.layouts == 1296
    assert answer.rerandomisation.floor <= answer.rerandomisation.p <= 1.0
    assert {c.rerandomisation_floor for c in answer.comparisons} == {0.125}
    assert [step.name for step in answer.partition.steps] == ["carrier", "live organisms"]
    assert answer.factors == ()  # three of the four combinations
    for verdict in three.verdicts:
        assert survives(verdict, answer.sensitivity).asked == 18
    assert three.verdicts[0].comparison.rerandomisation_p is not None


def test_secondary_outcomes_stay_adjusted_when_a_bin_is_left_out(three):
    """Holm over all secondary comparisons, with the other outcome as it is."""
    (answer,) = [a for a in three.answers if a.name == "cn_ratio"]
    (line,) = [
        one
        for one in answer.sensitivity
        if one.name == "variances" or (one.name == "block 4" and one.treatment[0] == "l")
    ]
    alone = [
        c
        for c in compare(
            fit_bins(
                replace(
                    answer.values,
                    values=tuple(replace(v, value=None) if v.block == "4" else v for v in answer.values.values),
                ),
                variances="common",
            )
        )
        if c.treatment == line.treatment
    ]
    assert line.low < alone[0].interval.low and line.high > alone[0].interval.high


@pytest.mark.calibration
@pytest.mark.parametrize(
    "request_",
    [
        LayoutRequest("blocks", ("t0", "t1", "t2"), "t0", blocks=4),
        LayoutRequest("completely random", ("t0", "t1"), "t0", bins=5),
        LayoutRequest("latin square", ("t0", "t1", "t2", "t3"), "t0"),
    ],
    ids=lambda request: request.kind,
)
def test_layouts_as_the_planner_draws_them_keep_the_size_of_the_test(request_):
    """Values that no treatment touches, with a slope along the bins, under layouts drawn with their redraw rule."""
    y = np.random.default_rng(11).lognormal(size=20) + 0.3 * np.arange(20)
    together, pair = [], []
    for seed in range(300):
        drawn = draw_layout(replace(request_, seed=seed))
        values = tuple(
            BinValue(bin_.bin, bin_.treatment, float(value), block=bin_.block, row=bin_.row, column=bin_.column)
            for bin_, value in zip(drawn.bins, y, strict=False)
        )
        fit = fit_bins(BinValues(RATE, "primary", Plan("t0", layout=replace(drawn.layout, variances="common")), values))
        compared, test = rerandomise(fit, compare(fit))
        together.append(1.0 if test.p is None else test.p)
        pair.append(1.0 if compared[0].rerandomisation_p is None else compared[0].rerandomisation_p)
    for p in (np.array(together), np.array(pair)):
        for a in (0.05, 0.15, 0.5):
            assert np.mean(p <= a + 1e-12) <= a + 3.0 * np.sqrt(a * (1.0 - a) / p.size)
