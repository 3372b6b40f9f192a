"""Floors promised while planning are the floors the analysis will find."""

from dataclasses import replace

import numpy as np
import pytest

from trialkit.numerics.loss_patterns import BinCodes, planned_bins
from trialkit.planning.precision import precision
from trialkit.planning.rerandomisation_floor import floor_under_rule, omnibus_floor, pair_floor


def square(labels):
    row, column = np.indices((len(labels), len(labels)))
    return BinCodes(np.array(labels).ravel(), row=row.ravel(), column=column.ravel())


def test_a_latin_square_counts_closed_chains():
    """In the square of four whose halves repeat, two treatments change places along two chains: 2/2²."""
    halves = square([[0, 1, 2, 3], [1, 0, 3, 2], [2, 3, 0, 1], [3, 2, 1, 0]])
    assert pair_floor(halves) == 0.5
    assert pair_floor(halves.without((0,))) == 1.0  # one chain is broken, the other stands alone
    assert pair_floor(planned_bins("latin square", 4, 4)) == 1.0  # in order: a single chain
    in_order = planned_bins("latin square", 4, 4)
    apart = replace(in_order, treatment=np.array([0, 2, 1, 3])[in_order.treatment])  # 0 beside the former 2
    assert pair_floor(apart) == 0.5


def test_all_treatments_of_a_square():
    """Three by three: 12 squares from shuffles, 6 of them the same but for names."""
    assert omnibus_floor(planned_bins("latin square", 3, 3)) == 0.5
    assert omnibus_floor(planned_bins("latin square", 3, 3).without((4,))) == 1.0


@pytest.mark.parametrize(
    ("kind", "bins", "floor"),
    [("blocks", 3, 2 / 6), ("blocks", 4, 2 / 14), ("blocks", 5, 2 / 30), ("completely random", 3, 2 / 18)],
)
def test_a_redraw_rule_leaves_fewer_layouts(kind, bins, floor):
    """Blocks: all but the two layouts in which a treatment keeps its place. 3 v 3: all but AAABBB and BBBAAA."""
    rule, found = floor_under_rule(planned_bins(kind, 2, bins))
    assert found == pytest.approx(floor)
    assert f'("{rule}")' in precision(2, kind, bins).notes[-1]


def test_where_a_redraw_rule_says_nothing():
    assert floor_under_rule(planned_bins("blocks", 3, 4)) is None  # hangs on where the third treatment stands
    assert floor_under_rule(planned_bins("latin square", 4, 4)) is None
    assert precision(2, "completely random", 6).notes == ()  # 0.0022: low enough either way


def test_the_note_on_the_redraw_rule():
    assert precision(2, "blocks", 4).notes == (
        'A layout drawn under the usual redraw rule ("no treatment at one place in more than 3 blocks") leaves fewer '
        "layouts to compare with: no p below 0.143 instead of 0.125.",
    )
