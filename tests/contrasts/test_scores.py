"""Scores: the share of pairs of bins, p from the draw alone, and no interval. Invented scores, answers by hand."""

from dataclasses import replace

import pytest

from trialkit.contrasts import adjust_secondary, compare, compare_again, compare_pair, partition, rerandomise
from trialkit.models import changed_values, fit_bins
from trialkit.models.second import second_opinions
from trialkit.records import BinValue, BinValues, Claim, Comparison, Interval, Layout, Outcome, Plan, Refusal, Treatment
from trialkit.verdicts import judge

SMELL = Outcome("odour_score", "smell", "score 0–5", "identity", 1, "", "", "")
BLOCKS = [(1, 3, 2), (2, 2, 2), (0, 4, 3), (1, 5, 1)]  # A, B, C in each of four blocks


def scored(rows, kind="blocks", *, drawn="by seed", rule="none", claims=(), **where):
    names = dict.fromkeys(row[0] for row in rows)
    plan = Plan(
        "A",
        treatments=tuple(Treatment(name) for name in names),
        layout=Layout(kind, drawn=drawn, redraw_rule=rule),
        claims=claims,
    )
    values = tuple(BinValue(f"B{k}", name, v, block=b, **where) for k, (name, v, b) in enumerate(rows, start=1))
    return BinValues(SMELL, "primary", plan, values)


def in_blocks(arms="ABC", cells=BLOCKS):
    return [(arm, score, str(b)) for b, row in enumerate(cells) for arm, score in zip(arms, row, strict=False)]


def answered(values):
    fit = fit_bins(values)
    return rerandomise(fit, compare(fit))


def test_shares_and_p_in_blocks_by_hand():
    """B beside A: won, tied, won, won = 3.5 of 4. Signs of 2, 0, 4, 4 against chance: standings 1/2, 0, 1/2, 1/2, so
    all three agree in 2 of 8 sign patterns: 0.25. C beside A: won, tied, won, tied = 3 of 4, p = 2/4.
    """
    found, together = answered(scored(in_blocks()))
    b, c = found
    assert (b.kind, b.estimate, b.rerandomisation_p, b.p) == ("superiority", 0.875, 0.25, 0.5)  # Bonferroni over two
    assert (c.estimate, c.rerandomisation_p, c.p) == (0.75, 0.5, 1.0)
    assert b.interval == Interval(None, None, 0.95, "bonferroni") and b.alone.adjustment == "none"
    assert (b.std_error, b.df, b.bins, b.rerandomisation_floor) == (None, None, (4, 4), 0.125)
    assert (together.layouts, together.floor) == (1296, pytest.approx(6 / 1296))


def test_only_the_order_inside_a_block_counts():
    other = [(10 * b + score**3) for b, row in enumerate(BLOCKS) for score in row]
    rows = [(name, float(v), block) for (name, _, block), v in zip(in_blocks(), other, strict=True)]
    one, two = answered(scored(in_blocks())), answered(scored(rows))
    assert [(c.estimate, c.p) for c in one[0]] == [(c.estimate, c.p) for c in two[0]] and one[1].p == two[1].p


def test_completely_random_is_the_exact_rank_test():
    """Three bins all above three others: 2 of 20 ways."""
    rows = [("A", v, None) for v in (0, 1, 2)] + [("B", v, None) for v in (3, 3, 5)]
    (found,), together = answered(scored(rows, "completely random"))
    assert (found.estimate, found.p, found.rerandomisation_floor) == (1.0, 0.1, 0.1)
    assert found.interval.adjustment == "none" and together.p == pytest.approx(0.1)


def test_scores_all_alike_tell_nothing_and_are_no_error():
    (found,), _ = answered(scored(in_blocks("AB", [(3, 3)] * 4)))
    assert (found.estimate, found.p) == (0.5, 1.0)


def test_no_p_where_the_layout_was_drawn_by_hand_or_breaks_its_rule():
    (found,), together = answered(scored(in_blocks("AB", BLOCKS), drawn="by hand"))
    assert (found.estimate, found.p, found.rerandomisation_p, together) == (0.875, None, None, None)
    rule = "no treatment at one place in more than 3 blocks"  # A stands first in all four
    (found,), together = answered(scored(in_blocks("AB", BLOCKS), rule=rule))
    assert found.p is None and "would have thrown back" in together.reason


