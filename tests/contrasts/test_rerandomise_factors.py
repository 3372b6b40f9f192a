"""What a factor does, by drawing the layout again: every count is repeated here by brute force."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.contrasts import compare, compare_factors, rerandomise, rerandomise_factors
from trialkit.models import fit_bins
from trialkit.records import BinValue, BinValues, Layout, Outcome, Plan, Refusal, Treatment

PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")
ARMS = tuple(itertools.product(("no", "yes"), ("dead", "live")))


def laid_out(rows, kind="blocks", *, whole="", rule="none", drawn="by seed", level=0.95, scale="identity"):
    """rows of (levels of carrier and culture, value, block, …)."""
    arms = tuple(dict.fromkeys(row[0] for row in rows))
    treatments = tuple(
        Treatment(", ".join(arm), factors=dict(zip(("carrier", "culture", "third"), arm, strict=False))) for arm in arms
    )
    parts = ("block", "row", "column", "whole_plot", "site")
    values = tuple(
        BinValue(f"B{k}", ", ".join(arm), value, **dict(zip(parts, where, strict=False)))
        for k, (arm, value, *where) in enumerate(rows, start=1)
    )
    layout = Layout(kind, variances="common", drawn=drawn, redraw_rule=rule, whole_plot_factor=whole)
    outcome = Outcome("ph", "pH", "", scale, 0, "pH", "where read", "It cannot tell why.")
    return BinValues(outcome, "primary", Plan("no, dead", treatments=treatments, layout=layout, level=level), values)


def drawn_again(values):
    fit = fit_bins(values)
    return {one.treatment: one for one in rerandomise_factors(fit, compare_factors(fit))}


def in_blocks(blocks=4, arms=ARMS, seed=1, lost=(), effect=0.0):
    random = np.random.default_rng(seed)
    cells = list(itertools.product(range(blocks), arms))
    return [
        (arm, None if k in lost else float(random.normal() + 2 * b + effect * (arm[0] == "yes")), str(b))
        for k, (b, arm) in enumerate(cells)
    ]


def signs(d):
    """(share of sign changes with a sum as large, means of subsets sorted)."""
    turns = np.array(list(itertools.product((1, -1), repeat=len(d))))
    return float(np.mean(np.abs(turns @ d) >= abs(d.sum()) - 1e-9))


def test_a_factor_in_blocks_changes_signs_at_each_level_of_the_other():
    rows = in_blocks()
    found = drawn_again(laid_out(rows))
    y = {(arm, b): v for arm, v, b in rows}
    for label, pairs in (
        ("carrier: yes", [(("yes", c), ("no", c)) for c in ("dead", "live")]),
        ("culture: live", [((c, "live"), (c, "dead")) for c in ("no", "yes")]),
    ):
        d = np.array([y[up, str(b)] - y[down, str(b)] for b in range(4) for up, down in pairs])
        one = found[label]
        assert (one.rerandomisation_p, one.rerandomisation_floor) == (pytest.approx(signs(d)), 2 / 2**8)
        means = np.sort(
            [d[list(s)].mean() for n in range(1, 9) for s in itertools.combinations(range(8), n)]
        )  # Hartigan 1969
        assert (one.rerandomised.low, one.rerandomised.high) == pytest.approx((means[5], means[-6]), abs=1e-12)
        assert (one.rerandomised.level, one.rerandomised.level_attained) == (0.95, 1 - 12 / 256)


def test_an_interaction_has_no_such_test():
    found = drawn_again(laid_out(in_blocks()))
    together = found["effect of carrier at culture: live"]
    assert together.rerandomisation_p is None and together.rerandomised is None


def test_completely_random_exchanges_levels_among_bins_alike_in_the_other_factor():
    random = np.random.default_rng(2)
    rows = [(arm, float(random.normal() + (arm[1] == "live"))) for arm in ARMS for _ in range(3)]
    found = drawn_again(laid_out(rows, "completely random"))["culture: live"]
    y = np.array([v for _, v in rows])
    up, carrier = np.array([a[1] == "live" for a, _ in rows]), np.array([a[0] for a, _ in rows])

    def difference(labels):
        return abs(sum(y[labels & (carrier == c)].mean() - y[~labels & (carrier == c)].mean() for c in ("no", "yes")))

    ways = [
        [np.isin(np.arange(12), chosen) for chosen in itertools.combinations(np.flatnonzero(carrier == c), 3)]
        for c in ("no", "yes")
    ]
    counted = [difference(one | other) for one, other in itertools.product(*ways)]
    assert len(counted) == 400
    assert found.rerandomisation_p == pytest.approx(np.mean(np.array(counted) >= difference(up) - 1e-9))
    assert found.rerandomisation_floor == 2 / 400


def test_three_levels_are_compared_two_by_two():
    arms = tuple(itertools.product(("no", "some", "much"), ("dead", "live")))
    rows = in_blocks(arms=arms)
    found = drawn_again(laid_out(rows))
    y = {(arm, b): v for arm, v, b in rows}
    d = np.array([y[("much", c), str(b)] - y[("no", c), str(b)] for b in range(4) for c in ("dead", "live")])
    assert found["carrier: much"].rerandomisation_p == pytest.approx(signs(d))


def test_a_lost_bin_takes_its_partner_along():
    found = drawn_again(laid_out(in_blocks(lost=(3,))))
    assert found["carrier: yes"].rerandomisation_floor == 2 / 2**7
    assert found["culture: live"].rerandomisation_floor == 2 / 2**7


def test_ratios_where_logarithms_are_compared():
    rows = [(arm, float(np.exp(v)), b) for arm, v, b in in_blocks()]
    plain, logged = drawn_again(laid_out(in_blocks())), drawn_again(laid_out(rows, scale="log"))
    for name in ("carrier: yes", "culture: live"):
        ends = plain[name].rerandomised
        assert (logged[name].rerandomised.low, logged[name].rerandomised.high) == pytest.approx(
            (np.exp(ends.low), np.exp(ends.high))
        )


def in_plots(blocks=5, seed=4, lost=()):
    """Carrier set per whole plot, culture per bin."""
    random = np.random.default_rng(seed)
    rows = []
    for b in range(blocks):
        for carrier in ("no", "yes") if b % 2 else ("yes", "no"):
            plot = random.normal()
            for culture in ("dead", "live"):
                value = None if len(rows) in lost else float(random.normal() + plot + 0.5 * (culture == "live"))
                rows.append(((carrier, culture), value, str(b), None, None, f"{b}{carrier}"))
    return rows


def test_split_plots_move_whole_plots_for_one_factor_and_bins_inside_them_for_the_other():
    rows = in_plots()
    found = drawn_again(laid_out(rows, "split plot", whole="carrier"))
    y = {(arm, b): v for arm, v, b, *_ in rows}
    plots = np.array(
        [sum(y[("yes", c), str(b)] - y[("no", c), str(b)] for c in ("dead", "live")) / 2 for b in range(5)]
    )
    bins = np.array([y[(c, "live"), str(b)] - y[(c, "dead"), str(b)] for b in range(5) for c in ("no", "yes")])
    assert found["carrier: yes"].rerandomisation_p == pytest.approx(signs(plots))
    assert found["carrier: yes"].rerandomisation_floor == 2 / 2**5
    assert found["carrier: yes"].rerandomised is None  # 0.0625 lies above 0.05
    assert found["culture: live"].rerandomisation_p == pytest.approx(signs(bins))
    assert found["culture: live"].rerandomised.level_attained == pytest.approx(1 - 50 / 1024)


def test_a_lost_bin_leaves_its_whole_plot_the_bins_that_have_a_partner():
    rows = in_plots(6, lost=(0,))
    found = drawn_again(laid_out(rows, "split plot", whole="carrier"))["carrier: yes"]
    y = {(arm, b): v for arm, v, b, *_ in rows}
    pairs = [(b, c) for b in range(6) for c in ("dead", "live") if (b, c) != (0, "dead")]
    d = {key: y[("yes", key[1]), str(key[0])] - y[("no", key[1]), str(key[0])] for key in pairs}
    by_block = np.array([sum(v for (block, _), v in d.items() if block == b) for b in range(6)])
    assert found.rerandomisation_p == pytest.approx(signs(by_block))
    assert found.rerandomisation_floor == 2 / 2**6
    weights = np.array([1.0] + [2.0] * 5)
    turns = np.array(list(itertools.product((1, -1), repeat=6)))
    net = np.linspace(found.rerandomised.low - 1.0, found.rerandomised.high + 1.0, 4_001)
    moved = by_block - net[:, None] * weights
    share = np.mean(np.abs(moved @ turns.T) >= np.abs(moved.sum(axis=1))[:, None] - 1e-9, axis=1)
    kept = net[share > 0.05]
    assert (found.rerandomised.low, found.rerandomised.high) == pytest.approx((kept[0], kept[-1]), abs=2e-3)


def test_whole_plots_move_as_their_rule_allows():
    rule = "no whole-plot level at one place in more than 4 blocks"
    found = drawn_again(laid_out(in_plots(), "split plot", whole="carrier", rule=rule))
    assert found["carrier: yes"].rerandomisation_floor == pytest.approx(2 / 30)
    assert found["culture: live"].rerandomisation_floor == 2 / 2**10
    of_bins = laid_out(
        in_plots(), "split plot", whole="carrier", rule="no treatment at one place in more than 4 blocks"
    )
    assert drawn_again(of_bins)["carrier: yes"].rerandomisation_p is None


def test_bins_move_as_their_rule_allows():
    """Counted by hand: of 2^6 exchanges those that leave no treatment at one place in all three blocks."""
    orders = (ARMS, (*ARMS[2:], *ARMS[:2]), ARMS)
    random = np.random.default_rng(9)
    rows = [(arm, float(random.normal()), str(b)) for b, order in enumerate(orders) for arm in order]
    found = drawn_again(laid_out(rows, rule="no treatment at one place in more than 2 blocks"))["carrier: yes"]
    kept = 0
    for turn in itertools.product((False, True), repeat=6):
        placed = []
        for b, order in enumerate(orders):
            names = []
            for carrier, culture in order:
                swap = turn[2 * b + (culture == "live")]
                names.append((("yes" if carrier == "no" else "no") if swap else carrier, culture))
            placed.append(names)
        kept += all(len({placed[b][k] for b in range(3)}) > 1 for k in range(4))
    assert 0 < kept < 64
    assert found.rerandomisation_floor == pytest.approx(2 / kept)


def test_a_latin_square_turns_the_chains_of_all_its_pairs():
    square = ["ABCD", "BADC", "CDAB", "DCBA"]
    random = np.random.default_rng(2)
    arm = dict(zip("ABCD", ARMS, strict=True))
    rows = [(arm[square[i][j]], float(random.normal()), None, str(i), str(j)) for i in range(4) for j in range(4)]
    found = drawn_again(laid_out(rows, "latin square"))
    assert found["culture: live"].rerandomisation_floor == 0.125  # two chains of A and B, two of C and D
    y = np.array([v for _, v, *_ in rows]).reshape(4, 4)
    up = np.array([[arm[square[i][j]][1] == "live" for j in range(4)] for i in range(4)])
    parts = np.array(
        [
            np.sum(np.where(up, y, -y)[np.ix_(lines, columns)])
            for lines in ((0, 1), (2, 3))
            for columns in ((0, 1), (2, 3))
        ]
    )
    assert found["culture: live"].rerandomisation_p == pytest.approx(signs(parts))


def test_what_has_no_such_test_stays_as_it_is():
    assert drawn_again(laid_out(in_blocks(), drawn="by hand"))["carrier: yes"].rerandomisation_p is None
    refusal = Refusal("models", ("no",))
    assert rerandomise_factors(refusal, ()) == ()
    broken = laid_out(in_blocks(), rule="whatever looks fair")
    assert drawn_again(broken)["carrier: yes"].rerandomisation_p is None


def test_a_factor_that_does_nothing_is_found_no_more_often_than_said():
    """The other factor works, and blocks differ: P(p ≤ a) ≤ a in fixed bins laid out anew."""
    random = np.random.default_rng(20261130)
    bins, p, held = random.lognormal(size=(3, 4)) * 3, [], []
    for _ in range(300):
        rows = []
        for b in range(3):
            for k, arm in zip(random.permutation(4), ARMS, strict=True):
                rows.append((arm, float(bins[b, k] + 2.0 * (arm[1] == "live")), str(b)))
        one = drawn_again(laid_out(rows, level=0.9))
        p.append(one["carrier: yes"].rerandomisation_p)
        ends = one["culture: live"].rerandomised
        held.append(ends.low - 1e-9 <= 2.0 <= ends.high + 1e-9)
        told = ends.level_attained
    for a in (0.1, 0.25, 0.5):
        assert np.mean(np.array(p) <= a + 1e-12) <= a + 3 * np.sqrt(a * (1 - a) / len(p))
    assert told == 1 - 6 / 64
    assert np.mean(held) >= told - 3 * np.sqrt(told * (1 - told) / len(held))


# ---------------------------------------------------------------- the intervals of two treatments
@pytest.mark.parametrize("kind", ["blocks", "completely random"])
@pytest.mark.parametrize("later_first", [False, True])
def test_two_treatments_leave_out_what_the_test_rejects(kind, later_first):
    random = np.random.default_rng(5)
    rows = [(arm, float(random.normal() + 1.2 * (arm[0] == "yes")), str(b)) for b in range(7) for arm in ARMS[::3]]
    values = laid_out(rows[::-1] if later_first else rows, kind)
    fit = fit_bins(values)
    (one,), _ = rerandomise(fit, compare(fit))
    assert one.rerandomised.low <= one.estimate <= one.rerandomised.high
    assert one.rerandomised.adjustment == "none" and one.rerandomised.level_attained >= 0.95
    assert (one.rerandomisation_p <= 0.05) == (not one.rerandomised.low <= 0.0 <= one.rerandomised.high)
    if kind == "blocks":
        y = {(v.treatment, v.block): v.value for v in values.values}
        d = np.array([y[one.treatment, str(b)] - y[one.against, str(b)] for b in range(7)])
        means = np.sort([d[list(s)].mean() for n in range(1, 8) for s in itertools.combinations(range(7), n)])
        assert (one.rerandomised.low, one.rerandomised.high) == pytest.approx((means[2], means[-3]), abs=1e-12)
        assert one.rerandomised.level_attained == 1 - 6 / 128
