"""Unfair arms are told with sizes; fair ones are let pass."""

import pytest

from trialkit.planning.factorials import factorial_treatments
from trialkit.planning.fairness import compare_arms, warn_unfair, word_place
from trialkit.planning.feedstocks import find_feedstock
from trialkit.planning.recipe import Portion, make_recipe
from trialkit.planning.starters import Starter, propose_arms, with_amounts
from trialkit.records import Treatment

HEAP = make_recipe([Portion(find_feedstock("leaves"), 20.0)], 12)
DRY = Treatment("leaves only", "nothing")
LITRE = Treatment("starter", "live", {}, {"water_l": 1.0})


def test_a_dry_control_is_told_with_both_sizes():
    sentences = warn_unfair((DRY, LITRE), "leaves only", HEAP)
    assert sentences[0] == (
        "starter beside leaves only: 1 L more water a bin; moisture 56.6 against 55.0 %, which alone "
        "could multiply the "
        "rate by 1.02, and by 1.31 where the heap is no wetter than its materials (41.0 against 38.0 %). "
        "Give every arm "
        "the same litres."
    )
    assert sentences[1].startswith("No killed starter among the arms")
    assert sentences[2].startswith("The control leaves only gets no water: it mixes")


def test_the_size_is_that_of_the_published_coefficients():
    # Haug 1993 (coefficients from memory): 38 to 40.95 % alone × 1.3118
    (water,) = compare_arms(LITRE, DRY, HEAP, wetted=False)
    assert water.rate_ratio == pytest.approx(1.3118, abs=3e-4)


def test_three_fair_arms_leave_only_the_share_of_the_carrier():
    arms = propose_arms(Starter(0.95, 100, 5))
    assert warn_unfair(arms, "water only", HEAP) == (
        "killed starter beside water only: 100 g more sugar a bin (+0.7 % of the heap's carbon) and 2.33 "
        "g more nitrogen "
        "a bin (+2.1 % of the heap's nitrogen); C:N 53.3 against 54.0. That is the carrier's share of any difference, "
        "without live organisms.",
        "live starter beside water only: 100 g more sugar a bin (+0.7 % of the heap's carbon) and 2.33 g more nitrogen "
        "a bin (+2.1 % of the heap's nitrogen); C:N 53.3 against 54.0. The killed arm tells this from "
        "what the organisms "
        "do.",
    )


def test_identical_arms_say_nothing():
    arms = (Treatment("a", "water", {}, {"water_l": 1.0}), Treatment("b", "other", {}, {"water_l": 1.0}))
    assert warn_unfair(arms, "a", HEAP) == ()


def test_soil_turning_mass_and_a_missing_recipe():
    arms = (
        Treatment("water only", "water", {}, {"turns_per_week": 1, "start_wet_mass_kg": 40}),
        Treatment("soil", "soil", {}, {"turns_per_week": 2, "start_wet_mass_kg": 42, "soil_kg": 1}),
    )
    told = warn_unfair(arms, "water only", HEAP)
    assert told[0].startswith("soil beside water only: 1 kg more soil a bin (+3.6 % of the mass). Soil brings ash")
    assert told[1] == "soil beside water only: turned 1 times a week more. Turn every bin on the same days."
    assert told[2] == "soil beside water only: 2 kg more at the start (+5 %). Weigh the bins to within 2 %."
    assert warn_unfair(arms, "water only")[-1].startswith("Without a recipe (--feed)")


def test_the_word_on_warm_places():
    # Q10 = 2: 3 °C are × 1.231, its root 1.110
    assert "1.11 to 1.23 times as fast" in word_place()


def test_factors_are_no_unfairness():
    arms = [
        with_amounts(item, Starter(1.0, 100, 5)) for item in factorial_treatments(("carrier", "culture", "nitrogen"))
    ]
    told = warn_unfair(arms, "water only", HEAP)
    assert [text.split(":")[0] for text in told] == ["nitrogen beside water only", "carrier beside water only"]
    assert all(text.endswith("By design: the factorial tells its factors apart.") for text in told)
    arms = [with_amounts(item, Starter(1.0, 100, 5)) for item in factorial_treatments(("carrier", "culture"))]
    told = warn_unfair(arms, "water only", HEAP)
    assert told[0].startswith("carrier beside water only: 100 g more sugar a bin") and "By design" in told[0]
