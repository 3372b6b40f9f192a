"""Germination with its shared blank, and scores."""

import pytest

from trialkit.outcomes import bin_values


def test_germination_index_by_hand(trial, course):
    # 8 of 9 seeds and 24 of 30 mm: 100·(8/9)·(24/30) = 71.1111
    rows = course("B1", [60], germination_pct=[100 * 8 / 9], root_length_pct=[80])
    rows += course("B2", [60], germination_pct=[100], root_length_pct=[110])
    found = bin_values(trial(rows), "germination_index_pct")
    assert [value.value for value in found.values] == pytest.approx([71.1111, 110.0], abs=5e-5)
    assert found.outcome.scale == "log"  # the blank's error drops out of a ratio
    assert found.notes[0].startswith("All bins share one water blank")
    assert bin_values(trial(rows), "germination_pct").values[1].value == 100.0


def test_no_root_length_no_index(trial, course):
    rows = course("B1", [60], germination_pct=[80]) + course("B2", [60], germination_pct=[90])
    assert bin_values(trial(rows), "germination_index_pct").reasons == (
        "germination_index_pct needs root_length_pct, which no reading holds.",
    )


@pytest.mark.parametrize("column", ["appearance_score", "odour_score"])
def test_scores(trial, course, column):
    rows = course("B1", [30, 60], **{column: [2, 4]}) + course("B2", [30, 60], **{column: [1, 0]})
    found = bin_values(trial(rows), column)
    assert [value.value for value in found.values] == [4.0, 0.0]
    assert found.outcome.unit == "score 0–5" and found.outcome.better == 1
