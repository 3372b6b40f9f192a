"""What is said of repeats and of shuffled labels, to the letter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from trialkit.records import (
    Answer,
    Comparison,
    Interval,
    Outcome,
    Plan,
    Refusal,
    Rerandomisation,
)
from trialkit.report.shuffling import shuffled_ranges, shuffling_lines, together_line

DECAY = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "", "", "")


def shuffled(low: float, high: float, p: float | None, floor: float | None, **changes: Any) -> Comparison:
    interval = Interval(low, high, 0.95)
    comparison = Comparison(
        DECAY, Plan(control="water only"), "live starter", "water only", "ratio", 1.2, interval, interval, interval,
        interval, 0.05, 6.0, 0.02, (4, 4), rerandomisation_p=p, rerandomisation_floor=floor,
    )  # fmt: skip
    return replace(comparison, **changes)


def shuffling_line(comparison: Comparison) -> str:
    return "".join(shuffling_lines((comparison,)))


def test_pairs_of_which_the_same_is_said_share_a_sentence() -> None:
    both = (shuffled(0.9, 1.3, 0.31, 0.125), shuffled(0.8, 1.2, 0.31, 0.125, treatment="killed starter"))
    assert shuffling_lines(both) == (
        "Shuffling the labels of live starter and water only, and of killed starter and water only as they could have "
        "been drawn gives p = 0.31; the least it can be with these bins is 0.125.",
    )


def test_where_both_agree_the_p_and_its_least_are_told() -> None:
    assert shuffling_line(shuffled(1.1, 1.3, 0.0286, 0.0286)) == (
        "Shuffling the labels of live starter and water only as they could have been drawn gives p = 0.0286; "
        "the least it can be with these bins is 0.0286."
    )
    assert shuffling_line(shuffled(0.9, 1.3, 0.31, None)) == (
        "Shuffling the labels of live starter and water only as they could have been drawn gives p = 0.31."
    )
    assert shuffling_line(shuffled(1.1, 1.3, None, 0.125)) == ""


def test_a_floor_above_the_level_is_explained() -> None:
    # four complete pairs: 2 of 2^4 = 16 layouts set the arms as far apart, 0.125
    assert shuffling_line(shuffled(1.1, 1.3, 0.125, 0.125)).endswith(
        "The range of this one comparison at 95 % lies clear of “no difference”; the shuffle could not say so, however "
        "large the effect, because there are too few ways to share out these bins."
    )


def test_the_range_that_goes_with_the_shuffle_and_its_level() -> None:
    # six pairs: 2 of 64 layouts stand at each step, so the level nearest above 95 % is 1 − 2/64
    six = replace(shuffled(1.1, 1.3, 0.03125, 0.03125), rerandomised=Interval(1.04, 1.38, 0.95, level_attained=0.96875))
    (line,) = shuffled_ranges((six, shuffled(1.1, 1.3, 0.0625, 0.0625)))
    assert line == (
        "If the effect is the same in every bin, shuffling alone leaves open anything between 1.04 and 1.38 times for "
        "live starter beside water only (96.9 % range of this one comparison)."
    )
    loss = Outcome("volume_loss_pct", "volume loss", "% of the start", "identity", 1, "", "", "")
    points = replace(
        six, outcome=loss, kind="difference", estimate=4.2, rerandomised=replace(six.rerandomised, low=-1.0)
    )
    assert "between −1.0 and 1.4 percentage points for live starter" in shuffled_ranges((points,))[0]


def test_where_they_disagree_both_are_printed() -> None:
    assert "the shuffle does not" in shuffling_line(shuffled(1.01, 1.3, 0.0714, 0.0079))
    assert "the range of this one comparison at 95 % holds it" in shuffling_line(shuffled(0.99, 1.3, 0.0397, 0.0079))
    assert shuffling_line(shuffled(0.99, 1.3, 0.0397, 0.0079)).endswith("both stand.")


def test_all_treatments_together() -> None:
    answer = Answer("decay_rate", "primary", Refusal("models", ("x",)), Refusal("models", ("x",)), ())
    assert together_line(answer) == ""
    exact = replace(answer, rerandomisation=Rerandomisation(0.0046296, 0.0046296, 1296, True))
    assert together_line(exact) == (
        "All treatments together, labels shuffled as they could have been drawn: p = 0.00463, from all 1,296 layouts "
        "(the least possible is 0.00463)."
    )
    drawn = replace(answer, rerandomisation=Rerandomisation(0.0312, 0.00001, 99999, False, note="Seed 7."))
    assert together_line(drawn).endswith("from 99,999 layouts drawn at random (the least possible is <0.001). Seed 7.")
    none = replace(answer, rerandomisation=Rerandomisation(None, 1.0, 1, True, reason="Drawn by hand."))
    assert together_line(none) == "No test of all treatments together by drawing again: Drawn by hand."
