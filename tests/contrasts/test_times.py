"""From windows to comparisons and verdicts, rule by rule. Values named "computed independently" come from separate
programs in scipy, written before and apart from this package."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from trialkit.contrasts import adjust_secondary, compare, compare_level, compare_pair, finish_curves, levels_of
from trialkit.models import fit_bins
from trialkit.numerics.censored_times import censored_times
from trialkit.records import BinValue, BinValues, Claim, Comparison, Fit, Layout, Outcome, Plan, Refusal
from trialkit.verdicts import judge

DAYS = Outcome("days_to_finish", "days to finish", "days", "log", -1, "time", "where seen", "It cannot tell why.")
CONTROL = [(27, 30), (33, 36), (30, 33), (36, 39), (30, 33)]
TREATED = [(24, 27), (27, 30), (24, 27), (30, 33), (27, 30)]
NEVER = [(27, 30), (33, None), (30, 33), (36, None), (30, 33)]


def values_of(*, kind="completely random", plan=None, **arms):
    """BinValues from lists of (last no, first yes); None = never finished. Underscores in names become blanks."""
    values = []
    for name, windows in arms.items():
        for j, (low, high) in enumerate(windows):
            values.append(
                BinValue(
                    f"{name[0]}{j}",
                    name.replace("_", " "),
                    None if high is None or low == 0 else (low + high) / 2,
                    block=str(j) if kind == "blocks" else None,
                    low=float(low),
                    high=None if high is None else float(high),
                    censored=high is None or low == 0,
                )
            )
    return BinValues(DAYS, "primary", plan or Plan("water", layout=Layout(kind, "common")), tuple(values))


def only(values):
    (found,) = compare(fit_bins(values))
    return found


def claim(size, amount, against="water"):
    return Claim("as claimed", "live", against, "days_to_finish", size, amount)


# ---------------------------------------------------------------- rule 1
def test_ten_finished_bins_give_the_t_interval_on_log_midpoints():
    """Inspected every three days; two-sample t on log midpoints computed independently."""
    found = only(values_of(water=CONTROL, live=TREATED))
    assert found.kind == "ratio"
    assert (found.estimate, found.interval.low, found.interval.high) == pytest.approx(
        (0.854187, 0.741697, 0.983737), abs=5e-7
    )
    assert found.p == pytest.approx(0.032934, abs=5e-7)
    assert (found.df, found.level_attained, found.bins) == (8.0, None, (5, 5))


def test_first_yes_as_the_time_pulls_the_ratio_towards_one():
    """True 20 against 25 days, read every 3 days: (20 + 1.5)/(25 + 1.5) = 0.811321, worked by hand."""
    width = 3.0
    assert (20 + width / 2) / (25 + width / 2) == pytest.approx(0.811321, abs=5e-7)
    values = values_of(water=[(23.5, 26.5), (22, 28)], live=[(18.5, 21.5), (17, 23)])
    assert only(values).estimate == pytest.approx(0.8, abs=1e-12)  # midpoints do not
    ends = replace(values, values=tuple(replace(v, value=v.high, low=None, high=None) for v in values.values))
    assert only(ends).estimate > 0.8


@pytest.mark.parametrize("kind", ["completely random", "blocks"])
@pytest.mark.parametrize("live", [TREATED, [(27, 30), (30, 33), (27, 30), (33, 36), (30, 33)]])
def test_the_layouts_own_fit_is_rule_one_of_the_numerics(kind, live):
    values = values_of(kind=kind, water=CONTROL, live=live)
    low, high = np.array([(v.low, v.high) for v in values.values]).T
    block = np.tile(np.arange(5), 2) if kind == "blocks" else None
    expected = censored_times(low, high, np.repeat([0, 1], 5), block)
    found = only(values)
    assert expected.rule == 1
    assert (found.estimate, found.interval.low, found.interval.high) == pytest.approx(
        (expected.ratio, expected.low, expected.high), rel=1e-6
    )


def test_bins_more_alike_than_rounding_get_the_range_of_the_rounding():
    values = values_of(kind="blocks", water=[(28, 35)] * 4 + [(35, 42)], live=[(21, 28)] * 4 + [(28, 35)])
    low, high = np.array([(v.low, v.high) for v in values.values]).T
    expected = censored_times(low, high, np.repeat([0, 1], 5), np.tile(np.arange(5), 2))
    fit = fit_bins(values)
    assert any("range is that of the rounding" in note for note in fit.notes)
    found = only(values)
    assert (found.interval.low, found.interval.high) == pytest.approx((expected.low, expected.high), rel=1e-6)


# ---------------------------------------------------------------- rule 2
def test_bins_that_never_finished_stay_in():
    values = values_of(water=NEVER, live=TREATED)
    fit = fit_bins(values)
    assert isinstance(fit, Fit)
    assert fit.method == "draws"
    assert fit.counts.diagonal().tolist() == [5, 5]
    found = only(values)
    dropped = only(values_of(water=[w for w in NEVER if w[1] is not None], live=TREATED))
    assert found.bins == (5, 5)
    assert found.estimate < dropped.estimate - 0.02
    # log-normal likelihood of the same windows, computed independently: 0.845373
    assert found.estimate == pytest.approx(0.845373, abs=0.02)
    assert found.interval.low < 0.749016  # its Wald interval is too narrow for ten bins
    assert found.interval.high > 0.954126
    assert (found.df, found.level_attained) == (None, None)
    assert 0.0 < found.p < 0.05  # as the interval leaves out no difference
    assert found.margin_interval.level == 0.9
    assert found.interval.low < found.margin_interval.low < found.margin_interval.high < found.interval.high


def test_two_runs_give_the_same_numbers_and_swapping_turns_them():
    values = values_of(kind="blocks", water=NEVER, live=TREATED)
    first, second = only(values), only(values)
    assert first == second
    turned = compare_pair(fit_bins(values), "water", "live")
    assert turned.estimate == pytest.approx(1 / first.estimate)
    assert turned.interval.low == pytest.approx(1 / first.interval.high)


def test_three_treatments_share_the_level_and_each_has_one_of_its_own():
    values = values_of(kind="blocks", water=NEVER, killed=CONTROL, live=TREATED)
    killed, live = compare(fit_bins(values))
    assert (killed.treatment, live.treatment) == ("killed", "live")
    for one in (killed, live):
        assert one.interval.adjustment == "multivariate t"
        assert one.alone.adjustment == "none"
    low, high = np.array([(v.low, math.inf if v.high is None else v.high) for v in values.values]).T
    expected = censored_times(low, high, np.repeat([0, 1, 2], 5), np.tile(np.arange(5), 3))
    assert (live.interval.low, live.interval.high) == pytest.approx((expected.low[1], expected.high[1]), rel=1e-12)


def test_a_claim_on_two_others_joins_the_family_by_bonferroni():
    own = Claim("live against killed", "live", "killed", "days_to_finish", "times_as_fast", 1.2)
    plan = Plan("water", layout=Layout("blocks"), claims=(own,))
    values = values_of(kind="blocks", plan=plan, water=NEVER, killed=CONTROL, live=TREATED)
    found = compare(fit_bins(values))
    assert [(one.treatment, one.against) for one in found] == [
        ("killed", "water"),
        ("live", "water"),
        ("live", "killed"),
    ]
    assert {one.interval.adjustment for one in found} == {"bonferroni"}


# ---------------------------------------------------------------- rules 3, 4, 5
def test_one_finished_bin_gives_counts_in_words_and_no_number():
    one_done = [(30, 33), (36, None), (36, None), (36, None), (36, None)]
    found = only(values_of(water=one_done, live=TREATED))
    assert isinstance(found, Refusal)
    text = " ".join(found.reasons)
    assert "Fewer than two bins of water finished" in text
    assert "5 of 5 bins of live and 1 of 5 bins of water had finished (re-randomisation p of the counts 0.0476)" in text
    assert judge(found, claim("times_as_fast", 2.0)).call == "not_answerable"


def test_a_whole_arm_that_never_finished_gives_a_one_sided_bound():
    never = [(60, None)] * 6
    values = values_of(kind="blocks", water=never, live=[*TREATED, (24, 27)])
    found = only(values)
    assert isinstance(found, Comparison)
    assert found.interval.low is None
    assert found.interval.high == pytest.approx(33 / 60)  # the slowest of live against the last visit of water
    assert found.estimate == found.interval.high
    assert found.level_attained == pytest.approx(1 - 0.5**6)
    assert (found.std_error, found.df, found.p) == (None, None, None)
    verdict = judge(found, claim("times_as_fast", 1.5))
    assert verdict.call == "support"
    assert judge(found, claim("times_as_fast", 2.0)).call == "cannot_tell"
    assert judge(found, replace(claim("times_as_fast", 1.1, "live"), treatment="water")).call == "cannot_tell"


def test_a_bound_of_little_confidence_settles_nothing():
    found = only(values_of(kind="blocks", water=[(60, None)] * 4, live=TREATED[:4]))
    assert found.level_attained == pytest.approx(0.9375)
    verdict = judge(found, claim("times_as_fast", 1.5))
    assert verdict.call == "cannot_tell"
    assert "confidence 93.8 % only" in verdict.reasons[0]
    assert "at least 97.5 %" in verdict.reasons[0]


def test_nobody_finished_is_a_refusal():
    found = fit_bins(values_of(water=[(30, None)] * 3, live=[(30, None)] * 3))
    assert isinstance(found, Refusal)
    assert "nothing can be said of their times" in " ".join(found.reasons)


def test_all_events_in_one_window_are_a_refusal():
    found = fit_bins(values_of(water=[(24, 31)] * 4, live=[(24, 31)] * 4))
    assert isinstance(found, Refusal)
    assert "did so between day 24 and day 31" in found.reasons[0]
    assert "Visit more often" in found.reasons[0]


def test_windows_that_end_before_they_start_are_a_refusal():
    found = fit_bins(values_of(water=[(24, 31), (31, 24), (24, 31)], live=[(20, 24), (24, 31), (31, None)]))
    assert isinstance(found, Refusal)
    assert "before it starts" in found.reasons[0]


@pytest.mark.parametrize("kind", ["latin square", "split plot"])
def test_layouts_without_a_rule_for_unfinished_bins_refuse_rather_than_drop_them(kind):
    values = values_of(water=NEVER, live=TREATED, plan=Plan("water", layout=Layout(kind)))
    found = fit_bins(values)
    assert isinstance(found, Refusal)
    assert "w1, w3" in found.reasons[0]
    assert "leaving such bins out would be wrong" in found.reasons[0]


def test_a_bin_without_a_block_is_named():
    values = values_of(kind="blocks", water=NEVER, live=TREATED)
    lost = replace(values, values=(replace(values.values[0], block=None), *values.values[1:]))
    assert "w0 has none" in fit_bins(lost).reasons[0]


# ---------------------------------------------------------------- one treatment by itself
def test_the_days_of_one_treatment_answer_within_days():
    values = values_of(water=NEVER, live=TREATED)
    level = compare_level(values, "live")
    assert level.kind == "level"
    assert level.interval.low < 27.2 < level.interval.high
    for days, call in ((14, "contradict"), (40, "support"), (27, "cannot_tell")):
        assert judge(level, claim("within_days", days, None)).call == call
    water = compare_level(values, "water")
    assert water.bins == (5, 0)
    assert water.estimate > 33.5  # the two that never finished pull it up
    assert [one.treatment for one in levels_of(values)] == ["water", "live"]


def test_a_treatment_that_never_finished_has_a_lower_bound_only():
    values = values_of(water=[(30, None)] * 6, live=TREATED)
    water = compare_level(values, "water")
    assert (water.interval.low, water.interval.high) == (30.0, None)
    assert water.level_attained == pytest.approx(1 - 0.5**6)
    asked = replace(claim("within_days", 14, None), treatment="water")
    assert judge(water, asked).call == "cannot_tell"
    assert isinstance(compare_level(values_of(water=[(30, None)], live=TREATED), "water"), Refusal)


def test_turnbull_curves_count_the_unfinished():
    water, live = finish_curves(values_of(water=NEVER, live=TREATED))
    assert (water.treatment, water.bins, live.bins) == ("water", 5, 5)
    assert sum(water.mass) == pytest.approx(1.0)
    assert water.end[-1] is None
    assert water.mass[-1] > 0.19
    assert None not in live.end


# ---------------------------------------------------------------- several secondary outcomes
def drawn_twice():
    """Two times of one trial, each with bins that never finished: the second of bins of which two are later."""
    first = values_of(kind="blocks", water=NEVER, live=TREATED)
    later = values_of(kind="blocks", water=NEVER, live=[*TREATED[:3], (36, 39), (39, None)])
    return {"first": first, "second": later}


def test_times_by_draws_are_adjusted_with_the_other_secondary_outcomes():
    measured = drawn_twice()
    alone = {name: compare(fit_bins(values)) for name, values in measured.items()}
    adjusted = adjust_secondary(alone, measured)
    by_itself = {}
    for name, values in measured.items():
        low, high = np.array([(v.low, np.inf if v.high is None else v.high) for v in values.values]).T
        rows = (low, high, np.repeat([0, 1], 5), np.tile(np.arange(5), 2))
        by_itself[name] = censored_times(*rows)
        bonferroni, margin = censored_times(*rows, level=0.975), censored_times(*rows, level=0.95)
        (one,) = adjusted[name]
        assert (one.interval.low, one.interval.high) == (bonferroni.low, bonferroni.high)
        assert (one.margin_interval.low, one.margin_interval.high) == (margin.low, margin.high)
        assert (one.interval.level, one.interval.adjustment, one.margin_interval.level) == (0.95, "holm", 0.9)
        assert one.estimate == alone[name][0].estimate
        assert alone[name][0].p == by_itself[name].p
        assert one.method.endswith("p by Holm and interval by Bonferroni over 2 secondary comparisons")
    smaller, larger = by_itself["first"].p, by_itself["second"].p
    assert smaller < larger
    assert adjusted["first"][0].p == pytest.approx(2 * smaller)
    assert adjusted["second"][0].p == pytest.approx(max(2 * smaller, larger))


def test_a_bound_has_no_p_to_adjust():
    measured = drawn_twice() | {"third": values_of(kind="blocks", water=[(40, None)] * 5, live=TREATED)}
    alone = {name: compare(fit_bins(values)) for name, values in measured.items()}
    adjusted = adjust_secondary(alone, measured)
    assert adjusted["third"] == alone["third"]
    assert "over 2 secondary comparisons" in adjusted["first"][0].method
