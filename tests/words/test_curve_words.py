"""Rate ratios had otherwise, to the letter: what holds for several comparisons is said once."""

from __future__ import annotations

from dataclasses import replace
from math import log

from trialkit.records import Answer, CurveCheck, Refusal
from trialkit.report.curve_words import curve_lines, curves_table

REFUSAL = Refusal("models", ("x",))
# ranges 1.05 to 1.28 and 1.20 to 1.45, half-widths on the log scale
KILLED = CurveCheck("killed", "water", 1.16, log(1.28 / 1.16), 1.17, log(1.17 / 1.16), (4, 4), (1.17, 1.07, 1.28))
LIVE = CurveCheck("live", "water", 1.32, log(1.45 / 1.32), 1.33, log(1.33 / 1.32), (4, 4), (1.33, 1.21, 1.45))
TIMED = replace(LIVE, time=(0.74, 0.59, None))


def lines(*checks: CurveCheck) -> tuple[str, ...]:
    return curve_lines(Answer("decay_rate", "primary", REFUSAL, REFUSAL, (), curve_checks=checks))


def test_what_agrees_is_said_once() -> None:
    assert lines(KILLED, LIVE) == (
        "With a curve of free shape (Weibull) in every bin, none of the 2 rate ratios moves by more than half the "
        "width of its range.",
        "With the errors of k taken as known beside the scatter between bins, all 2 ranges stay on the side of “no "
        "difference” on which they are.",
    )


def test_one_comparison_alone_has_its_numbers() -> None:
    assert lines(LIVE) == (
        "With a curve of free shape (Weibull) in every bin, the rate ratio live ÷ water would be 1.33: it moves by "
        "less than half the width of its range.",
        "With the errors of k taken as known beside the scatter between bins, the rate ratio live ÷ water would be "
        "1.33 (1.21 to 1.45), on the same side of “no difference” as the range given.",
    )


def test_two_ranges_that_hold_no_difference_are_on_no_side_of_it() -> None:
    open_check = replace(LIVE, half_width=log(1.45), known=(1.33, 0.95, 1.86))
    assert lines(open_check)[1].endswith(
        "would be 1.33 (0.95 to 1.86), which holds “no difference” as the range given does."
    )


def test_one_that_moves_too_far_is_named() -> None:
    far = replace(KILLED, stretched=1.40, moved=log(1.40 / 1.16), known=(1.17, 0.98, 1.40))
    assert lines(far, LIVE) == (
        "With a curve of free shape (Weibull) in every bin, the rate ratio killed ÷ water moves from 1.16 to 1.40, by "
        "more than half the width of its range: the answer leans on the shape of the curve. The other one moves by "
        "less.",
        "With the errors of k taken as known beside the scatter between bins, the rate ratio killed ÷ water would be "
        "1.17 (0.98 to 1.40), on another side of “no difference” than the range given.",
    )


def test_rate_and_time_stand_side_by_side_and_reasons_come_last_and_once() -> None:
    said = lines(replace(TIMED, reasons=("Because.",)), replace(KILLED, reasons=("Because.",)))
    assert said[2] == (
        "Rate and time side by side, live ÷ water: 1.32 times the rate, 0.74 times the days (0.59 to open); 0.76 would "
        "be the inverse of the rate ratio."
    )
    assert said[3:] == ("Because.",)


def test_the_numbers_stand_in_a_table() -> None:
    found = curves_table(Answer("decay_rate", "primary", REFUSAL, REFUSAL, (), curve_checks=(LIVE,)))
    assert found is not None
    assert found.shown[0] == (
        "Live ÷ water",
        "1.32 (1.20 to 1.45)",
        "1.33 (4 + 4 bins)",
        "1.33 (1.21 to 1.45)",
        "–",
    )
    timed = curves_table(Answer("decay_rate", "primary", REFUSAL, REFUSAL, (), curve_checks=(TIMED, KILLED)))
    assert timed is not None
    assert [row[timed.heads.index("Time ratio")] for row in timed.shown] == ["0.74", "–"]
    assert curves_table(Answer("decay_rate", "primary", REFUSAL, REFUSAL, ())) is None
