"""Redraw rules: what they keep, by hand, for one layout and for many at once."""

import itertools

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.numerics.interspersion import default_rule, layout_is_interspersed, order_of_places

LINE = "both halves of the line, runs up to 3"
WHOLE = "no whole-plot level at one place in more than 3 blocks"


def test_none_keeps_everything():
    assert layout_is_interspersed([0, 0, 1, 1], "none")


def test_both_halves_by_hand():
    # of the six lines of two and two, AABB and BBAA have an arm in one half only
    lines = [line for line in itertools.product((0, 1), repeat=4) if sum(line) == 2]
    kept = layout_is_interspersed(lines, LINE)
    assert [line for line, keep in zip(lines, kept, strict=True) if not keep] == [(0, 0, 1, 1), (1, 1, 0, 0)]


def test_the_middle_place_counts_for_both_halves():
    assert layout_is_interspersed([0, 1, 0, 1, 1], "both halves of the line, runs up to 5")
    assert layout_is_interspersed([0, 0, 0, 1, 1, 1, 0][:5], LINE) == False  # noqa: E712 (a numpy boolean)


def test_runs_are_limited():
    assert not layout_is_interspersed([0, 1, 1, 1, 1, 0, 0, 1, 0, 0], LINE)
    assert layout_is_interspersed([0, 1, 1, 1, 0, 1, 0, 1, 0, 0], LINE)


def test_a_treatment_of_one_bin_may_stand_anywhere():
    assert layout_is_interspersed([2, 0, 1, 0, 1], LINE)


def test_places_of_blocks():
    rule = "no treatment at one place in more than 2 blocks"
    block = [0, 0, 1, 1, 2, 2]
    assert not layout_is_interspersed([0, 1, 0, 1, 0, 1], rule, block)
    assert layout_is_interspersed([0, 1, 1, 0, 0, 1], rule, block)
    # blocks are taken by name, wherever their bins stand in the table
    assert not layout_is_interspersed([0, 0, 0, 1, 1, 1], rule, ["x", "y", "z", "x", "y", "z"])
    with pytest.raises(DesignError, match="needs the block of every bin"):
        layout_is_interspersed([0, 1], rule)


def test_many_layouts_at_once_agree_with_one_by_one():
    random = np.random.default_rng(5)
    block = np.repeat(np.arange(4), 3)
    in_blocks = np.array([np.concatenate([random.permutation(3) for _ in range(4)]) for _ in range(400)])
    in_line = np.array([random.permutation(np.repeat(np.arange(2), 6)) for _ in range(400)])
    for layouts, rule in ((in_line, LINE), (in_blocks, default_rule("blocks", [1, 1, 1], 4)), (in_blocks, WHOLE)):
        kept = layout_is_interspersed(layouts, rule, block)
        assert kept.shape == (400,) and 0 < kept.sum() < 400
        assert kept.tolist() == [bool(layout_is_interspersed(one, rule, block)) for one in layouts]
    # three arms, four blocks: the chance that no arm keeps its place in all blocks, counted by inclusion and exclusion:
    # 9 cells of 3^-4, less 18 pairs that can hold together (6^-4 each) plus 6 triples (6^-4 each)
    kept = layout_is_interspersed(
        [[*itertools.chain(*four)] for four in itertools.product(itertools.permutations(range(3)), repeat=4)],
        "no treatment at one place in more than 3 blocks",
        block,
    )
    assert 1296 - kept.sum() == 9 * 16 - 18 + 6


def test_defaults_by_kind():
    assert default_rule("completely random", [4, 4]) == LINE
    assert default_rule("completely random", [4, 4, 4]) == LINE
    assert default_rule("completely random", [100, 100]) == "both halves of the line, runs up to 8"
    assert default_rule("completely random", [8, 4]) == "both halves of the line, runs up to 7"
    assert default_rule("blocks", [1, 1, 1], 4) == "no treatment at one place in more than 3 blocks"
    assert default_rule("blocks", [1, 1], 8) == "no treatment at one place in more than 6 blocks"
    assert default_rule("split plot", [1, 1], 3) == "no whole-plot level at one place in more than 2 blocks"
    assert default_rule("latin square", [4, 4, 4, 4]) == "none"
    # two of three places in each of two blocks: one place is shared whatever is drawn. By hand 3 · (2/3)² > 0.9
    assert default_rule("blocks", [2, 1], 2) == "none"
    assert default_rule("blocks", [2, 1], 3) == "no treatment at one place in more than 2 blocks"


def test_an_unknown_rule_is_named():
    with pytest.raises(DesignError, match='found the redraw rule "nicely mixed"; expected "none", "both halves'):
        layout_is_interspersed([0, 1], "nicely mixed")


def test_places_follow_the_numbers_in_the_ids():
    assert order_of_places(["B10", "B2", "B1", "A3"]) == [3, 2, 1, 0]
