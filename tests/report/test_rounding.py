"""Numbers as shown."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.report import rounding


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0004, "<0.001"), (0.012, "0.012"), (0.0499, "0.050"), (0.25, "0.25"), (1.0, "1.00"), (None, "–")],
)
def test_p_values(value: float | None, shown: str) -> None:
    assert rounding.p_value(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(1.2291, "1.23"), (0.0473, "0.047"), (12.34, "12.3"), (140.2, "140"), (math.nan, "–")]
)
def test_ratios(value: float, shown: str) -> None:
    assert rounding.ratio(value) == shown


def test_numbers_keep_a_real_minus_and_no_negative_zero() -> None:
    assert rounding.fixed(-1.25, 1) == "−1.2"
    assert rounding.fixed(-0.001, 1) == "0.0"
    assert rounding.figures(-0.000428, 3) == "−0.000428"
    assert rounding.figures(0.0, 3) == "0"
    assert rounding.figures(1.5e-9, 3) == "1.50e−09"
    assert rounding.degrees(6.0) == "6"
    assert rounding.degrees(7.345) == "7.3"
    assert rounding.percent(0.95) == "95 %"


def test_three_numbers_share_their_decimals() -> None:
    shown = rounding.together(1.31, 1.1, 1.5, landmarks=(1.0,))
    assert (shown.estimate, shown.low, shown.high) == ("1.3", "1.1", "1.5")
    shown = rounding.together(1.229090, 1.178663, 1.281674, landmarks=(1.0, 2.0))
    assert (shown.estimate, shown.low, shown.high) == ("1.23", "1.18", "1.28")


def test_ranges_in_words() -> None:
    assert rounding.between("1.1", "1.5") == "between 1.1 and 1.5"
    assert rounding.between("1.1", None) == "at least 1.1"
    assert rounding.between(None, "1.5") == "at most 1.5"
    assert rounding.from_to("1.1", "1.5") == "1.1 to 1.5"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.125, "0.125"), (0.0625, "0.0625"), (0.03125, "0.0313"), (2 / 70, "0.0286"), (0.1, "0.1"), (1.0, "1"),
     (0.0009, "<0.001"), (None, "–")],
)  # fmt: skip
def test_a_counted_p_keeps_three_digits_and_rounds_a_half_up(value: float | None, shown: str) -> None:
    assert rounding.counted_p(value) == shown


def test_an_end_that_all_but_touches_a_landmark_is_put_in_words() -> None:
    shown = rounding.together(0.95214, 0.90653, 1.00005, landmarks=(1.0,))
    assert (shown.low, shown.estimate, shown.high) == ("0.91", "0.95", "just above 1")
    assert rounding.between(shown.low, shown.high) == "between 0.91 and just above 1"
    shown = rounding.together(0.95214, 0.90653, 0.99995, landmarks=(1.0,))
    assert shown.high == "just below 1"
    shown = rounding.together(0.95214, 0.90653, 1.0012, landmarks=(1.0,))
    assert (shown.low, shown.estimate, shown.high) == ("0.907", "0.952", "1.001")


def as_number(text: str) -> float:
    for words, step in (("just above ", 1e-5), ("just below ", -1e-5)):
        if text.startswith(words):
            return float(text.removeprefix(words).replace("−", "-")) + step
    return float(text.replace("−", "-"))


@given(
    st.floats(0.2, 5.0),
    st.floats(0.001, 3.0),
    st.floats(0.001, 3.0),
    st.sampled_from([1.2, 1.5, 2.0, 3.0]),
)
def test_what_is_shown_tells_the_same_story(estimate: float, below: float, above: float, claim: float) -> None:
    low, high = estimate - below, estimate + above
    shown = rounding.together(estimate, low, high, landmarks=(1.0, claim))
    assert shown.low is not None and shown.high is not None
    seen = [as_number(text) for text in (shown.low, shown.estimate, shown.high)]
    assert seen[0] < seen[1] < seen[2]
    for exact, rounded in ((low, seen[0]), (high, seen[2])):
        for mark in (1.0, claim):
            if abs(exact - mark) > 1e-6:
                assert (exact > mark) == (rounded > mark)
                assert (exact < mark) == (rounded < mark)
