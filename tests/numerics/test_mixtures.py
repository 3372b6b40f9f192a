"""Mixtures against handbook sums worked by hand."""

import pytest

from trialkit.errors import DesignError
from trialkit.numerics.mixtures import (
    CARBON_IN_SUCROSE,
    CARBON_IN_UREA,
    NITROGEN_IN_UREA,
    cn_ratio_range,
    fermentation_gas,
    mix,
    moisture_with,
    nitrogen_to_reach,
    partner_for_cn_ratio,
    partner_for_moisture,
    water_to_reach,
)

# N %, C:N, moisture %: Rynk et al. 1992, On-Farm Composting Handbook, NRAES-54, Table A.1 (from memory)
LEAVES, GRASS, FOOD, CATTLE, STRAW = (0.9, 54, 38), (3.4, 17, 82), (2.4, 15, 69), (2.4, 19, 81), (0.7, 80, 12)


def heap(*parts):
    masses = [mass for mass, _ in parts]
    nitrogen = [material[0] for _, material in parts]
    return mix(masses, [m[2] for _, m in parts], nitrogen, [m[0] * m[1] for _, m in parts])


def test_grass_and_leaves():
    made = heap((10, GRASS), (30, LEAVES))
    assert made.moisture_pct == pytest.approx(49.0, abs=1e-12)
    assert made.carbon_kg == pytest.approx(10.08, abs=1e-12)
    assert made.nitrogen_kg == pytest.approx(0.2286, abs=1e-12)
    assert made.cn_ratio == pytest.approx(44.09449, abs=5e-6)


@pytest.mark.parametrize(
    ("parts", "moisture", "cn_ratio"),
    [
        (((20, LEAVES), (10, FOOD)), 48.3333, 38.4000),
        (((20, LEAVES), (10, CATTLE)), 52.3333, 43.8473),
        (((20, LEAVES), (5, STRAW)), 32.8, 59.6236),
    ],
)
def test_other_heaps(parts, moisture, cn_ratio):
    made = heap(*parts)
    assert made.moisture_pct == pytest.approx(moisture, abs=5e-5)
    assert made.cn_ratio == pytest.approx(cn_ratio, abs=5e-5)


def test_leaves_that_bring_grass_to_thirty_to_one():
    leaves = partner_for_cn_ratio(10, (82, 38), (3.4, 0.9), (3.4 * 17, 0.9 * 54), 30)
    assert leaves == pytest.approx(5.940860, abs=5e-7)
    made = heap((10, GRASS), (leaves, LEAVES))
    assert made.cn_ratio == pytest.approx(30, abs=1e-9)
    assert made.moisture_pct == pytest.approx(65.602, abs=5e-4)


def test_the_cornell_example():
    # Cornell Composting, compost.css.cornell.edu: grass 77 % with leaves 35 % to 60 % takes 6.8 kg; C:N printed ≈ 3.5
    assert partner_for_moisture(10, (77, 35), 60) == pytest.approx(6.8, abs=1e-12)
    assert partner_for_cn_ratio(10, (77, 35), (2.4, 0.75), (45, 50), 30) == pytest.approx(3.474126, abs=5e-7)


def test_two_materials_on_one_side_of_the_target_are_refused():
    with pytest.raises(DesignError, match="no amount of the second material brings the mixture to C:N 100"):
        partner_for_cn_ratio(10, (82, 38), (3.4, 0.9), (3.4 * 17, 0.9 * 54), 100)
    with pytest.raises(DesignError, match="no amount of the second material brings the mixture to 90 % moisture"):
        partner_for_moisture(10, (77, 35), 90)


def test_water_and_nitrogen_to_reach_a_target():
    assert water_to_reach(20, 38, 55) == pytest.approx(7.555556, abs=5e-7)
    assert water_to_reach(20, 60, 55) == 0
    assert 1000 * nitrogen_to_reach(6.0264, 0.1116, 40) == pytest.approx(39.06, abs=1e-9)
    assert 1000 * nitrogen_to_reach(6.0264, 0.1116, 30) == pytest.approx(89.28, abs=1e-9)
    assert 1000 * nitrogen_to_reach(6.0264, 0.1116, 40) / NITROGEN_IN_UREA == pytest.approx(83.73, abs=0.03)


def test_what_a_litre_of_starter_adds_to_twenty_kilograms_of_leaves():
    # 100 g sucrose, 5 g urea, 0.95 L water; molar masses of IUPAC
    assert pytest.approx(42.106, abs=6e-4) == 100 * CARBON_IN_SUCROSE
    assert pytest.approx(2.332, abs=6e-4) == 5 * NITROGEN_IN_UREA
    leaves = heap((20, LEAVES))
    carbon = leaves.carbon_kg + 0.1 * CARBON_IN_SUCROSE + 0.005 * CARBON_IN_UREA
    nitrogen = leaves.nitrogen_kg + 0.005 * NITROGEN_IN_UREA
    assert carbon / leaves.carbon_kg - 1 == pytest.approx(0.00715, abs=5e-6)
    assert nitrogen / leaves.nitrogen_kg - 1 == pytest.approx(0.02090, abs=5e-6)
    # 2e-4: the published sum takes 46.643 % nitrogen in urea, the atomic masses used here give 46.646 %
    assert carbon / nitrogen == pytest.approx(53.2730, abs=2e-4)
    assert moisture_with(20, 38, 0.95, 0.105) == pytest.approx(40.608, abs=5e-4)


def test_gas_of_a_fermented_sugar_liquid():
    grams, litres = fermentation_gas(100)
    assert grams == pytest.approx(51.43, abs=5e-3)
    assert litres == pytest.approx(28.1, abs=0.05)


def test_the_range_of_a_heap_lies_at_the_corners():
    # one material: its own range; two of equal dry mass, by hand: low (1·40+3·9)/(1+3) … tried with every nitrogen
    assert cn_ratio_range([5], [0.5], [1.3], [40], [80]) == (40, 80)
    low, high = cn_ratio_range([1, 1], [0.5, 2.0], [1.3, 6.0], [40, 9], [80, 25])
    assert low == pytest.approx((0.5 * 40 + 6 * 9) / 6.5)
    assert high == pytest.approx((1.3 * 80 + 2 * 25) / 3.3)
    with pytest.raises(DesignError, match="found 13 materials"):
        cn_ratio_range([1] * 13, [1] * 13, [1] * 13, [20] * 13, [30] * 13)


def test_heaps_without_nitrogen_or_mass():
    assert mix([1], [0], [0], [42.1]).cn_ratio == float("inf")
    with pytest.raises(DesignError, match=r"found masses \[0.0\] kg"):
        mix([0], [0], [0], [1])
    with pytest.raises(DesignError, match=r"found moistures \[138.0\] %"):
        mix([1], [138], [1], [1])
    with pytest.raises(DesignError, match="found a target moisture of 100 %"):
        water_to_reach(1, 50, 100)
    with pytest.raises(DesignError, match="found a target C:N of 0"):
        nitrogen_to_reach(1, 1, 0)
