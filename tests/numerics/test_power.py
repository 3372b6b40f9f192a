"""Chances and bins by the noncentral t, against R 4.2.2 power.t.test and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from trialkit.numerics.power import bins_needed, chance_beyond, shown_by_this_trial


def sd_log(cv):
    return math.sqrt(math.log(1.0 + cv**2))


def chance(n, difference, sd, sides):
    df = 2.0 * (n - 1)
    return chance_beyond(difference, sd * math.sqrt(2 / n), df, float(special.stdtrit(df, 0.975)), sides=sides)


def test_power_as_r_gives_it():
    """R 4.2.2 power.t.test counts one tail by default, both with strict = TRUE."""
    assert chance(4, 1.0, 0.5, 1) == pytest.approx(0.6568713, abs=5.1e-8)
    assert chance(4, 1.0, 0.5, 2) == pytest.approx(0.656876, abs=5.1e-7)
    assert chance(5, math.log(1.25), sd_log(0.20), 1) == pytest.approx(0.3482411, abs=5.1e-8)
    assert chance(5, math.log(1.25), sd_log(0.20), 2) == pytest.approx(0.348429, abs=5.1e-7)


@pytest.mark.parametrize(
    ("cv", "ratios"),
    [
        (0.05, {3: 1.166, 4: 1.126, 5: 1.106, 6: 1.094, 8: 1.078, 10: 1.068, 12: 1.062}),
        (0.20, {3: 1.837, 4: 1.602, 5: 1.493, 6: 1.427, 8: 1.348, 10: 1.300, 12: 1.267}),
        (0.30, {3: 2.463, 4: 2.012, 5: 1.812, 6: 1.694, 8: 1.556, 10: 1.475, 12: 1.421}),
    ],
)
def test_smallest_ratio_of_two_arms(cv, ratios):
    """R 4.2.2 power.t.test on logs, 80 %, two-sided 5 %."""
    for n, ratio in ratios.items():
        found = shown_by_this_trial(sd_log(cv) * math.sqrt(2 / n), 2.0 * (n - 1))
        assert math.exp(found.difference) == pytest.approx(ratio, abs=6e-4)


def test_smallest_difference_to_six_digits():
    found = shown_by_this_trial(sd_log(0.20) * math.sqrt(0.5), 6.0)
    assert found.difference == pytest.approx(0.471491, abs=5e-6)  # the reference counts both tails


def test_smallest_ratio_of_pairs_in_blocks():
    for blocks, ratio in {3: 2.495, 4: 1.815, 5: 1.602, 6: 1.494, 8: 1.382}.items():
        found = shown_by_this_trial(sd_log(0.20) * math.sqrt(2 / blocks), blocks - 1.0)
        assert math.exp(found.difference) == pytest.approx(ratio, abs=1.5e-3)


@pytest.mark.parametrize(
    ("ratio", "bins"),
    [
        (1.10, [19, 40, 69, 106, 150]),
        (1.20, [6, 12, 20, 30, 42]),
        (1.25, [5, 9, 14, 21, 29]),
        (1.50, [3, 4, 5, 7, 10]),
        (2.00, [2, 3, 3, 4, 5]),
    ],
)
def test_bins_needed_for_a_ratio(ratio, bins):
    """R 4.2.2 power.t.test, CV 10, 15, 20, 25 and 30 %."""
    found = [bins_needed(math.log(ratio), sd_log(cv)) for cv in (0.10, 0.15, 0.20, 0.25, 0.30)]
    assert found == bins


def test_a_size_is_supported_from_the_size_upwards():
    found = shown_by_this_trial(0.1, 6.0, claimed=math.log(2.0))
    assert found.supporting == pytest.approx(math.log(2.0) + found.difference)
    assert shown_by_this_trial(0.1, 6.0).supporting is None


def test_chance_at_the_smallest_difference_is_the_chance_asked_for():
    for df, critical in ((1.0, None), (4.3, 3.5), (60.0, None)):
        found = shown_by_this_trial(0.2, df, critical=critical, chance=0.9)
        bound = float(special.stdtrit(df, 0.975)) if critical is None else critical
        assert chance_beyond(found.difference, 0.2, df, bound) == pytest.approx(0.9, abs=1e-9)


def test_by_simulation_in_blocks():
    """Three treatments: share of trials whose interval excludes no effect, at the number of bins named."""
    difference, sd = 0.5, 0.3
    n = bins_needed(difference, sd, treatments=3, blocks=True)
    assert n is not None
    generator = np.random.default_rng(5)
    df = (n - 1) * 2
    estimate = generator.normal(difference, sd * math.sqrt(2 / n), size=200_000)
    s = sd * np.sqrt(generator.chisquare(df, size=200_000) / df)
    share = np.mean(estimate > float(special.stdtrit(df, 0.975)) * s * math.sqrt(2 / n))
    assert share > 0.8 - 0.004
    fewer = n - 1
    bound = float(special.stdtrit((fewer - 1) * 2.0, 0.975))
    assert chance_beyond(difference, sd * math.sqrt(2 / fewer), (fewer - 1) * 2.0, bound) < 0.8


def test_no_number_of_bins_settles_a_difference_of_nothing():
    assert bins_needed(0.0, 0.3) is None


def test_more_comparisons_need_more_bins():
    assert bins_needed(0.3, 0.2, comparisons=3) > bins_needed(0.3, 0.2)


def test_numbers_that_make_no_sense():
    with pytest.raises(ValueError, match=r"found std_error = 0\.0, df = 4.0; expected numbers above 0"):
        shown_by_this_trial(0.0, 4.0)
    with pytest.raises(ValueError, match=r"chance: found 1\.0; expected a number from 0.5 up to 1"):
        shown_by_this_trial(0.1, 4.0, chance=1.0)
    with pytest.raises(ValueError, match="expected a standard deviation above 0"):
        bins_needed(0.1, 0.0)
