"""The layout drawn again: published counts, floors, and the size of the tests under the draw they describe."""

from __future__ import annotations

import itertools
import json
from math import comb
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.numerics.interspersion import layout_is_interspersed
from trialkit.numerics.rerandomisation import (
    NO_TEST,
    compare_all,
    compare_two,
    compare_two_studentised,
    layouts_within,
)

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "rerandomisation.json").read_text(encoding="utf-8"))
CASES, FLOORS = REFERENCE["cases"], REFERENCE["floors"]


def two(case):
    a, b = CASES[case]["a"], CASES[case]["b"]
    return np.array(a + b), np.array([0] * len(a) + [1] * len(b))


def test_tomato_plants():
    """Box, Hunter & Hunter: 305 of 462 arrangements differ as much."""
    y, labels = two("tomatoes")
    stratum = np.zeros(11, dtype=int)
    test = compare_two(layouts_within(labels, stratum), y, labels == 1, stratum)
    assert (test.layouts, test.exact) == (462, True)
    assert test.p == pytest.approx(305 / 462, abs=1e-15)
    assert test.floor == 1 / 462  # five plants against six: no arrangement has a mirror image


def test_tomato_plants_studentised():
    """Counted by scipy over the same 462 arrangements with Welch's statistic."""
    y, labels = two("tomatoes")
    found = compare_two_studentised(layouts_within(labels, np.zeros(11, dtype=int)), y, labels == 1)

    def welch(a, b, axis=-1):
        return np.abs(stats.ttest_ind(a, b, axis=axis, equal_var=False).statistic)

    expected = stats.permutation_test((y[:5], y[5:]), welch, n_resamples=np.inf, alternative="greater", vectorized=True)
    assert found.p == pytest.approx(expected.pvalue, abs=1e-12)


def test_shoes_count_ties():
    """Box, Hunter & Hunter: 14 of 1,024 sign changes give as much, eight of them exactly as much."""
    y, labels = two("shoes")
    boy = np.tile(np.arange(10), 2)
    test = compare_two(layouts_within(labels, boy), y, labels == 1, boy)
    assert (test.p, test.layouts, test.floor) == (14 / 1024, 1024, 2 / 1024)


def test_four_against_four():
    """Invented: t gives p = 0.024, the layouts 4 of 70; both are to be shown."""
    y, labels = two("rates")
    test = compare_two_studentised(layouts_within(labels, np.zeros(8, dtype=int)), np.log(y), labels == 1)
    assert test.p == pytest.approx(4 / 70, abs=1e-15)


@pytest.mark.parametrize(("bins", "floor"), FLOORS["completely random"].items())
def test_floors_completely_random(bins, floor):
    labels = np.repeat([0, 1], int(bins))
    assert layouts_within(labels, np.zeros(labels.size, dtype=int)).floor == pytest.approx(floor, rel=1e-12)


@pytest.mark.parametrize(("blocks", "floor"), FLOORS["pairs in blocks"].items())
def test_floors_of_pairs(blocks, floor):
    stratum = np.tile(np.arange(int(blocks)), 2)
    labels = np.repeat([0, 1], int(blocks))
    layouts = layouts_within(labels, stratum)
    assert layouts.floor == floor
    largest = compare_two(layouts, labels * 10.0 + stratum, labels == 1, stratum)
    assert largest.p == floor  # the clearest difference there can be reaches it


@pytest.mark.parametrize(("blocks", "floor"), FLOORS["all of three in blocks"].items())
def test_floors_of_three_treatments_together(blocks, floor):
    stratum = np.tile(np.arange(int(blocks)), 3)
    labels = np.repeat([0, 1, 2], int(blocks))
    layouts = layouts_within(labels, stratum)
    assert layouts.floor == pytest.approx(floor, rel=1e-12)
    assert compare_all(layouts, labels * 10.0 + stratum, labels, stratum).p == pytest.approx(floor, rel=1e-12)


def test_a_block_left_with_one_treatment_takes_no_mirror_image_away():
    """Four whole pairs have 16 layouts, two of them as far apart as can be; the two bins left alone change nothing."""
    stratum = np.array([0, 1, 2, 3, 0, 1, 2, 3, 4, 5])
    labels = np.array([0, 0, 0, 0, 1, 1, 1, 1, 0, 1])
    layouts = layouts_within(labels, stratum)
    assert (layouts.layouts, layouts.floor) == (16, 2 / 16)
    y = labels * 10.0 + stratum
    assert compare_all(layouts, y, labels, stratum).p == compare_two(layouts, y, labels == 1, stratum).p == 2 / 16


def test_unequal_numbers_in_a_block_have_no_mirror_image():
    labels, stratum = np.array([0, 0, 1, 0, 0, 1]), np.array([0, 0, 0, 1, 1, 1])
    layouts = layouts_within(labels, stratum)
    assert (layouts.layouts, layouts.floor) == (9, 1 / 9)


def test_unbalanced_blocks_equal_the_adjusted_difference_by_least_squares():
    """The statistic ranks layouts as the least-squares difference with blocks fixed does."""
    random = np.random.default_rng(4)
    labels, stratum = np.array([0, 0, 1, 0, 1, 1, 0, 1]), np.array([0, 0, 0, 1, 1, 1, 2, 2])
    y = random.normal(size=8)
    test = compare_two(layouts_within(labels, stratum), y, labels == 1, stratum)

    def adjusted(arm):
        x = np.column_stack([arm, np.eye(3)[stratum]])
        return abs(np.linalg.lstsq(x, y, rcond=None)[0][0])

    ways = [itertools.combinations(np.flatnonzero(stratum == j), int(labels[stratum == j].sum())) for j in range(3)]
    found = [adjusted(np.isin(np.arange(8), np.concatenate(chosen))) for chosen in itertools.product(*ways)]
    assert len(found) == 18 == test.layouts
    assert test.p == pytest.approx(np.mean(np.array(found) >= adjusted(labels) - 1e-9), abs=1e-15)


