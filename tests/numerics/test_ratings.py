"""Names for how far decay has gone. Tables from memory (Brinton et al. 1995; California council, 2001)."""

import pytest

from trialkit.numerics.ratings import heating_class, maturity_rating


@pytest.mark.parametrize(
    ("rise", "expected"),
    [
        *((4, "V"), (10, "V"), (15, "IV"), (27, "III"), (33, "II"), (48, "I")),
        *((10.1, "IV"), (20, "IV"), (30, "III"), (40, "II"), (40.1, "I"), (-5, "V"), (65, "I")),
    ],
)
def test_a_limit_belongs_to_the_more_stable_class(rise, expected):
    assert heating_class(rise) == expected


@pytest.mark.parametrize("rise", [-5.1, 65.1, float("nan")])
def test_an_impossible_rise_is_an_error(rise):
    with pytest.raises(ValueError, match="expected -5 to 65 °C above ambient"):
        heating_class(rise)


def test_the_worst_of_both_groups_counts():
    found = maturity_rating(18, {"co2_c_mg_g_om_day": 5, "germination_pct": 92})
    assert found.rating == "mature"
    assert found.by_test == {"co2_c_mg_g_om_day": "mature", "germination_pct": "very mature"}
    assert maturity_rating(18, {"rise_c": 4, "germination_pct": 92}).rating == "very mature"
    assert maturity_rating(18, {"rise_c": 4, "germination_pct": 92, "fatty_acids_ppm": 1200}).rating == "immature"


def test_above_25_of_carbon_to_nitrogen_nothing_is_rated():
    found = maturity_rating(31, {"co2_c_mg_g_om_day": 1, "germination_pct": 95})
    assert (found.rating, found.reason) == (None, "C:N is 31, above 25, so maturity is not rated.")
    unknown = maturity_rating(None, {"rise_c": 4, "germination_pct": 95})
    assert (unknown.rating, unknown.reason) == (None, "C:N was not measured, so maturity is not rated.")
    assert unknown.by_test == {"rise_c": "very mature", "germination_pct": "very mature"}
    assert maturity_rating(25, {"co2_c_mg_g_om_day": 1, "germination_pct": 95}).rating == "very mature"


@pytest.mark.parametrize(
    ("name", "mature"),
    [
        ("co2_c_mg_g_om_day", (2, 8)),
        ("oxygen_uptake_mg_g_om_hour", (0.4, 1.3)),
        ("rise_c", (10, 20)),
        ("ammonium_to_nitrate", (0.5, 3)),
        ("ammonia_n_ppm", (75, 500)),
        ("germination_pct", (80, 90)),
        ("fatty_acids_ppm", (200, 1000)),
    ],
)
def test_a_reading_on_a_limit_is_mature(name, mature):
    low, high = mature
    rate = lambda reading: maturity_rating(20, {name: reading}).by_test[name]  # noqa: E731
    assert [rate(low), rate(high)] == ["mature", "mature"]
    assert sorted([rate(0.99 * low), rate(1.01 * high)]) == ["immature", "very mature"]


def test_both_groups_are_needed_and_names_must_be_known():
    assert maturity_rating(20, {"rise_c": 5}).reason == "No test of toxicity was made, so maturity is not rated."
    assert "No test of stability" in maturity_rating(20, {"germination_pct": 95}).reason
    with pytest.raises(ValueError, match="found 'sprouts'"):
        maturity_rating(20, {"sprouts": 5})
    with pytest.raises(ValueError, match="ammonia_n_ppm: found -1"):
        maturity_rating(20, {"ammonia_n_ppm": -1})
    with pytest.raises(ValueError, match="cn_ratio: found 0"):
        maturity_rating(0, {})
