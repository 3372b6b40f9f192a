"""The truth table, row by row, in both directions and on both scales, from intervals written by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.errors import DesignError
from trialkit.numerics.turning import inverted
from trialkit.records import BinValues, Claim, Comparison, Interval, Outcome, Plan, Refusal
from trialkit.verdicts import claim_contradiction, judge
from trialkit.verdicts.truth_table import FACTS, TABLE, call_of

RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "curves", "It cannot tell why.")
DAYS = Outcome("days_to_finish", "days to finish", "days", "log", -1, "time", "seen", "It cannot tell why.")
LOSS = Outcome("dry_matter_loss_pct", "dry-matter loss", "points", "identity", 1, "loss", "weighed", "Not why.")
NITROGEN = Outcome("nitrogen_loss_pct", "nitrogen loss", "points", "identity", -1, "loss", "weighed", "Not why.")
MASS = Outcome("wet_mass_kg", "wet mass", "kg", "log", -1, "mass", "weighed", "It cannot tell why.")
PH = Outcome("ph", "pH", "", "identity", 0, "pH", "read", "It cannot tell why.")

FASTER = Claim("twice", "live", "water", "decay_rate", "times_as_fast", 2.0, equivalence=(0.8, 1.25))
SOONER = replace(FASTER, outcome="days_to_finish")
MORE = Claim("ten points", "live", "water", "dry_matter_loss_pct", "at_least", 10.0, equivalence=(-3.0, 3.0))
LESS_NITROGEN = replace(MORE, outcome="nitrogen_loss_pct")
WITHIN = Claim("within 60 days", "live", None, "days_to_finish", "within_days", 60.0)


def comparison(outcome, low, high, inner=None, *, claims=(), **changes):
    """live beside water with the interval (low, high) and a margin interval, a little narrower where not given."""
    kind = "ratio" if outcome.scale == "log" else "difference"
    if inner is None:
        inner = (low, high)
    interval = Interval(low, high, 0.95, "multivariate t")
    margin = Interval(*inner, 0.9, "multivariate t")
    alone, margin_alone = Interval(low, high, 0.95), Interval(*inner, 0.9)
    made = Comparison(
        outcome, Plan("water", claims=claims, stated_before_data=True), "live", "water", kind, 1.0, interval, margin,
        alone, margin_alone, 0.1, 6.0, 0.01, (4, 4),
    )  # fmt: skip
    return replace(made, **changes)


# Interval, margin interval, call, whether beyond no effect, whether inside the margin — as a rate, claimed twice as
# fast, margin 0.80 to 1.25.
ROWS = [
    ((2.1, 3.0), (2.2, 2.9), "support", 1, False),
    ((2.0, 3.0), (2.1, 2.9), "support", 1, False),  # touching the size is at it
    ((1.3, 1.9), (1.4, 1.8), "less_than_claimed", 1, False),
    ((1.01, 1.3), (1.02, 1.25), "less_than_claimed", 1, False),  # touching the margin is not inside
    ((1.05, 1.22), (1.06, 1.2), "no_difference", 1, True),
    ((0.9, 1.2), (0.92, 1.15), "no_difference", 0, True),
    ((0.9, 1.3), (0.92, 1.24), "no_difference", 0, True),  # the margin interval decides
    ((0.85, 0.95), (0.86, 0.94), "no_difference", -1, True),
    ((0.7, 1.3), (0.75, 1.2), "contradict", 0, False),
    ((0.5, 0.7), (0.52, 0.68), "contradict", -1, False),
    ((1.0, 1.9), (1.1, 1.8), "contradict", 0, False),  # touching no effect is not beyond it
    ((1.3, 3.1), (1.4, 2.9), "cannot_tell", 1, False),
    ((0.8, 3.1), (0.9, 2.9), "cannot_tell", 0, False),
    ((1.3, 2.0), (1.4, 1.9), "cannot_tell", 1, False),  # the size itself is still possible
]


@pytest.mark.parametrize(("interval", "inner", "call", "beyond", "inside"), ROWS)
def test_rate_claimed_faster(interval, inner, call, beyond, inside):
    verdict = judge(comparison(RATE, *interval, inner), FASTER)
    assert (verdict.call, verdict.beyond_no_effect, verdict.inside_margin) == (call, beyond, inside)


@pytest.mark.parametrize(("interval", "inner", "call", "beyond", "inside"), ROWS)
def test_time_claimed_shorter(interval, inner, call, beyond, inside):
    """Twice as fast is half the time: the same table with every ratio inverted."""
    turned = [(1.0 / high, 1.0 / low) for low, high in (interval, inner)]
    verdict = judge(comparison(DAYS, *turned[0], turned[1]), SOONER)
    assert (verdict.call, verdict.beyond_no_effect, verdict.inside_margin) == (call, beyond, inside)


DIFFERENCES = [
    ((11.0, 15.0), (11.5, 14.5), "support", 1, False),
    ((10.0, 15.0), (10.5, 14.5), "support", 1, False),
    ((2.0, 9.0), (2.5, 8.5), "less_than_claimed", 1, False),
    ((0.2, 2.9), (0.4, 2.7), "no_difference", 1, True),
    ((-2.0, 2.0), (-1.5, 1.5), "no_difference", 0, True),
    ((-4.0, 6.0), (-3.0, 5.0), "contradict", 0, False),
    ((-9.0, -5.0), (-8.5, -5.5), "contradict", -1, False),
    ((4.0, 14.0), (5.0, 13.0), "cannot_tell", 1, False),
    ((-1.0, 10.0), (0.0, 9.0), "cannot_tell", 0, False),
]


@pytest.mark.parametrize(("interval", "inner", "call", "beyond", "inside"), DIFFERENCES)
def test_difference_claimed_larger(interval, inner, call, beyond, inside):
    verdict = judge(comparison(LOSS, *interval, inner), MORE)
    assert (verdict.call, verdict.beyond_no_effect, verdict.inside_margin) == (call, beyond, inside)


@pytest.mark.parametrize(("interval", "inner", "call", "beyond", "inside"), DIFFERENCES)
def test_difference_claimed_smaller(interval, inner, call, beyond, inside):
    """Nitrogen loss: ten points less is ten in the better direction."""
    turned = [(-high, -low) for low, high in (interval, inner)]
    verdict = judge(comparison(NITROGEN, *turned[0], turned[1]), LESS_NITROGEN)
    assert (verdict.call, verdict.beyond_no_effect, verdict.inside_margin) == (call, beyond, inside)


def test_ratio_of_masses_counts_downwards():
    claim = Claim("half the mass", "live", "water", "wet_mass_kg", "at_least_ratio", 2.0)
    assert judge(comparison(MASS, 0.3, 0.45), claim).call == "support"
    assert judge(comparison(MASS, 0.6, 0.9), claim).call == "less_than_claimed"
    assert judge(comparison(MASS, 2.2, 3.0), claim).call == "contradict"


def test_outcome_without_direction_counts_upwards():
    claim = Claim("half a unit", "live", "water", "ph", "at_least", 0.5)
    assert judge(comparison(PH, 0.6, 0.9), claim).call == "support"
    assert judge(comparison(PH, -0.9, -0.6), claim).call == "contradict"


def test_without_a_margin_nothing_lies_inside_it():
    claim = replace(FASTER, equivalence=None)
    verdict = judge(comparison(RATE, 0.95, 1.05), claim)
    assert (verdict.call, verdict.inside_margin) == ("contradict", None)
    assert judge(comparison(RATE, 1.01, 1.05), claim).call == "less_than_claimed"


@pytest.mark.parametrize(
    ("low", "high", "call"),
    [(2.1, None, "support"), (1.5, None, "cannot_tell"), (None, 1.5, "cannot_tell"), (0.0, 1.5, "cannot_tell")],
)
def test_a_bound_on_one_side_supports_or_cannot_tell(low, high, call):
    assert judge(comparison(RATE, low, high), FASTER).call == call


@pytest.mark.parametrize(("low", "high", "call"), [(None, 0.5, "support"), (None, 0.9, "cannot_tell")])
def test_a_bound_on_a_time(low, high, call):
    assert judge(comparison(DAYS, low, high), SOONER).call == call


def test_a_bound_beyond_no_effect_says_so():
    assert judge(comparison(RATE, 1.5, None), FASTER).beyond_no_effect == 1
    assert judge(comparison(RATE, None, 0.7), FASTER).beyond_no_effect == -1


@pytest.mark.parametrize(
    ("low", "high", "call"),
    [
        (50.0, 58.0, "support"),
        (50.0, 60.0, "support"),
        (61.0, 70.0, "contradict"),
        (60.0, 70.0, "cannot_tell"),
        (55.0, 65.0, "cannot_tell"),
        (None, 59.0, "support"),
        (61.0, None, "cannot_tell"),
    ],
)
def test_within_days(low, high, call):
    made = comparison(DAYS, low, high, kind="level", against=None)
    verdict = judge(made, WITHIN)
    assert (verdict.call, verdict.beyond_no_effect, verdict.inside_margin) == (call, 0, None)


def test_within_days_of_a_peak():
    peak = Outcome("days_to_peak", "days to the peak", "days", "identity", 0, "time", "loggers", "It cannot tell why.")
    claim = replace(WITHIN, outcome="days_to_peak", amount=5.0)
    assert judge(comparison(peak, 3.0, 4.5, kind="level", against=None), claim).call == "support"
    assert claim_contradiction(replace(FASTER, outcome="days_to_peak"), peak) is not None


def test_a_refusal_cannot_be_answered():
    plan = Plan("water", claims=(FASTER,), stated_before_data=True)
    values = BinValues(RATE, "primary", plan, ())
    verdict = judge(Refusal("models", ("one bin each",), values=values), FASTER)
    assert verdict.call == "not_answerable"
    assert verdict.reasons == ("one bin each",)
    assert verdict.stated_before_data
    assert (verdict.comparison, verdict.interval, verdict.inside_margin) == (None, None, None)
    assert not judge(Refusal("outcomes", ("not measured",)), FASTER).stated_before_data
    assert judge(Refusal("outcomes", ("not measured",)), FASTER, plan=plan).stated_before_data


def test_the_opposite_order_is_inverted():
    made = comparison(RATE, 2.1, 3.0)
    verdict = judge(inverted(made), FASTER)
    assert verdict.call == "support"
    assert (verdict.comparison.treatment, verdict.comparison.against) == ("live", "water")
    assert verdict.interval.low == pytest.approx(2.1)


def test_stated_before_the_data_only_as_written():
    made = comparison(RATE, 2.1, 3.0, claims=(FASTER,))
    assert judge(made, FASTER).stated_before_data
    assert not judge(made, replace(FASTER, amount=1.9)).stated_before_data


def test_claim_only_uses_the_interval_alone():
    claim = replace(FASTER, family="claim only")
    made = comparison(RATE, 1.9, 3.0, claims=(claim,), alone=Interval(2.1, 2.8, 0.95))
    verdict = judge(made, claim)
    assert verdict.call == "support"
    assert verdict.interval == made.alone
    assert judge(made, FASTER if made.plan.claims == () else replace(claim, family="all")).call == "cannot_tell"
    two = replace(made, plan=replace(made.plan, claims=(claim, SOONER)))
    with pytest.raises(DesignError, match='found family = "claim only" beside 1 more claim'):
        judge(two, claim)


# ---------------------------------------------------------------- claims that contradict themselves
@pytest.mark.parametrize(
    ("claim", "outcome", "words"),
    [
        (
            replace(FASTER, amount=1.2),
            RATE,
            'claim "twice": found times_as_fast = 1.2 inside its own equivalence margin [0.8, 1.25], so the same '
            "result would both support the claim and count as no difference. Narrow the margin.",
        ),
        (replace(SOONER, amount=1.2), DAYS, "found times_as_fast = 1.2 inside its own equivalence margin"),
        (replace(MORE, amount=2.0), LOSS, "found at_least = 2 inside its own equivalence margin [-3, 3]"),
        (
            replace(FASTER, outcome="ph"),
            PH,
            "found times_as_fast on ph, which has no better direction. Use at_least_ratio or at_least.",
        ),
        (
            replace(FASTER, outcome="wet_mass_kg"),
            MASS,
            "found times_as_fast on wet_mass_kg; it is counted on rates and times only",
        ),
        (replace(FASTER, amount=0.5), RATE, "found times_as_fast = 0.5; expected a number above 1"),
        (replace(FASTER, amount=float("nan")), RATE, "found times_as_fast = nan; expected a finite number."),
        (replace(MORE, amount=-2.0), LOSS, "found at_least = -2; expected a number above 0"),
        (
            replace(LESS_NITROGEN, amount=0.0),
            NITROGEN,
            "found at_least = 0; expected a number above 0, counted in the better direction (less of it).",
        ),
        (replace(MORE, outcome="decay_rate"), RATE, "where treatments are compared as ratios. Use at_least_ratio."),
        (
            replace(MORE, size="at_least_ratio"),
            LOSS,
            "found at_least_ratio on dry_matter_loss_pct, where treatments are compared as differences. Use at_least.",
        ),
        (replace(FASTER, against=None), RATE, "found times_as_fast without against; name the treatment"),
        (replace(FASTER, against="live"), RATE, 'found "live" compared with itself; name two treatments.'),
        (replace(WITHIN, against="water"), DAYS, 'found within_days against "water"; it has a number to compare with.'),
        (replace(WITHIN, amount=0.0), DAYS, "found within_days = 0; expected a number of days above 0."),
        (replace(WITHIN, outcome="ph"), PH, "found within_days on ph; it is counted on times only"),
        (replace(WITHIN, equivalence=(0.8, 1.25)), DAYS, "found an equivalence margin beside within_days"),
        (
            replace(FASTER, equivalence=(-0.2, 0.2)),
            RATE,
            "found equivalence = [-0.2, 0.2]; expected a lower end above 0 and below 1 and an upper end above 1",
        ),
        (replace(FASTER, equivalence=(1.1, 1.25)), RATE, "with no effect (1) between them."),
        (replace(MORE, equivalence=(3.0, -3.0)), LOSS, "expected a lower end below 0 and an upper end above 0"),
    ],
)
def test_contradictions(claim, outcome, words):
    found = claim_contradiction(claim, outcome)
    assert found is not None and words in found
    if outcome.scale == "log" and claim.outcome == outcome.name and claim.size != "within_days":
        with pytest.raises(DesignError) as raised:
            judge(comparison(outcome, 1.0, 2.0), claim)
        assert str(raised.value) == found


@pytest.mark.parametrize("claim", [FASTER, replace(FASTER, amount=1.25)])
def test_a_size_at_the_edge_of_the_margin_is_outside(claim):
    assert claim_contradiction(claim, RATE) is None


def test_a_comparison_of_something_else():
    with pytest.raises(DesignError, match="found a comparison of days_to_finish; expected one of decay_rate"):
        judge(comparison(DAYS, 1.0, 2.0), FASTER)
    with pytest.raises(DesignError, match="found a comparison of killed with water; expected one of live with water"):
        judge(comparison(RATE, 1.0, 2.0, treatment="killed"), FASTER)
    with pytest.raises(DesignError, match='found a comparison of kind "ratio"; within_days needs "level"'):
        judge(comparison(DAYS, 1.0, 2.0), WITHIN)


# ---------------------------------------------------------------- the table itself
def test_the_table_is_complete_and_names_known_facts():
    assert [row.call for row in TABLE] == ["support", "less_than_claimed", "no_difference", "contradict", "cannot_tell"]
    assert all(fact in FACTS for row in TABLE for fact in (*row.holds, *row.fails))
    nothing = dict.fromkeys(FACTS, False)
    assert call_of(nothing) == "cannot_tell"


LOGS = st.floats(-3.0, 3.0)


@given(a=LOGS, b=LOGS, shrink=st.floats(0.5, 0.99), size=st.floats(1.01, 5.0), edge=st.floats(0.01, 0.99))
def test_inverting_outcome_direction_or_order_changes_nothing(a, b, shrink, size, edge):
    """A rate and the time it stands for, and either order of the pair, give the same call."""
    low, high = min(a, b), max(a, b) + 1e-3
    middle, half = 0.5 * (low + high), 0.5 * (high - low) * shrink
    margin = (size**-edge, size**edge)
    claim = replace(FASTER, amount=size, equivalence=margin)

    def exp(*ends):
        return tuple(2.718281828459045**end for end in ends)

    made = comparison(RATE, *exp(low, high), exp(middle - half, middle + half))
    rate = judge(made, claim)
    assert judge(inverted(inverted(made)), claim).call == rate.call
    time = comparison(DAYS, *exp(-high, -low), exp(-middle - half, -middle + half))
    turned = judge(time, replace(claim, outcome="days_to_finish", equivalence=margin))
    assert (turned.call, turned.beyond_no_effect, turned.inside_margin) == (
        rate.call, rate.beyond_no_effect, rate.inside_margin,
    )  # fmt: skip


@given(low=st.floats(-20, 20), width=st.floats(0.1, 30), factor=st.floats(0.1, 100.0), size=st.floats(1.0, 15.0))
def test_a_change_of_unit_changes_nothing(low, width, factor, size):
    claim = replace(MORE, amount=size, equivalence=(-0.9 * size, 0.9 * size))
    scaled = replace(claim, amount=size * factor, equivalence=(-0.9 * size * factor, 0.9 * size * factor))
    ends, inner = (low, low + width), (low + 0.1 * width, low + 0.9 * width)
    # Only away from the boundaries: there a rounding of the product decides.
    marks = (0.0, size, 0.9 * size, -0.9 * size)
    if min(abs(end - mark) for end in (*ends, *inner) for mark in marks) < 1e-6:
        return
    one = judge(comparison(LOSS, *ends, inner), claim)
    two = judge(comparison(LOSS, *(e * factor for e in ends), tuple(e * factor for e in inner)), scaled)
    assert (one.call, one.beyond_no_effect, one.inside_margin) == (two.call, two.beyond_no_effect, two.inside_margin)


@given(low=LOGS, width=st.floats(0.01, 4.0), shrink=st.floats(0.3, 1.0))
def test_a_narrower_interval_about_the_same_centre_never_turns_support_into_contradiction(low, width, shrink):
    def call(half):
        middle = low + 0.5 * width
        ends = tuple(2.718281828459045 ** (middle + sign * half) for sign in (-1, 1))
        return judge(comparison(RATE, *ends), replace(FASTER, equivalence=None)).call

    wide, narrow = call(0.5 * width), call(0.5 * width * shrink)
    if wide == "support":
        assert narrow == "support"
    if wide in ("contradict", "less_than_claimed"):
        assert narrow in ("contradict", "less_than_claimed")