def test_all_together_equals_the_f_test_by_least_squares():
    """Incomplete blocks: ranks as the F of treatments adjusted for blocks does."""
    random = np.random.default_rng(5)
    labels, stratum = np.array([0, 1, 2, 0, 1, 1, 2]), np.array([0, 0, 0, 1, 1, 2, 2])
    y = random.normal(size=7)
    test = compare_all(layouts_within(labels, stratum), y, labels, stratum)

    def explained(codes):
        z = np.eye(3)[stratum]
        both = np.hstack([z, np.eye(3)[codes]])
        return np.sum((both @ np.linalg.lstsq(both, y, rcond=None)[0]) ** 2)

    found = []
    orders = [itertools.permutations(labels[stratum == j]) for j in range(3)]
    for chosen in itertools.product(*orders):
        found.append(explained(np.concatenate(chosen)))
    assert test.layouts == len(found) == 24
    assert test.p == pytest.approx(np.mean(np.array(found) >= explained(labels) - 1e-9), abs=1e-15)


def test_drawn_layouts_come_close_to_all_of_them():
    random = np.random.default_rng(6)
    labels, stratum = np.repeat([0, 1], 9), np.zeros(18, dtype=int)
    y = random.normal(size=18) + 0.8 * labels
    every = compare_two_studentised(layouts_within(labels, stratum), y, labels == 1)
    some = layouts_within(labels, stratum, most=100, draws=20_000)
    drawn = compare_two_studentised(some, y, labels == 1)
    assert every.layouts == comb(18, 9) and every.exact and not drawn.exact
    assert drawn.p == pytest.approx(every.p, abs=4 * np.sqrt(every.p / 20_000))
    hits = round(drawn.p * 20_001) - 1
    assert drawn.p == (1 + hits) / 20_001
    again = compare_two_studentised(layouts_within(labels, stratum, most=100, draws=20_000), y, labels == 1)
    assert again == drawn  # the seed is fixed


def test_a_drawn_p_is_never_zero():
    labels, stratum = np.repeat([0, 1], 12), np.tile(np.arange(12), 2)
    layouts = layouts_within(labels, stratum, most=100, draws=999)
    test = compare_two(layouts, labels * 100.0 + stratum, labels == 1, stratum)
    assert test.p >= 1 / 1000 and test.floor == 1 / 1000


@pytest.mark.parametrize("most", [200_000, 10])
def test_only_layouts_that_the_rule_keeps(most):
    labels, stratum = np.array([0, 1, 1, 0, 0, 1, 1, 0]), np.zeros(8, dtype=int)
    rule = "both halves of the line, runs up to 2"

    def kept(layouts):
        return layout_is_interspersed(layouts, rule)

    layouts = layouts_within(labels, stratum, kept=kept, most=most, draws=500)
    every = np.array([np.isin(np.arange(8), chosen).astype(int) for chosen in itertools.combinations(range(8), 4)])
    allowed = {tuple(np.flatnonzero(row)) for row in every[layout_is_interspersed(every, rule)]}
    seen = {tuple(sorted(column)) for column in layouts.order[4:].T.tolist()}
    assert seen == allowed
    if most > 100:
        assert layouts.layouts == len(allowed) and layouts.floor == 2 / len(allowed)


def test_a_rule_that_keeps_next_to_nothing_gives_no_test():
    labels, stratum = np.repeat([0, 1], 4), np.zeros(8, dtype=int)

    def nothing(layouts):
        return np.zeros(len(layouts), dtype=bool)

    assert layouts_within(labels, stratum, kept=nothing) is None
    assert layouts_within(labels, stratum, kept=nothing, most=10, draws=50) is None
    assert compare_two(None, np.zeros(8), labels == 1, stratum) is NO_TEST


def test_one_layout_only():
    assert layouts_within([0, 1, 2], [0, 1, 2]) is None
    pair = layouts_within([0, 1], [0, 0])
    assert compare_two(pair, [1.0, 2.0], [False, True], np.zeros(2)).p is None  # itself and its mirror image


@pytest.mark.parametrize(
    ("labels", "stratum"), [([], []), ([0, 2], [0, 0]), ([0, 1], [0]), ([-1, 0], [0, 0]), ([0] * 300, [0] * 300)]
)
def test_codes_that_do_not_fit(labels, stratum):
    with pytest.raises(ValueError, match="labels:"):
        layouts_within(labels, stratum)


def test_no_effect_is_called_one_no_more_often_than_said():
    """Every p of the draw: P(p ≤ a) ≤ a for each a, whatever the shape of the errors (here log-normal)."""
    random = np.random.default_rng(7)
    labels, stratum = np.tile([0, 1, 2], 4), np.repeat(np.arange(4), 3)
    layouts = layouts_within(labels, stratum)
    p = np.array([compare_all(layouts, random.lognormal(size=12), labels, stratum).p for _ in range(2_000)])
    for a in (0.01, 0.05, 0.2, 0.5):
        assert np.mean(p <= a + 1e-12) <= a + 3 * np.sqrt(a * (1 - a) / p.size)
    assert np.mean(p <= 0.05) > 0.03
