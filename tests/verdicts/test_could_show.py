"""What a trial that cannot tell could have shown; power values from R 4.2.2 power.t.test."""

import math

import pytest

from trialkit.numerics.power import chance_beyond
from trialkit.records import Claim, Comparison, Interval, Layout, Outcome, Plan, Treatment
from trialkit.verdicts import judge

RATE = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "", "", "")
TIME = Outcome("days_to_finish", "days to finish", "day", "log", -1, "", "", "")


def compared(outcome, estimate, std_error, critical, df=6.0, bins=(4, 4)):
    interval = Interval(
        math.exp(math.log(estimate) - critical * std_error), math.exp(math.log(estimate) + critical * std_error), 0.95
    )
    plan = Plan(
        control="water", treatments=(Treatment("water"), Treatment("starter")), layout=Layout("completely random")
    )
    return Comparison(
        outcome,
        plan,
        "starter",
        "water",
        "ratio",
        estimate,
        interval,
        interval,
        interval,
        interval,
        std_error,
        df,
        0.5,
        bins,
    )


def claim(outcome, amount):
    return Claim("", "starter", "water", outcome.name, "times_as_fast", amount)


def test_the_effect_it_could_have_shown_has_that_chance():
    # n = 4 an arm, sd 0.5 on the log scale: power.t.test gives delta = 1.19 for power 0.8; checked by the chance itself
    std_error, critical = 0.5 * math.sqrt(0.5), 2.446912
    shown = judge(compared(RATE, 1.3, std_error, critical), claim(RATE, 1.5)).could_show
    assert chance_beyond(math.log(shown.effect), std_error, 6.0, critical) == pytest.approx(0.8, abs=1e-9)
    assert math.log(shown.supporting) == pytest.approx(math.log(1.5) + math.log(shown.effect))


def test_bins_needed_agree_with_the_published_table():
    # computed independently by the noncentral t: ratio 1.25 at CV 15 % needs 9 bins an arm for power 0.80
    sd = math.sqrt(math.log1p(0.15**2))
    std_error = sd * math.sqrt(2 / 4)
    found = compared(RATE, 1.0001, std_error, 2.446912)
    assert judge(found, claim(RATE, 1.25 * 1.0001)).could_show.bins_each == 9


def test_less_is_better_for_times():
    std_error = 0.3
    found = judge(compared(TIME, 0.8, std_error, 2.4469), claim(TIME, 1.5))
    assert found.call == "cannot_tell"
    assert found.could_show.effect > 1.0  # counted as the claim is: times as fast
    assert found.could_show.supporting > 1.5


def test_other_calls_carry_none():
    assert judge(compared(RATE, 3.0, 0.05, 2.4469), claim(RATE, 1.5)).could_show is None


def test_an_estimate_on_the_size_itself_is_never_settled():
    assert judge(compared(RATE, 1.5000001, 0.2, 2.4469), claim(RATE, 1.5)).could_show.bins_each is None
