"""Recipe, starter and batch: handbook sums, equal shares, and the words on what is wrong."""

import pytest

from trialkit.errors import DesignError
from trialkit.planning.cautions import call_cautions
from trialkit.planning.feedstocks import FEEDSTOCKS, find_feedstock, own_feedstock
from trialkit.planning.recipe import Portion, make_recipe, weigh_starter
from trialkit.planning.starters import Starter, propose_arms, role_by_name, split_batch, with_amounts
from trialkit.records import Treatment

LEAVES = Portion(find_feedstock("leaves"), 20.0)
STARTER = Starter(water_l=0.95, sugar_g=100, urea_g=5)


def test_leaves_with_food_scraps():
    # Rynk et al. 1992, NRAES-54, Table A.1 (from memory), summed by hand
    made = make_recipe([LEAVES, Portion(find_feedstock("Food  Scraps"), 10.0)], 12)
    assert made.mixture.moisture_pct == pytest.approx(48.3333, abs=5e-5)
    assert made.mixture.cn_ratio == pytest.approx(38.4, abs=5e-5)
    low, high = made.cn_range
    assert low < made.mixture.cn_ratio < high
    # corners by hand: 12.4 kg and 3.1 kg dry; lowest C:N with little leaf nitrogen and much scrap nitrogen
    assert low == pytest.approx((12.4 * 0.5 * 40 + 3.1 * 2.9 * 14) / (12.4 * 0.5 + 3.1 * 2.9))
    assert high == pytest.approx((12.4 * 1.3 * 80 + 3.1 * 1.9 * 16) / (12.4 * 1.3 + 3.1 * 1.9))


def test_water_counts_what_the_arms_get_anyway():
    dry = make_recipe([LEAVES], 12)
    assert dry.water_l == pytest.approx(7.555556, abs=5e-7)
    assert make_recipe([LEAVES], 12, poured_l=0.95).water_l == pytest.approx(6.605556, abs=5e-7)
    assert make_recipe([LEAVES], 12, poured_l=9).water_l == 0


def test_what_the_starter_really_adds():
    effect = weigh_starter(make_recipe([LEAVES], 12), STARTER)
    assert effect.sugar_carbon_g == pytest.approx(42.106, abs=5e-4)
    assert effect.nitrogen_g == pytest.approx(2.332, abs=5e-4)
    assert effect.nitrogen_pct == pytest.approx(2.090, abs=5e-4)
    assert effect.moisture_after_pct == pytest.approx(40.608, abs=5e-4)
    assert effect.nitrogen_to_30_g == pytest.approx(89.28, abs=5e-3)
    # 0.1 g: the published 191.38 g takes 46.65 % nitrogen in urea, atomic masses give 46.646 %
    assert effect.urea_to_30_g == pytest.approx(191.38, abs=0.1)
    assert effect.gas_l == pytest.approx(28.1, abs=0.05)


def test_an_unknown_feedstock_names_the_nearest():
    with pytest.raises(DesignError, match='found the feedstock "grass clipings"; expected one of leaves, ') as caught:
        find_feedstock("grass clipings")
    assert 'Nearest: "grass clippings".' in str(caught.value)
    assert '"grass clipings=20kg, nitrogen=0.9, cn=54, moisture=38"' in str(caught.value)


def test_every_feedstock_says_where_it_comes_from_and_holds_possible_figures():
    for feed in FEEDSTOCKS.values():
        assert feed.source and set(feed.from_memory) <= {"nitrogen", "C:N", "moisture"}
        for span in (feed.nitrogen_pct, feed.cn_ratio, feed.moisture_pct):
            assert span.low <= span.typical <= span.high
        assert 15 < feed.carbon_pct < 110 or feed.name == "garden soil"
    assert 100 < FEEDSTOCKS["sawdust"].carbon_pct < 107  # the handbook's own pair of figures: 0.24 × 442


def test_own_figures_are_checked():
    feed = own_feedstock("oak leaves", 0.8, 60, 30)
    assert feed.carbon_pct == pytest.approx(48) and feed.kinds == {"leaves"} and feed.source == "as given"
    with pytest.raises(DesignError, match="oak leaves: found cn 2; expected 3 to 1000"):
        own_feedstock("oak leaves", 0.8, 2, 30)
    with pytest.raises(DesignError, match="5 % nitrogen at C:N 54 would be 270 % carbon"):
        own_feedstock("oak leaves", 5, 54, 30)


