"""The timeline: every bin drawn and said, unfinished ones too; bounds said as bounds."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trialkit.records import BinValue, Claim
from trialkit.report.bin_panel import claimed_days
from trialkit.report.layout_figure import draw_layout
from trialkit.report.limits import limit_lines
from trialkit.report.panels import draw_outcome
from trialkit.report.timeline import bin_words, draw_timeline, timeline_lines
from trialkit.report.words import comparison_sentence, verdict_sentence
from trialkit.shipped import shipped
from trialkit.verdicts import judge
from trialkit.workflow import analyse


@pytest.fixture(scope="module")
def watched():
    return analyse(shipped("sample_trials") / "until_finished")


def answer(analysis, name="days_to_finish"):
    return next(one for one in analysis.answers if one.name == name)


def test_windows_in_words():
    value = BinValue("B3", "live", 27.5, low=24.0, high=31.0)
    assert bin_words(value) == "B3 (live) was ready between day 24 and 31."
    assert bin_words(replace(value, value=None, high=None)) == "B3 (live) was not ready by day 24."
    assert bin_words(replace(value, low=0.0)) == "B3 (live) was ready by day 31, its first look."
    assert bin_words(replace(value, low=31.0)) == "B3 (live) was ready on day 31."
    assert bin_words(replace(value, low=None, reason="never visited")) == "B3 (live) has no day: never visited."


def test_the_sample_says_when_bins_were_ready_and_keeps_the_two_that_were_not(watched):
    water, live = timeline_lines(answer(watched))
    assert water.startswith("Water only: 4 of 6 bins ready between day 36 and 48; B1 and B4 not by day 48.")
    assert live.startswith("Live starter: 6 bins ready between day 24 and 42. A bin in the middle takes ")
    assert timeline_lines(answer(watched, "decay_rate")) == ()


def test_bins_that_were_not_there_stand_in_the_figure_the_map_and_the_limits_as_longer(watched):
    drawing = draw_outcome(answer(watched), watched)
    assert "water only: 4 bins, 37.5 to 46.5 days; 2 bins not by the last visit." in drawing.alt
    assert "an open mark with an arrow was not there by its last visit" in drawing.caption
    assert "block 1: B1 water only > 48.0 and B2 live starter 40.5." in draw_layout(answer(watched), watched).alt
    lines = limit_lines(watched)
    longer = "B1 and B4 were not there by the last visit. They count as longer; by how much, nobody saw."
    assert f"Days to finish: {longer}" in lines
    assert not any(line.startswith("Days to finish is without a value") for line in lines)
    assert claimed_days([verdict.claim for verdict in watched.verdicts], ("water only", "live starter")) == [(14.0, 1)]


def test_the_figure_holds_every_bin_and_is_absent_for_other_outcomes(watched):
    drawing = draw_timeline(watched.trial, answer(watched))
    for bin_ in watched.trial.bins:
        assert f"{bin_.bin} ({bin_.treatment})" in drawing.alt
    assert "B4 (water only) was not ready by day 48." in drawing.alt
    assert drawing.svg.startswith("<svg")
    assert draw_timeline(watched.trial, answer(watched, "decay_rate")) is None
    other = draw_timeline(watched.trial, answer(watched, "days_to_threshold"))
    assert "was past the threshold between" in other.alt


def test_the_three_claims_are_answered_as_written_and_the_truth_lies_in_every_range(watched):
    """Truth of the sample: rate ratio 1.25, time ratio 0.80, live bins done on day 33.9 in the middle."""
    assert [verdict.call for verdict in watched.verdicts] == ["contradict", "less_than_claimed", "less_than_claimed"]
    within, half, twice = watched.verdicts
    assert within.interval.low < 33.9 < within.interval.high
    assert half.interval.low < 0.80 < half.interval.high
    assert "contradict this claim: with live starter, bins took" in verdict_sentence(within)
    assert "less than claimed" in verdict_sentence(half)
    assert "decay ran" in verdict_sentence(twice)


def test_a_bound_is_said_as_a_bound(watched):
    (one,) = answer(watched).comparisons
    ends = replace(one.interval, low=1.9, high=None, level=0.984375)
    bound = replace(one, estimate=1.9, interval=ends, std_error=None, level_attained=0.984375)
    said = comparison_sentence(bound)
    assert said == (
        "With live starter, bins took at least 1.9 times as long as with water only "
        "(one-sided, confidence 98.4 %, 6 bins each)."
    )
    claim = Claim("as fast", "live starter", "water only", "days_to_finish", "times_as_fast", 1.5)
    verdict = judge(bound, claim)
    assert verdict.call == "cannot_tell"
    assert verdict_sentence(verdict).startswith("These bins cannot tell: with live starter, bins were at most 0.5")
