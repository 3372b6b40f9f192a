"""The two figures of a planned trial: what is drawn is what was handed over."""

from __future__ import annotations

import pytest

from trialkit.report.precision_figures import (
    CALL_WORDS,
    describe_call_chances,
    draw_call_chances,
    draw_expected_interval,
)

FEW = dict(zip(CALL_WORDS, (0.02, 0.05, 0.03, 0.1, 0.8, 0.0), strict=True))
MANY = dict(zip(CALL_WORDS, (0.03, 0.37, 0.1, 0.2, 0.3, 0.0), strict=True))


def test_areas_end_at_a_hundred_and_stand_on_each_other():
    figure = draw_call_chances([3, 10], [FEW, MANY], "the claim is half true")
    axes = figure.axes[0]
    tops = [line.get_ydata() for line in axes.lines]
    assert len(tops) == len(CALL_WORDS)
    assert tops[0] == pytest.approx([2.0, 3.0])
    assert tops[-1] == pytest.approx([100.0, 100.0])
    assert axes.get_title(loc="left") == "What 100 trials would say if the claim is half true"
    written = {text.get_text().strip() for text in axes.texts}
    assert "cannot tell" in written and "there, but less" in written
    assert "no answer at all" not in written


def test_interval_is_to_scale_beside_the_claim():
    figure = draw_expected_interval([("4 bins", 1.15, 1.6, 2.22), ("8 bins", 1.3, 1.6, 1.97)], 1.6)
    axes = figure.axes[0]
    assert axes.get_xscale() == "log"
    assert axes.lines[0].get_xdata() == pytest.approx([1.15, 2.22])
    assert [label.get_text() for label in axes.get_yticklabels()] == ["4 bins", "8 bins"]
    assert {text.get_text().strip() for text in axes.texts} == {"no effect", "the claim"}
    figure.canvas.draw()


def test_sentence_beside_the_figure():
    assert describe_call_chances(3, FEW, "the claim is half true") == (
        "With 3 bins per treatment, if the claim is half true, the verdicts of 100 such trials: supports the claim 2; "
        "there, but less 5; no difference that matters 3; contradicts the claim 10; cannot tell 80."
    )


def test_what_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="found 1 numbers of bins and 2 sets of chances"):
        draw_call_chances([3], [FEW, MANY], "")
    with pytest.raises(ValueError, match="low ≤ estimate ≤ high"):
        draw_expected_interval([("4 bins", 2.0, 1.0, 3.0)], 1.6)
