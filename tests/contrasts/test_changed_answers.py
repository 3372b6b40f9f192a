"""Answers with one thing changed: ratios without logarithms, and whether a verdict survives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trialkit.contrasts import compare, compare_again, compare_ratios, survives
from trialkit.models import fit_bins
from trialkit.records import (
    BinValue,
    BinValues,
    Claim,
    Comparison,
    Layout,
    Outcome,
    Plan,
    Refusal,
    Sensitivity,
    Verdict,
)

RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "falling curves", "It cannot tell why.")
PLAIN = replace(RATE, scale="identity")
CONTROL, TREATED = [0.030, 0.034, 0.027, 0.031], [0.036, 0.041, 0.033, 0.040]


def rates(arms, outcome=PLAIN, kind="completely random", variances="common"):
    values = tuple(
        BinValue(f"{name}{k}", name, value, block=str(k))
        for name, found in arms.items()
        for k, value in enumerate(found)
    )
    plan = Plan(next(iter(arms)), layout=Layout(kind, variances=variances))
    return BinValues(outcome, "primary", plan, values)


def test_fiellers_interval():
    """Invented rates; ratio of means 1.229508, interval 1.037774 to 1.465551, by Fieller's rule (R 4.2.2)."""
    (found,) = compare_ratios(fit_bins(rates({"water": CONTROL, "live": TREATED})), RATE)
    assert (found.kind, found.outcome) == ("ratio", RATE)
    assert found.estimate == pytest.approx(1.229508, abs=5.1e-7)
    assert (found.interval.low, found.interval.high) == pytest.approx((1.037774, 1.465551), abs=5.1e-7)
    assert (found.alone.low, found.alone.high) == (found.interval.low, found.interval.high)  # one comparison


def test_pairs_share_their_blocks():
    """Fieller's interval of pairs: all r for which the t-test of treated − r · control does not reject."""
    from scipy import optimize, stats

    (found,) = compare_ratios(fit_bins(rates({"water": CONTROL, "live": TREATED}, kind="blocks")), RATE)
    x, y = np.array(CONTROL), np.array(TREATED)

    def excess(r):
        return stats.ttest_1samp(y - r * x, 0.0).pvalue - 0.05

    # Two treatments in complete blocks: one variance is that of the differences, at r = 1; nearby it is close.
    low, high = optimize.brentq(excess, 0.5, y.mean() / x.mean()), optimize.brentq(excess, y.mean() / x.mean(), 3.0)
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), abs=0.05)


def test_an_interval_that_is_open():
    (found,) = compare_ratios(fit_bins(rates({"water": [0.1, 9.0, 0.3, 0.2], "live": [5.0, 8.0, 6.0, 7.0]})), RATE)
    assert (found.interval.low, found.interval.high) == (None, None)


def test_no_ratio_of_means_below_zero():
    (found,) = compare_ratios(fit_bins(rates({"water": [-3.0, -1.0, -2.0], "live": [5.0, 8.0, 6.0]})), RATE)
    assert isinstance(found, Refusal) and "have no ratio of means above zero" in found.reasons[0]
    refusal = Refusal("models", ("no",))
    assert compare_ratios(refusal, RATE) == (refusal,)


@pytest.mark.parametrize("arms", [2, 3, 4])
def test_again_is_the_same_without_p(arms):
    random = np.random.default_rng(arms)
    values = rates({f"t{i}": random.lognormal(size=5).tolist() for i in range(arms)}, RATE, "blocks")
    fit = fit_bins(values)
    for one, again in zip(compare(fit), compare_again(fit), strict=True):
        assert again == replace(one, p=None)
    refusal = Refusal("models", ("no",))
    assert compare_again(refusal) == (refusal,)


# ---------------------------------------------------------------- survival
CLAIM = Claim("twice as fast", "live", "water", "decay_rate", "times_as_fast", 2.0)


def verdict(call):
    return Verdict(CLAIM, call, None, None, None, 0, None, True)


def line(name, call, treatment="live", against="water", claim=CLAIM.text):
    return Sensitivity("left out", name, treatment, against, 1.5, 1.1, 2.0, call, claim)


def test_a_verdict_that_survives_all():
    found = survives(verdict("cannot_tell"), [line("bin 1", "cannot_tell"), line("bin 2", "cannot_tell")])
    assert found.holds and found.asked == 2 and found.changed == ()


def test_a_verdict_that_hangs_on_one_bin():
    other = line("bin 2", "support")
    found = survives(verdict("cannot_tell"), [line("bin 1", "cannot_tell"), other])
    assert not found.holds and found.changed == (other,)


def test_lines_of_other_pairs_and_claims_do_not_count():
    lines = [
        line("bin 1", "support", treatment="killed"),
        line("bin 1", "support", claim="thrice as fast"),
        line("bin 1", None),
        line("bin 1", "cannot_tell", treatment="water", against="live"),  # the same pair, named the other way round
    ]
    found = survives(verdict("cannot_tell"), lines)
    assert found.asked == 1 and found.holds


def test_nothing_asked_is_no_survival():
    assert not survives(verdict("cannot_tell"), []).holds


def test_comparisons_are_records():
    (found,) = compare_again(fit_bins(rates({"water": CONTROL, "live": TREATED}, RATE)))
    assert isinstance(found, Comparison) and isinstance(found.interval.low, float)
