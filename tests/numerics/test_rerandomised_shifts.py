"""The layout drawn again, inverted: published data by a second road, and how often the intervals hold."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.numerics.rerandomisation import compare_two, compare_two_studentised, layouts_within
from trialkit.numerics.rerandomisation_squares import chains, compare_two_in_square
from trialkit.numerics.rerandomised_shifts import shifts_in_square, shifts_of_two, shifts_of_two_studentised

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "rerandomisation.json").read_text(encoding="utf-8"))
SHOES = REFERENCE["cases"]["shoes"]
# Darwin 1876, heights of cross- less self-fertilised maize in eighths of an inch, as printed by Fisher 1935, The
# Design of Experiments, section 21: 1,726 of 32,768 arrangements differ as much (from memory).
MAIZE = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], dtype=float)


def of_pairs(differences, level):
    """Sign changes of differences, as pairs of a value and nothing."""
    n = len(differences)
    pair, labels = np.tile(np.arange(n), 2), np.repeat([0, 1], n)
    y = np.concatenate([np.zeros(n), differences])
    layouts = layouts_within(labels, pair)
    return compare_two(layouts, y, labels == 1, pair), shifts_of_two(layouts, y, labels == 1, pair, level=level)


def subset_means(differences):
    """Of all subsets but the empty one, sorted."""
    chosen = (np.arange(1, 2 ** len(differences))[:, None] >> np.arange(len(differences))) & 1
    return np.sort(chosen @ differences / chosen.sum(axis=1))


@pytest.mark.parametrize("level", [0.90, 0.95, 0.99])
def test_pairs_end_at_means_of_subsets(level):
    """Hartigan 1969: between the k-th lowest and the k-th highest of the 2ⁿ − 1 means of subsets lies the truth with
    confidence 1 − 2k/2ⁿ. Data: shoes of Box, Hunter & Hunter."""
    d = np.array(SHOES["b"]) - np.array(SHOES["a"])
    means = subset_means(d)
    k = int((1 - level) * 1024 / 2)
    _, found = of_pairs(d, level)
    assert (found.low, found.high) == pytest.approx((means[k - 1], means[-k]), abs=1e-12)
    assert found.level_attained == pytest.approx(1 - 2 * k / 1024, abs=1e-15) and found.level_attained >= level


def test_maize_of_darwin():
    test, found = of_pairs(MAIZE, 0.95)
    assert test.p == 1726 / 32768
    means = subset_means(MAIZE)
    assert (found.low, found.high) == pytest.approx((means[818], means[-819]), abs=1e-12)  # 0.05 · 32,768 / 2 = 819.2
    assert found.low < 0.0 < found.high
    assert of_pairs(MAIZE, 1 - 1727 / 32768)[1].low > 0.0  # p lies just below that level's 1 − level


def p_at(test, layouts, y, labels, stratum, shift):
    moved = y - shift * labels
    return test(layouts, moved, labels == 1, stratum).p if stratum is not None else test(layouts, moved, labels == 1).p


def ends_by_bisection(p_of, middle, far, alpha):
    """Where p of the test itself falls to alpha on both sides, one shift at a time."""
    ends = []
    for outer in (middle - far, middle + far):
        inner, out = middle, outer
        for _ in range(60):
            half = 0.5 * (inner + out)
            inner, out = (half, out) if p_of(half) > alpha + 1e-12 else (inner, half)
        ends.append(inner)
    return ends


def case(name):
    random = np.random.default_rng(11)
    if name == "blocks, two control bins each":
        labels, stratum = np.tile([0, 0, 1], 5), np.repeat(np.arange(5), 3)
    elif name == "blocks, one bin more in one":
        labels, stratum = np.append(np.tile([0, 1], 6), [1]), np.append(np.repeat(np.arange(6), 2), [0])
    elif name == "completely random, equal":
        labels, stratum = np.repeat([0, 1], 5), None
    else:
        labels, stratum = np.repeat([0, 1], [7, 4]), None
    y = random.gumbel(size=labels.size) * np.where(labels == 1, 2.0, 1.0) + 1.5 * labels
    return y, labels, stratum


CASES = ("blocks, two control bins each", "blocks, one bin more in one", "completely random, equal", "unequal")


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("level", [0.80, 0.95])
def test_ends_are_where_the_test_itself_turns(name, level):
    y, labels, stratum = case(name)
    place = np.zeros(labels.size, dtype=int) if stratum is None else stratum
    layouts = layouts_within(labels, place)
    if stratum is None:
        found = shifts_of_two_studentised(layouts, y, labels == 1, level=level)
        test = compare_two_studentised
    else:
        found, test = shifts_of_two(layouts, y, labels == 1, place, level=level), compare_two
    middle = 0.5 * (found.low + found.high)
    low, high = ends_by_bisection(lambda d: p_at(test, layouts, y, labels, stratum, d), middle, 50.0, 1 - level)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_no_shift_farther_out_is_kept(name):
    """On a fine net up to five widths away; of unequal numbers the search could have stepped over one."""
    y, labels, stratum = case(name)
    place = np.zeros(labels.size, dtype=int) if stratum is None else stratum
    layouts = layouts_within(labels, place)
    if stratum is None:
        found, test = shifts_of_two_studentised(layouts, y, labels == 1, level=0.9), compare_two_studentised
    else:
        found, test = shifts_of_two(layouts, y, labels == 1, place, level=0.9), compare_two
    width = found.high - found.low
    for away in np.linspace(0.001, 5.0, 120) * width:
        for shift in (found.low - away, found.high + away):
            assert p_at(test, layouts, y, labels, stratum, shift) <= 0.1 + 1e-12


@pytest.mark.parametrize(("bins", "level", "attained"), [(5, 0.95, None), (6, 0.95, 62 / 64), (5, 0.90, 30 / 32)])
def test_only_where_the_floor_allows_it(bins, level, attained):
    _, found = of_pairs(np.random.default_rng(1).normal(size=bins), level)
    assert (found is None) if attained is None else found.level_attained == attained


def test_three_against_three_reach_ninety_per_cent():
    labels, y = np.repeat([0, 1], 3), np.array([1.0, 2.0, 4.0, 3.0, 7.0, 9.0])
    layouts = layouts_within(labels, np.zeros(6, dtype=int))
    assert shifts_of_two_studentised(layouts, y, labels == 1, level=0.95) is None
    found = shifts_of_two_studentised(layouts, y, labels == 1, level=0.90)
    assert found.level_attained == 0.9
    ways = [np.isin(np.arange(6), chosen) for chosen in itertools.combinations(range(6), 3)]
    shifts = np.linspace(-12, 20, 64_001)
    counted = np.zeros(shifts.size)
    for way in ways:
        a, b = y[way].mean() - y[~way].mean(), labels[way].mean() - labels[~way].mean()
        counted += np.abs(a - shifts * b) >= np.abs(y[3:].mean() - y[:3].mean() - shifts) - 1e-9
    kept = shifts[counted / 20 > 0.1 + 1e-12]
    assert (found.low, found.high) == pytest.approx((kept[0], kept[-1]), abs=1e-3)  # twice the step of the net


def test_drawn_layouts_come_close_to_all_of_them():
    random = np.random.default_rng(6)
    labels, stratum = np.repeat([0, 1], 8), np.zeros(16, dtype=int)
    y = random.normal(size=16) + 0.8 * labels
    every = shifts_of_two_studentised(layouts_within(labels, stratum), y, labels == 1, level=0.95)
    some = layouts_within(labels, stratum, most=100, draws=9_999)
    drawn = shifts_of_two_studentised(some, y, labels == 1, level=0.95)
    assert drawn.level_attained == pytest.approx(0.95, abs=1e-12)
    assert (drawn.low, drawn.high) == pytest.approx((every.low, every.high), abs=0.05 * (every.high - every.low))


def test_chains_of_a_square():
    """Eight chains of two bins of each treatment, as blocks of four would be: turning a chain changes its sign."""
    size = 16
    square = np.array([[(i ^ j) for j in range(size)] for i in range(size)])
    row, column = np.indices(square.shape)
    labels = square.ravel()
    first, second = labels == 1, labels == 0
    closed = chains(first, second, row.ravel(), column.ravel())
    y = np.random.default_rng(3).normal(size=labels.size) + 0.7 * first
    found = shifts_in_square(y, first, closed, level=0.95)
    d = np.array([y[chain][first[chain]].mean() - y[chain][second[chain]].mean() for chain in closed])
    means = subset_means(d)
    k = int(0.05 * 2**8 / 2)
    assert len(closed) == 8
    assert (found.low, found.high) == pytest.approx((means[k - 1], means[-k]), abs=1e-12)
    assert found.level_attained == 1 - 2 * k / 2**8
    assert (compare_two_in_square(y, first, closed).p <= 0.05) == (not found.low <= 0.0 <= found.high)
    assert shifts_in_square(y, first, closed[:5], level=0.95) is None


def test_nothing_to_draw_again():
    labels = np.array([0, 1])
    assert shifts_of_two(None, [1.0, 2.0], labels == 1, [0, 0], level=0.95) is None
    assert shifts_in_square([1.0, 2.0], labels == 1, [], level=0.95) is None


DESIGNS = {
    "pairs": (np.tile([0, 1], 7), np.repeat(np.arange(7), 2), 0.95),
    "five against five": (np.repeat([0, 1], 5), None, 0.95),
    "six against four": (np.repeat([0, 1], [6, 4]), None, 0.90),
}


@pytest.mark.parametrize("name", DESIGNS)
def test_intervals_hold_as_often_as_they_say(name):
    """Log-normal bins, a fixed set of them laid out anew in every trial: only the draw is random, and the shares of
    trials in which the interval holds is the level attained, up to the simulation."""
    labels, stratum, level = DESIGNS[name]
    place = np.zeros(labels.size, dtype=int) if stratum is None else stratum
    layouts = layouts_within(labels, place)
    random = np.random.default_rng([20261130, len(name)])
    bins, truth, trials, hold = random.lognormal(sigma=1.0, size=labels.size), 0.6, 300, 0
    attained = set()
    for _ in range(trials):
        order = random.permuted(np.arange(labels.size)) if stratum is None else None
        if order is None:
            order = np.concatenate([random.permuted(np.flatnonzero(place == j)) for j in np.unique(place)])
        y = bins[order] + truth * labels
        if stratum is None:
            found = shifts_of_two_studentised(layouts, y, labels == 1, level=level)
        else:
            found = shifts_of_two(layouts, y, labels == 1, place, level=level)
        hold += found.low - 1e-9 <= truth <= found.high + 1e-9
        attained.add(found.level_attained)
    (told,) = attained
    assert told >= level - 1e-12
    assert hold / trials >= told - 3 * np.sqrt(told * (1 - told) / trials)
    assert hold / trials <= told + 0.01 + 3 * np.sqrt(told * (1 - told) / trials)
