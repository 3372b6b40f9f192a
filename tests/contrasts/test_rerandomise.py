"""The layout drawn again, from bin values: which labels move, which stay."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from trialkit.contrasts import compare, rerandomise
from trialkit.models import fit_bins
from trialkit.numerics.interspersion import layout_is_interspersed
from trialkit.records import BinValue, BinValues, Layout, Outcome, Plan, Refusal, Treatment

PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")


def laid_out(rows, kind="blocks", *, drawn="by seed", variances="common", rule="none", factors=None, whole="", **plan):
    """rows of (treatment, value, block, …)."""
    names = tuple(dict.fromkeys(row[0] for row in rows))
    treatments = tuple(Treatment(name, factors=(factors or {}).get(name, {})) for name in names)
    parts = ("block", "row", "column", "whole_plot", "site")
    values = tuple(
        BinValue(f"B{k}", name, value, **dict(zip(parts, where, strict=False)))
        for k, (name, value, *where) in enumerate(rows, start=1)
    )
    layout = Layout(kind, variances=variances, drawn=drawn, redraw_rule=rule, whole_plot_factor=whole)
    return BinValues(
        PH, "primary", Plan(plan.pop("control", "A"), treatments=treatments, layout=layout, **plan), values
    )


def drawn_again(values):
    fit = fit_bins(values)
    return rerandomise(fit, compare(fit))


def blocks(arms="ABC", count=4, seed=1, effect=None, lost=()):
    random = np.random.default_rng(seed)
    cells = list(itertools.product(range(count), arms))
    return [
        (a, None if k in lost else float(random.normal() + 3 * b + (effect or {}).get(a, 0.0)), str(b))
        for k, (b, a) in enumerate(cells)
    ]


def test_pairs_in_blocks_are_sign_changes():
    rows = blocks()
    found, together = drawn_again(laid_out(rows))
    d = np.array([[v for a, v, b in rows if a == "B"][j] - [v for a, v, b in rows if a == "A"][j] for j in range(4)])
    signs = np.array(list(itertools.product((1, -1), repeat=4)))
    expected = np.mean(np.abs(signs @ d) >= abs(d.sum()) - 1e-9)
    assert (found[0].rerandomisation_p, found[0].rerandomisation_floor) == (expected, 0.125)
    assert (together.layouts, together.exact, together.floor) == (1296, True, pytest.approx(6 / 1296))


def test_a_third_treatment_that_works_hides_nothing():
    """Labels of the two alone move: whatever C does, B beside A is the same."""
    plain, _ = drawn_again(laid_out(blocks()))
    works, _ = drawn_again(laid_out(blocks(effect={"C": 40.0})))
    assert plain[0].rerandomisation_p == works[0].rerandomisation_p
    assert works[1].rerandomisation_p == works[1].rerandomisation_floor


def test_lost_bins_keep_their_labels_and_floors_count_complete_pairs():
    found, _ = drawn_again(laid_out(blocks("AB", 6, lost=(3,))))
    assert found[0].rerandomisation_floor == 0.0625  # five pairs


def test_completely_random_is_studentised():
    """Invented rates: 4 of 70 layouts."""
    y = np.log([0.030, 0.034, 0.027, 0.031, 0.036, 0.041, 0.033, 0.040])
    rows = [("A" if k < 4 else "B", float(v)) for k, v in enumerate(y)]
    found, together = drawn_again(laid_out(rows, "completely random"))
    assert found[0].rerandomisation_p == pytest.approx(4 / 70)
    assert found[0].rerandomisation_floor == pytest.approx(2 / 70)
    assert found[0].p == pytest.approx(0.024417, abs=5.1e-7)  # the t-test says otherwise, and both are kept
    assert together.p == pytest.approx(4 / 70)


def test_logarithms_where_ratios_are_compared():
    rows = [(name, float(v)) for name, v in zip("AAAABBBB", (1, 2, 4, 30, 3, 9, 20, 50), strict=True)]
    values = laid_out(rows, "completely random")
    on_log = replace(values, outcome=replace(PH, scale="log"))
    logged = laid_out([(name, float(np.log(v))) for name, v in rows], "completely random")
    assert drawn_again(on_log)[0][0].rerandomisation_p == drawn_again(logged)[0][0].rerandomisation_p


def test_by_hand_has_no_such_test():
    found, together = drawn_again(laid_out(blocks(), drawn="by hand"))
    assert together is None
    assert found[0].rerandomisation_p is None and found[0].rerandomisation_floor is None


def test_a_draw_that_nobody_stated_is_taken_as_random_and_said():
    _, together = drawn_again(laid_out(blocks(), drawn=""))
    assert together.note == "How the layout was drawn is not stated; the test takes it as drawn at random."
    assert drawn_again(laid_out(blocks()))[1].note == ""


def test_a_refused_fit_and_refused_pairs_stay():
    refusal = Refusal("models", ("no",))
    assert rerandomise(refusal, (refusal,)) == ((refusal,), None)
    rows = [(a, None if a == "C" else v, b) for a, v, b in blocks()]
    found, _ = drawn_again(laid_out(rows))
    assert isinstance(found[1], Refusal) and found[0].rerandomisation_p is not None


# ---------------------------------------------------------------- the redraw rule
def test_only_layouts_that_the_redraw_rule_keeps():
    """Three blocks of two; a treatment may not stand first in all of them: 6 of 8 layouts are left, floor 2/6."""
    rows = [("A", 1.0, "1"), ("B", 2.5, "1"), ("B", 4.0, "2"), ("A", 2.0, "2"), ("A", 5.0, "3"), ("B", 9.0, "3")]
    rule = "no treatment at one place in more than 2 blocks"
    found, together = drawn_again(laid_out(rows, rule=rule))
    assert found[0].rerandomisation_floor == pytest.approx(2 / 6)
    assert found[0].rerandomisation_p == pytest.approx(2 / 6)
    assert (together.layouts, together.floor) == (6, pytest.approx(2 / 6))


def test_bins_are_placed_in_the_order_of_their_numbers():
    """The rule speaks of a line B1 … B10; the file may list the bins in any order."""
    random = np.random.default_rng(3)
    labels = list("AABBABABBA")
    rule = "both halves of the line, runs up to 3"
    rows = [(name, float(random.normal())) for name in labels]
    values = laid_out(rows, "completely random", rule=rule)
    shuffled = replace(values, values=tuple(values.values[k] for k in (9, 3, 0, 7, 1, 4, 8, 2, 6, 5)))
    every = np.array([np.isin(np.arange(10), c) for c in itertools.combinations(range(10), 5)]).astype(int)
    kept = int(layout_is_interspersed(every, rule).sum())
    assert drawn_again(values)[1].layouts == kept < 252
    assert drawn_again(shuffled)[1].p == drawn_again(values)[1].p


def test_a_layout_that_its_rule_would_have_thrown_back():
    rows = [(name, float(k % 5)) for k, name in enumerate("AAAABBBB")]
    found, together = drawn_again(laid_out(rows, "completely random", rule="both halves of the line, runs up to 3"))
    assert together.p is None and "would have thrown back" in together.reason
    assert found[0].rerandomisation_p is None


def test_an_unknown_rule_is_said():
    _, together = drawn_again(laid_out(blocks(), rule="whatever looks fair"))
    assert together.p is None and together.reason.startswith('found the redraw rule "whatever looks fair"')


# ---------------------------------------------------------------- Latin squares and split plots
def test_a_latin_square():
    square = ["ABCD", "BADC", "CDAB", "DCBA"]
    random = np.random.default_rng(2)
    rows = [
        (square[i][j], float(random.normal() + 20.0 * (square[i][j] == "B")), None, str(i), str(j))
        for i in range(4)
        for j in range(4)
    ]
    found, together = drawn_again(laid_out(rows, "latin square"))
    assert (found[0].rerandomisation_p, found[0].rerandomisation_floor) == (0.5, 0.5)
    assert together.exact and together.layouts == 576
    lost = [(n, None if k == 0 else v, *where) for k, (n, v, *where) in enumerate(rows)]
    found, _ = drawn_again(laid_out(lost, "latin square"))
    assert (found[0].rerandomisation_p, found[0].rerandomisation_floor) == (None, 1.0)  # one of two chains is broken
    whole = drawn_again(laid_out(rows, "latin square"))[0][1]
    elsewhere = [(n, None if k == 1 else v, *where) for k, (n, v, *where) in enumerate(rows)]  # a bin of B is lost
    found, _ = drawn_again(laid_out(elsewhere, "latin square"))
    assert found[1].rerandomisation_p == whole.rerandomisation_p >= 0.5  # C beside A: their chains are all there


def test_three_by_three_pairs_have_no_test():
    random = np.random.default_rng(2)
    rows = [("ABC"[(i + j) % 3], float(random.normal()), None, str(i), str(j)) for i in range(3) for j in range(3)]
    found, together = drawn_again(laid_out(rows, "latin square"))
    assert found[0].rerandomisation_p is None and together.floor == 0.5


FACTORS = {f"{s}, {t}": {"treatment": s, "turning": t} for t in ("weekly", "never") for s in ("A", "B")}


def split(rule="none", seed=4, blocks=4):
    random = np.random.default_rng(seed)
    rows = []
    for b in range(blocks):
        for t in ("weekly", "never") if b % 2 else ("never", "weekly"):
            rows += [(f"{s}, {t}", float(random.normal()), str(b), None, None, f"{b}{t}") for s in "AB"]
    return laid_out(rows, "split plot", rule=rule, factors=FACTORS, whole="turning", control="A, weekly")


def test_inside_whole_plots_and_between_them():
    values = split()
    found = {one.treatment: one for one in drawn_again(values)[0]}
    y = {(v.treatment, v.block): v.value for v in values.values}
    signs = np.array(list(itertools.product((1, -1), repeat=4)))
    for name in ("B, weekly", "A, never", "B, never"):
        d = np.array([y[name, str(b)] - y["A, weekly", str(b)] for b in range(4)])
        expected = np.mean(np.abs(signs @ d) >= abs(d.sum()) - 1e-9)
        assert (found[name].rerandomisation_p, found[name].rerandomisation_floor) == (expected, 0.125)


def test_all_together_in_a_split_plot_moves_labels_inside_whole_plots():
    assert drawn_again(split())[1].layouts == 2**8


def test_whole_plots_move_as_their_rule_allows():
    """Four blocks: no level of turning first in more than 3 of them, so 14 of 16 layouts; bins inside are free."""
    found = {
        one.treatment: one
        for one in drawn_again(split(rule="no whole-plot level at one place in more than 3 blocks"))[0]
    }
    assert found["A, never"].rerandomisation_floor == pytest.approx(2 / 14)
    assert found["B, weekly"].rerandomisation_floor == 0.125


def test_blocks_of_one_name_at_two_sites_stay_apart():
    rows = [(a, v, b, None, None, None, site) for site in ("n", "s") for a, v, b in blocks("AB", 3, seed=ord(site))]
    found, together = drawn_again(laid_out(rows))
    assert (found[0].rerandomisation_floor, together.layouts) == (2 / 2**6, 64)


# ---------------------------------------------------------------- laws
@pytest.mark.parametrize("kind", ["blocks", "completely random"])
def test_swapping_the_two_or_shifting_all_changes_nothing(kind):
    values = laid_out(blocks("AB", 5), kind)
    shifted = replace(values, values=tuple(replace(v, value=5.0 + 2.0 * v.value) for v in values.values))
    turned = replace(values, plan=replace(values.plan, control="B"))
    p = drawn_again(values)[0][0].rerandomisation_p
    assert drawn_again(shifted)[0][0].rerandomisation_p == p == drawn_again(turned)[0][0].rerandomisation_p
