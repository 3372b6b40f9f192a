"""The curve without a model: published solutions, closed forms, what holds at any maximum."""

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.numerics.turnbull import fit_turnbull

COSMESIS = json.loads(
    (Path(__file__).parents[1] / "reference" / "censored_breast_cosmesis.json").read_text(encoding="utf-8")
)


@pytest.mark.parametrize("arm", list(COSMESIS["data"]))
def test_breast_cosmesis_of_finkelstein_and_wolfe(arm):
    table = np.array([[low, np.inf if high is None else high] for low, high in COSMESIS["data"][arm]], dtype=float)
    curve = fit_turnbull(table[:, 0], table[:, 1])
    expected = COSMESIS["expected"]["turnbull"][arm]
    assert np.column_stack([curve.start, curve.end]).tolist() == expected["intervals"]
    assert curve.mass == pytest.approx(expected["mass"], abs=COSMESIS["tolerance"]["mass"])
    assert curve.log_likelihood == pytest.approx(
        expected["log_likelihood"], abs=COSMESIS["tolerance"]["log_likelihood"]
    )
    assert curve.gain_bound < 1e-8


def test_windows_apart_get_their_shares():
    curve = fit_turnbull([0, 3, 3, 6], [3, 6, 6, np.inf])
    assert curve.start.tolist() == [0, 3, 6]
    assert curve.end.tolist() == [3, 6, np.inf]
    assert curve.mass == pytest.approx([0.25, 0.5, 0.25], abs=1e-9)
    assert curve.log_likelihood == pytest.approx(2 * np.log(0.25) + 2 * np.log(0.5))


def test_narrow_unfinished_and_finished_windows_give_the_product_limit():
    """With windows too narrow to overlap, the product-limit estimate: 4/5, then 4/5·2/3, worked by hand."""
    low = np.array([9.9, 12.0, 14.9, 20.0, 20.0])
    high = np.array([10.0, np.inf, 15.0, np.inf, np.inf])
    curve = fit_turnbull(low, high)
    least, greatest = curve.unfinished_at([9.0, 11.0, 16.0])
    assert least == pytest.approx([1.0, 4 / 5, 4 / 5 * 2 / 3], abs=1e-8)
    assert greatest == pytest.approx(least, abs=1e-8)


def test_inside_an_interval_only_bounds_are_known():
    curve = fit_turnbull([0, 3], [3, 6])
    least, greatest = curve.unfinished_at(4.0)
    assert (least[0], greatest[0]) == pytest.approx((0.0, 0.5), abs=1e-9)


def test_no_distribution_on_any_interval_does_better():
    rng = np.random.default_rng(8)
    low = rng.integers(0, 30, 40).astype(float)
    high = low + rng.integers(2, 15, 40)
    high[rng.random(40) < 0.3] = np.inf
    curve = fit_turnbull(low, high)
    day = np.unique(np.concatenate([low, low + 0.5, high[np.isfinite(high)]])) + 1e-9
    covered = (low[:, None] < day) & (day <= high[:, None])
    chance = ((low[:, None] <= curve.start) & (curve.end <= high[:, None])) @ curve.mass
    assert (covered / chance[:, None]).sum(axis=0).max() <= 40 * (1 + 1e-6)
    assert curve.mass.sum() == pytest.approx(1.0, abs=1e-12)


def test_row_order_does_not_matter():
    low, high = np.array([0, 2, 5, 1, 4.0]), np.array([3, 6, np.inf, 4, 9.0])
    turned = fit_turnbull(low[::-1], high[::-1])
    assert turned.mass == pytest.approx(fit_turnbull(low, high).mass, abs=1e-7)


def test_windows_that_end_before_they_start_are_refused():
    with pytest.raises(DesignError, match="Row 1: found a window from day 9 to day 8"):
        fit_turnbull([3, 9], [5, 8])
    with pytest.raises(DesignError, match="expected one low and one high a bin"):
        fit_turnbull([3, 9], [5])
