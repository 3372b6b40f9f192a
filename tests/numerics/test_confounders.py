"""Sizes of confounders against the published coefficients."""

import pytest

from trialkit.errors import DesignError
from trialkit.numerics.confounders import moisture_factor, moisture_ratio, size_confounders, temperature_ratio

LEAVES = {"wet_mass_kg": 20.0, "moisture_pct": 38.0, "carbon_g": 6026.4, "nitrogen_g": 111.6}


@pytest.mark.parametrize(
    ("moisture", "factor"),
    # Haug 1993, The Practical Handbook of Compost Engineering (coefficients from memory)
    [(30, 0.147166), (35, 0.294672), (40, 0.502850), (45, 0.710044), (50, 0.855672), (55, 0.934869), (60, 0.972029)],
)
def test_moisture_factor(moisture, factor):
    assert moisture_factor(moisture) == pytest.approx(factor, abs=5e-7)


def test_moisture_ratios():
    assert moisture_ratio(50, 40) == pytest.approx(1.7016, abs=5e-5)
    assert moisture_ratio(50, 45) == pytest.approx(1.2051, abs=5e-5)
    assert moisture_ratio(40.95, 38) == pytest.approx(1.3118, abs=5e-5)


@pytest.mark.parametrize(("warmer", "ratio"), [(2, 1.148698), (3, 1.231144), (5, 1.414214), (-10, 0.5)])
def test_a_warmer_place_at_q10_of_two(warmer, ratio):
    assert temperature_ratio(warmer) == pytest.approx(ratio, abs=5e-7)


def test_a_dry_control_is_sized():
    (water,) = size_confounders({"water_l": 1.0}, {}, wet_mass_kg=20, moisture_pct=38)
    assert (water.name, water.difference, water.unit) == ("water", 1.0, "L")
    assert water.arm_state == pytest.approx(100 * 8.6 / 21)
    assert water.other_state == 38
    assert water.rate_ratio == pytest.approx(1.3118, abs=3e-4)  # 40.952 % here, 40.95 % in the published row


def test_sugar_and_nitrogen_are_shares_of_the_heap():
    starter = {"water_l": 0.95, "sugar_g": 100.0, "nitrogen_g": 2.332}
    found = {item.name: item for item in size_confounders(starter, {"water_l": 0.95}, **LEAVES)}
    assert set(found) == {"sugar", "nitrogen"}
    assert found["sugar"].share_pct == pytest.approx(100 * 42.106 / 6026.4, abs=1e-4)
    assert found["nitrogen"].share_pct == pytest.approx(2.090, abs=5e-4)
    assert found["nitrogen"].other_state == pytest.approx(54)
    assert found["nitrogen"].arm_state == pytest.approx(53.264, abs=5e-4)  # 53.273 with the carbon of urea


def test_equal_arms_have_no_confounder_and_small_weighing_errors_do_not_count():
    arm = {"water_l": 1.0, "sugar_g": 100.0, "turns_per_week": 2.0, "start_wet_mass_kg": 40.0}
    assert size_confounders(arm, dict(arm), **LEAVES) == ()
    assert size_confounders(arm | {"start_wet_mass_kg": 40.7}, arm) == ()
    (mass,) = size_confounders(arm | {"start_wet_mass_kg": 42.0}, arm)
    assert mass.share_pct == pytest.approx(5.0) and mass.rate_ratio is None


def test_soil_and_turning_and_unknown_heaps():
    found = {item.name: item for item in size_confounders({"soil_kg": 1, "turns_per_week": 2}, {"turns_per_week": 1})}
    assert found["soil"].share_pct is None and found["turning"].difference == 1
    (soil,) = size_confounders({"soil_kg": 1}, {}, wet_mass_kg=20)
    assert soil.share_pct == pytest.approx(5.0)


def test_swapping_the_arms_turns_the_sign_and_inverts_the_ratio():
    there = size_confounders({"water_l": 2.0}, {"water_l": 1.0}, **LEAVES)[0]
    back = size_confounders({"water_l": 1.0}, {"water_l": 2.0}, **LEAVES)[0]
    assert there.difference == -back.difference
    assert there.rate_ratio * back.rate_ratio == pytest.approx(1.0)


def test_impossible_numbers_are_refused():
    with pytest.raises(DesignError, match="found a moisture of 120 %"):
        moisture_factor(120)
    with pytest.raises(DesignError, match="found Q10 = 0"):
        temperature_ratio(5, 0)