def test_the_opposite_order_turns_the_share():
    fit = fit_bins(scored(in_blocks()))
    assert compare_pair(fit, "A", "B").estimate == 0.125
    assert compare_pair(fit, "B", "C").estimate == 0.875
    assert compare_pair(fit, "A", "B").interval == Interval(None, None, 0.95, "bonferroni")


def test_repeats_carry_no_p_and_no_other_scale_or_variances():
    fit = fit_bins(scored(in_blocks()))
    assert {change.what for change in changed_values(fit)} == {"left out"}
    assert [one.p for one in compare_again(fit)] == [None, None]
    assert partition(fit) is None and second_opinions(fit) == ()


@pytest.mark.parametrize("kind", ["latin square", "split plot"])
def test_other_layouts_are_refused_in_words(kind):
    found = fit_bins(scored(in_blocks(), kind))
    assert isinstance(found, Refusal)
    assert found.reasons == (
        "Smell is a score, of which only the order of bins counts, and orders are compared in completely random "
        f"layouts and in blocks only; this trial is a {kind}. Compare an outcome that is measured in amounts.",
    )


def test_pairs_that_never_meet_or_meet_once_are_refused():
    rows = [("A", 1, "1"), ("B", 2, "1"), ("A", 3, "2"), ("B", 3, "2"), ("C", 4, "3"), ("C", 5, "3"), ("D", 2, "1")]
    b, c, d = compare(fit_bins(scored(rows)))
    assert isinstance(b, Comparison) and b.bins == (2, 2)
    assert c.reasons[0].startswith("All bins of C stand in block 3, which holds nothing else")
    assert d.reasons[0].startswith("One bin of D and one of A can be compared")
    lost = [(name, None if name == "B" else score, block) for name, score, block in in_blocks()]
    assert compare(fit_bins(scored(lost)))[0].reasons == (
        "No bin of B has a value of smell. Two bins or more would be needed.",
    )
    apart = [("A", 1, "1"), ("C", 2, "1"), ("A", 1, "2"), ("C", 2, "2"), ("B", 2, "3"), ("C", 3, "3"), ("B", 1, "4")]
    assert compare(fit_bins(scored(apart)))[1].reasons[0].startswith("No block holds a bin of B and one of A")


def test_one_bin_each_is_refused():
    found = fit_bins(scored([("A", 1, "1"), ("B", 2, "1")]))
    assert isinstance(found, Refusal) and found.reasons[0].startswith("Each treatment has one bin")


def test_holm_counts_scores_by_their_own_p():
    """Three p: 0.1 of the scores, and two of amounts; Holm by hand."""
    rows = [("A", v, None) for v in (0, 1, 2)] + [("B", v, None) for v in (3, 3, 5)]
    smell, _ = answered(scored(rows, "completely random"))
    amounts = scored([("A", v, None) for v in (1.0, 2, 3)] + [("B", v, None) for v in (2.0, 3, 5)], "completely random")
    ph = fit_bins(replace(amounts, outcome=Outcome("ph", "pH", "", "identity", 0, "", "", "")))
    (one,) = compare(ph)
    found = adjust_secondary({"odour_score": smell, "ph": (one,), "again": (one,)})
    assert one.p > 0.1
    assert found["odour_score"][0].p == pytest.approx(0.3)
    assert found["ph"][0].p == pytest.approx(max(0.3, min(2 * one.p, 1.0)))
    assert found["odour_score"][0].interval == Interval(None, None, 0.95, "holm")
    assert found["odour_score"][0].rerandomisation_p == 0.1  # stays by itself
    assert found["odour_score"][0].method.endswith("p by Holm over 3 secondary comparisons")
    assert found["ph"][0].interval.adjustment == "holm"


def test_a_claim_on_scores_cannot_be_answered_and_says_why():
    claim = Claim("smells at least 1 better", "B", "A", "odour_score", "at_least", 1.0)
    found, _ = answered(scored(in_blocks("AB", BLOCKS), claims=(claim,)))
    verdict = judge(found[0], claim)
    assert (verdict.call, verdict.comparison, verdict.interval) == ("not_answerable", None, None)
    assert verdict.reasons[0].startswith("Scores are steps, not amounts: only which of two bins scored higher")
