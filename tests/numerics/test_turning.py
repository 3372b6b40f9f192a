"""The opposite order of a comparison, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trialkit.numerics.turning import inverted
from trialkit.records import Comparison, Interval, Outcome, Plan

RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "curves", "It cannot tell why.")
RATIO = Comparison(
    RATE, Plan("water"), "live", "water", "ratio", 2.0, Interval(1.6, 2.5, 0.95, "bonferroni"),
    Interval(1.75, 2.2, 0.9), Interval(1.7, 2.4, 0.95), Interval(1.8, 2.1, 0.9), 0.1, 6.0, 0.01, (4, 3),
)  # fmt: skip


def test_ratio():
    turned = inverted(RATIO)
    assert (turned.treatment, turned.against, turned.bins) == ("water", "live", (3, 4))
    assert turned.estimate == 0.5
    assert turned.interval == Interval(0.4, 0.625, 0.95, "bonferroni")
    assert turned.margin_alone == Interval(1 / 2.1, 1 / 1.8, 0.9)
    assert (turned.p, turned.std_error, turned.df) == (0.01, 0.1, 6.0)


def test_difference_and_chance():
    difference = replace(RATIO, kind="difference", estimate=-1.0, interval=Interval(-3.0, 1.0, 0.95))
    assert inverted(difference).estimate == 1.0
    assert inverted(difference).interval == Interval(-1.0, 3.0, 0.95)
    chance = replace(RATIO, kind="superiority", estimate=0.75, interval=Interval(0.5, 0.875, 0.95))
    assert inverted(chance).estimate == 0.25
    assert inverted(chance).interval == Interval(0.125, 0.5, 0.95)


@pytest.mark.parametrize("kind", ["ratio", "difference"])
@pytest.mark.parametrize(("low", "high"), [(2.0, None), (None, 2.0), (None, None)])
def test_open_ends_change_sides(kind, low, high):
    turned = inverted(replace(RATIO, kind=kind, interval=Interval(low, high, 0.95))).interval
    assert (turned.low is None) == (high is None)
    assert (turned.high is None) == (low is None)


def test_a_ratio_from_zero_has_no_upper_end_when_turned():
    turned = inverted(replace(RATIO, interval=Interval(0.0, 2.0, 0.95))).interval
    assert (turned.low, turned.high) == (0.5, None)


def test_a_level_has_no_opposite_order():
    with pytest.raises(ValueError, match="A comparison with a fixed number has no opposite order"):
        inverted(replace(RATIO, kind="level", against=None))