def test_recipes_that_cannot_be():
    with pytest.raises(DesignError, match="found no feedstock"):
        make_recipe([], 12)
    with pytest.raises(DesignError, match="leaves: found -2 kg a bin"):
        make_recipe([Portion(LEAVES.feedstock, -2)], 12)
    with pytest.raises(DesignError, match="found a target moisture of 90 %"):
        make_recipe([LEAVES], 12, target_moisture_pct=90)


def test_one_brew_is_split_so_that_water_sugar_and_nitrogen_are_equal():
    arms = propose_arms(STARTER)
    assert [arm.role for arm in arms] == ["water", "killed", "live"]
    batch = split_batch(arms, {arm.name: 4 for arm in arms})
    # 8 bins get liquid, a tenth to spare
    assert batch.water_l == pytest.approx(0.95 * 8.8)
    assert batch.sugar_g == pytest.approx(880)
    assert batch.nitrogen_g == pytest.approx(8.8 * 2.332)
    assert batch.killed_l == batch.live_l == pytest.approx(0.95 * 4.4)
    water = {pour.treatment: pour.liquid_l + pour.plain_water_l for pour in batch.pours}
    assert set(water.values()) == {0.95}
    killed, live = batch.pours[1:]
    assert killed.amounts == live.amounts
    assert "boiled" in killed.prepare and "hot water kills" in live.prepare


def test_a_wetter_arm_is_topped_up_with_plain_water():
    arms = (Treatment("a", "water", {}, {"water_l": 2.0}), Treatment("b", "live", {}, {"water_l": 1.5, "sugar_g": 10}))
    batch = split_batch(arms, {"a": 3, "b": 3})
    assert [(pour.liquid_l, pour.plain_water_l) for pour in batch.pours] == [(0.0, 2.0), (1.5, 0.0)]


def test_arms_of_one_brew_must_agree():
    arms = (Treatment("k", "killed", {}, {"sugar_g": 50.0}), Treatment("l", "live", {}, {"sugar_g": 100.0}))
    with pytest.raises(DesignError) as caught:
        split_batch(arms, {"k": 3, "l": 3})
    assert str(caught.value) == (
        "arms that share one brew differ (k: 50 g sugar, 0 g nitrogen; l: 100 g sugar, 0 g nitrogen); "
        "expected the same "
        "sugar and nitrogen a bin in every carrier, killed and live arm. Give them the same amounts, or another role."
    )


def test_declared_amounts_stand():
    arm = with_amounts(Treatment("x", "live", {}, {"water_l": 3.0}), STARTER)
    assert arm.amounts == {"water_l": 3.0, "sugar_g": 100, "nitrogen_g": 2.332}
    assert with_amounts(Treatment("x", "nothing"), STARTER).amounts == {}
    with pytest.raises(DesignError, match="the starter: found sugar_g -1"):
        Starter(1.0, sugar_g=-1)


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("water only", "water"), ("killed starter", "killed"), ("Live starter", "live"), ("starter", "live"),
        ("sugar water", "carrier"), ("mature compost", "soil"), ("untreated", "nothing"), ("biochar", "other"),
        ("compost tea", "live"), ("yeast water", "live"), ("dry control", "nothing"), ("seaweed water", "other"),
        ("livestock slurry", "other"), ("Plain tap water", "water"),
    ],
)  # fmt: skip
def test_roles_by_name(name, role):
    assert role_by_name(name) == role


def test_ingredients_call_their_cautions():
    plain = {caution.key for caution in call_cautions({"leaves"})}
    assert plain == {"burns", "dust", "hands", "gas in bins", "lifting", "plants", "law"}
    called = call_cautions({"food", "grass"}, sugar_g=880, gas_l=247.4, nitrogen_g=20, killed=True, pupils=True)
    keys = [caution.key for caution in called]
    assert keys[:3] == ["pressure", "brew", "pests"]
    assert {"boiling", "ammonia", "pathogens", "herbicides", "pupils"} <= set(keys)
    assert called[0].heading == "Never seal the bottle"
    assert "about 247 L of carbon dioxide from this brew" in called[0].text
    assert "fire" not in keys and "fire" in {c.key for c in call_cautions((), volume_l=3001)}
