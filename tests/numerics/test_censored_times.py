"""The five rules: known answers, what must hold whatever the data, refusals and their words."""

import json
from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import DesignError
from trialkit.numerics.censored_counts import compare_counts, one_sided_bound
from trialkit.numerics.censored_times import censored_times
from trialkit.numerics.simultaneous import simultaneous_quantile

INF = np.inf
SMALL = json.loads((Path(__file__).parents[1] / "reference" / "censored_small_bins.json").read_text(encoding="utf-8"))
ARM, BLOCK = np.repeat([0, 1], 5), np.tile(np.arange(5), 2)


@pytest.fixture
def ten_bins():
    table = np.array(SMALL["data"]["control"] + SMALL["data"]["treated"], dtype=float)
    return table[:, 0].copy(), table[:, 1].copy()


@pytest.fixture
def two_never(ten_bins):
    low, high = ten_bins
    high[SMALL["data"]["never_finished"]] = INF
    return low, high


@pytest.fixture
def three_arms():
    """Five blocks of three treatments, watched every three days up to day 33; three bins unfinished."""
    low = np.array([30, 27, 24, 33, 27, 24, 27, 24, 21, 33, 33, 27, 30, 30, 24], dtype=float)
    high = np.where(low == 33, INF, low + 3)
    return low, high, np.tile([0, 1, 2], 5), np.repeat(np.arange(5), 3)


# ---------------------------------------------------------------- rule 1
def test_all_finished_completely_random_is_the_t_interval_on_log_midpoints(ten_bins):
    found = censored_times(*ten_bins, ARM, None, level=0.95, seed=1)
    expected = SMALL["expected"]["all_finished"]["midpoint_t"]
    assert (found.ratio, found.low, found.high) == pytest.approx(expected["ratio"], abs=SMALL["tolerance"])
    assert found.p == pytest.approx(0.032934, abs=5e-7)  # computed independently, as the interval was
    assert (found.df, found.rule, found.draws, found.reasons) == (8.0, 1, 0, ())
    assert isinstance(found.ratio, float)
    assert isinstance(found.rule, int)


def test_all_finished_in_blocks_is_the_paired_t(ten_bins):
    low, high = ten_bins
    log_middle = np.log((low + high) / 2)
    pairs = log_middle[5:] - log_middle[:5]
    floor = np.mean((np.log(high) - np.log(low)) ** 2) / 12
    assert pairs.var(ddof=1) / 2 > floor
    found = censored_times(low, high, ARM, BLOCK, level=0.9)
    reach = stats.t.ppf(0.95, 4) * pairs.std(ddof=1) / np.sqrt(5)
    assert np.log([found.ratio, found.low, found.high]) == pytest.approx(pairs.mean() + np.array([0, -reach, reach]))
    assert found.df == 4.0
    assert found.std_error == pytest.approx(pairs.std(ddof=1) / np.sqrt(5))


def test_floor_of_the_variance_keeps_equal_differences_from_a_width_of_zero():
    low = np.array([24.0, 31.0, 38.0, 24.0, 31.0, 38.0])
    high = low + 7
    found = censored_times(low, high, np.repeat([0, 1], 3), np.tile(np.arange(3), 2))
    floor = np.mean(np.log(high / low) ** 2) / 12
    assert found.ratio == pytest.approx(1.0)
    assert np.log(found.high) == pytest.approx(stats.t.ppf(0.975, 2) * np.sqrt(floor * 2 / 3))


def test_three_treatments_share_the_level(three_arms):
    low, _, arm, block = three_arms
    found = censored_times(low, low + 3, arm, block)
    y = np.log(low + 1.5).reshape(5, 3)
    residual = y - y.mean(axis=1, keepdims=True) - y.mean(axis=0) + y.mean()
    error = np.sqrt((residual**2).sum() / 8 * 2 / 5)
    q = simultaneous_quantile(0.95, 8.0, np.array([[1, 0.5], [0.5, 1]]))
    centre = y.mean(axis=0)[1:] - y.mean(axis=0)[0]
    assert np.log(found.low) == pytest.approx(centre - q * error)
    assert np.log(found.high) == pytest.approx(centre + q * error)
    assert found.df.tolist() == [8.0, 8.0]
    assert found.rule.tolist() == [1, 1]


# ---------------------------------------------------------------- rule 2
def test_bins_that_never_finished_are_kept(two_never):
    """The normal likelihood with the same two bins gives 0.845; without them 0.89 (see the likelihood fits)."""
    low, high = two_never
    found = censored_times(low, high, ARM, None, level=0.95, seed=3)
    expected = SMALL["expected"]["two_never"]["log-normal"]["ratio"]
    assert found.rule == 2
    assert np.isnan(found.df)
    assert found.draws == 20_000
    assert found.ratio == pytest.approx(expected[0], abs=0.01)
    assert found.low < expected[1]
    assert found.high > expected[2]
    kept = np.isfinite(high)
    dropped = censored_times(low[kept], high[kept], ARM[kept], None)
    assert dropped.rule == 1
    assert dropped.ratio > found.ratio + 0.02
    assert found.bins.tolist() == [5, 5]
    assert found.finished.tolist() == [3, 5]


@pytest.mark.parametrize("block", [None, BLOCK], ids=["completely random", "blocks"])
def test_p_by_draws_is_the_level_at_which_the_interval_ends_at_equal_times(two_never, block):
    low, high = two_never
    found = censored_times(low, high, ARM, block, seed=3)
    assert found.rule == 2
    assert 0.002 < found.p < 0.2
    few = 4 * 2 / found.draws  # the ends of an interval lie between two draws
    wider, narrower = (censored_times(low, high, ARM, block, level=1 - found.p + by, seed=3) for by in (few, -few))
    assert wider.low < 1.0 < wider.high
    assert not narrower.low < 1.0 < narrower.high
    swapped = censored_times(low, high, 1 - ARM, block, seed=3)
    assert swapped.p == pytest.approx(found.p)


@pytest.mark.parametrize("last", [36.0, INF], ids=["rule 1", "rule 2"])
def test_p_of_several_comparisons_is_the_level_at_which_the_first_interval_ends_at_equal_times(three_arms, last):
    low, _, arm, block = three_arms
    high = low + 3
    if last == INF:
        high[int(np.argmax(low))] = INF
    found = censored_times(low, high, arm, block, seed=3)
    assert set(found.rule.tolist()) == ({2} if last == INF else {1})
    assert (found.p_together >= found.p).all()
    k = int(np.argmax(found.p_together))
    assert found.p[k] < found.p_together[k] < 0.5
    few = 8 * 2 / 20_000 if last == INF else 0.01 * found.p_together[k]
    wider, narrower = (
        censored_times(low, high, arm, block, level=1 - found.p_together[k] + by, seed=3) for by in (few, -few)
    )
    assert wider.low[k] < 1.0 < wider.high[k]
    assert not narrower.low[k] < 1.0 < narrower.high[k]


def test_p_by_draws_is_never_zero():
    low = np.array([40, 43, 46, 49, 10, 11, 12, 13.0])
    high = np.array([41, 44, 47, INF, 11, 12, 13, 14])
    found = censored_times(low, high, np.repeat([0, 1], 4), None)
    assert (found.rule, found.draws) == (2, 20_000)
    assert 2 / 20_001 <= found.p < 0.001


def test_one_late_bin_hardly_widens_an_interval_of_many():
    rng = np.random.default_rng(5)
    arm = np.repeat([0, 1], 40)
    day = np.exp(3.3 - 0.2 * arm + 0.15 * rng.standard_normal(80))
    low, high = np.floor(day), np.floor(day) + 1
    finished = censored_times(low, high, arm, None)
    last = int(np.argmax(low))
    high[last] = INF
    found = censored_times(low, high, arm, None)
    assert (found.low, found.high) == pytest.approx((finished.low, finished.high), abs=0.01)


def test_same_seed_same_answer_other_seed_nearly(two_never):
    first = censored_times(*two_never, ARM, BLOCK, seed=7)
    again = censored_times(*two_never, ARM, BLOCK, seed=7)
    other = censored_times(*two_never, ARM, BLOCK, seed=8)
    assert (first.ratio, first.low, first.high) == (again.ratio, again.low, again.high)
    assert first.low != other.low
    assert np.log([first.low, first.ratio, first.high]) == pytest.approx(
        np.log([other.low, other.ratio, other.high]), abs=0.02
    )


def test_order_of_rows_and_codes_of_blocks_do_not_matter(two_never):
    low, high = two_never
    found = censored_times(low, high, ARM, BLOCK, seed=7)
    shuffled = np.random.default_rng(2).permutation(10)
    other = censored_times(low[shuffled], high[shuffled], ARM[shuffled], (70 - 3 * BLOCK)[shuffled], seed=7)
    assert (other.ratio, other.low, other.high) == pytest.approx((found.ratio, found.low, found.high), rel=1e-12)


@pytest.mark.parametrize("block", [None, BLOCK])
def test_swapping_treatments_turns_the_answer_into_its_reciprocal(two_never, block):
    found = censored_times(*two_never, ARM, block, seed=7)
    swapped = censored_times(*two_never, 1 - ARM, block, seed=7)
    assert (1 / swapped.ratio, 1 / swapped.high, 1 / swapped.low) == pytest.approx(
        (found.ratio, found.low, found.high), rel=1e-10
    )


def test_days_or_hours_give_one_ratio(two_never):
    low, high = two_never
    found = censored_times(low, high, ARM, BLOCK, seed=7)
    hours = censored_times(24 * low, 24 * high, ARM, BLOCK, seed=7)
    assert (hours.ratio, hours.low, hours.high) == pytest.approx((found.ratio, found.low, found.high), rel=1e-9)


def test_a_lower_level_lies_inside(two_never):
    wide, narrow = (censored_times(*two_never, ARM, BLOCK, level=level, seed=7) for level in (0.95, 0.9))
    assert wide.low < narrow.low < narrow.ratio < narrow.high < wide.high
    assert wide.ratio == narrow.ratio


def test_several_comparisons_get_wider_intervals_than_one(three_arms):
    low, high, arm, block = three_arms
    family = censored_times(low, high, arm, block, seed=2)
    assert family.rule.tolist() == [2, 2]
    assert np.isnan(family.df).all()
    pair = arm != 1
    alone = censored_times(low[pair], high[pair], arm[pair] // 2, block[pair], seed=2)
    assert family.ratio[1] == pytest.approx(alone.ratio, abs=0.03)
    assert family.ratio.shape == family.low.shape == family.level_attained.shape == (2,)
    one = censored_times(low, high, arm, block, seed=2, level=0.90)
    assert (np.log(family.high / family.low) > np.log(one.high / one.low)).all()


def test_a_bin_finished_at_its_first_look_is_drawn_from_the_other_side(ten_bins):
    low, high = ten_bins
    low[5] = 0.0
    found = censored_times(low, high, ARM, None, seed=1)
    assert found.rule == 2
    assert found.finished.tolist() == [5, 5]
    assert 0.5 < found.low < found.ratio < 0.9 < found.high < 1.1


def test_known_days_need_no_window():
    day = np.array([20.0, 22.0, 25.0, 27.0, 30.0, 29.0])
    found = censored_times(day, day, np.repeat([1, 0], 3), None)
    exact = stats.ttest_ind(np.log(day[:3]), np.log(day[3:])).confidence_interval()
    assert np.log([found.low, found.high]) == pytest.approx(exact)


# ---------------------------------------------------------------- rules 3 and 4
def test_one_finished_bin_gives_counts_and_no_interval():
    low = np.array([18, 21, 21, 21, 21, 40, 40, 40, 40, 18], dtype=float)
    high = np.array([21, 24, 24, 24, 24, INF, INF, INF, INF, 21])
    found = censored_times(low, high, ARM, None, treatment_names=["water only", "live starter"])
    assert found.rule == 3
    assert np.isnan([found.ratio, found.low, found.high, found.level_attained]).all()
    assert found.by_day == 40
    assert found.finished_by_day.tolist() == [5, 1]
    assert found.counts_p == pytest.approx(stats.fisher_exact([[5, 0], [1, 4]]).pvalue)
    assert found.reasons == (
        "Fewer than two bins of live starter finished between two visits: no interval for live starter against water "
        "only. By day 40, 1 of 5 bins of live starter and 5 of 5 bins of water only had finished (re-randomisation p "
        "of the counts 0.0476).",
    )


def test_no_finished_bin_in_blocks_gives_a_one_sided_bound():
    """Ratios of last visit to control's upper limit 40/24, 40/27, 39/30, 42/30; the least is 1.3, confidence 15/16."""
    low = np.array([21, 24, 27, 27, 40, 40, 39, 42], dtype=float)
    high = np.array([24, 27, 30, 30, INF, INF, INF, INF])
    arm, block = np.repeat([0, 1], 4), np.tile(np.arange(4), 2)
    found = censored_times(low, high, arm, block)
    assert (found.rule, found.low, found.high) == (4, pytest.approx(1.3), INF)
    assert found.level_attained == pytest.approx(15 / 16)
    assert found.counts_p == pytest.approx(2 / 16)
    assert np.isnan(found.ratio)
    assert found.reasons == (
        "No bin of treatment 1 finished: treatment 1 takes at least 1.3 times as long as treatment 0 (one-sided, "
        "confidence 93.8 %). By day 39, 0 of 4 bins of treatment 1 and 4 of 4 bins of treatment 0 had finished "
        "(re-randomisation p of the counts 0.125).",
    )
    swapped = censored_times(low, high, 1 - arm, block)
    assert (swapped.low, swapped.high) == (0.0, pytest.approx(1 / 1.3))
    assert "takes at most 0.769 times as long" in swapped.reasons[0]


def test_no_finished_bin_completely_random():
    """All of the 3 unfinished outlast all of the 4 finished: one arrangement of C(7, 3) = 35."""
    low = np.array([21, 24, 27, 27, 40, 40, 36], dtype=float)
    high = np.array([24, 27, 30, 30, INF, INF, INF])
    found = censored_times(low, high, np.repeat([0, 1], [4, 3]), None)
    assert (found.low, found.level_attained) == (pytest.approx(36 / 30), pytest.approx(34 / 35))


def test_bound_where_a_control_bin_is_unfinished_too():
    """Two of three finished: the two shortest of five are both control with probability 3/10."""
    low = np.array([20.0, 23.0, 40.0, 40.0, 40.0])
    high = np.array([23.0, 26.0, INF, INF, INF])
    bound = one_sided_bound(low, high, np.array([False, False, False, True, True]), None)
    assert (bound.ratio, bound.confidence) == (pytest.approx(40 / 26), pytest.approx(0.7))


def test_bound_counts_only_blocks_that_hold_both():
    low = np.array([20.0, 23.0, 40.0, 40.0])
    high = np.array([23.0, 26.0, INF, INF])
    treated = np.array([False, False, True, True])
    assert one_sided_bound(low, high, treated, np.array([0, 1, 2, 3])) is None
    assert one_sided_bound(low, high, treated, np.array([0, 1, 0, 2])).confidence == 0.5


@pytest.mark.parametrize("theta", [0.8, 1.0, 1.5])
def test_bounds_are_wrong_no_more_often_than_they_say(theta):
    """5,000 trials of 4 blocks watched to one day: wrong bounds in at most 1 of 16, the error of four blocks."""
    rng = np.random.default_rng(17)
    arm, block = np.tile([0, 1], 4), np.repeat(np.arange(4), 2)
    wrong = 0
    for _ in range(5000):
        day = 25 * np.exp(0.1 * rng.standard_normal(4)[block] + 0.15 * rng.standard_normal(8) + np.log(theta) * arm)
        high = np.where(day > 27, INF, np.ceil(day))
        low = np.where(day > 27, 27.0, np.ceil(day) - 1)
        if np.isfinite(high[arm == 1]).any() or not np.isfinite(high[arm == 0]).any():
            continue
        bound = one_sided_bound(low, high, arm == 1, block)
        wrong += bound.ratio > theta
    assert wrong <= 5000 * 2.0**-4 + 3 * np.sqrt(5000 * 2.0**-4)


def test_counts_within_blocks_by_hand():
    """Three blocks, one finished of two each, always the treated one: totals 0 … 3 with 1, 3, 3, 1 of 8; p = 2/8."""
    finished = np.array([True, False] * 3)
    assert compare_counts(finished, finished, np.repeat(np.arange(3), 2)) == pytest.approx(0.25)
    assert compare_counts(np.ones(6, bool), finished, np.repeat(np.arange(3), 2)) == 1.0


def test_each_comparison_has_its_own_rule():
    low = np.array([24, 27, 30, 24, 24, 27, 24, 21, 40, 40, 40, 40], dtype=float)
    high = np.array([27, 30, 33, 27, 27, 30, 27, 24, INF, INF, INF, INF])
    arm, block = np.repeat([0, 1, 2], 4), np.tile(np.arange(4), 3)
    found = censored_times(low, high, arm, block)
    assert found.rule.tolist() == [1, 4]
    pair = arm < 2
    alone = censored_times(low[pair], high[pair], arm[pair], block[pair])
    assert (found.ratio[0], found.low[0], found.high[0]) == pytest.approx((alone.ratio, alone.low, alone.high))
    assert np.isnan(found.ratio[1])
    assert found.low[1] == pytest.approx(40 / 33)


# ---------------------------------------------------------------- refusals
def test_nothing_finished_at_all():
    found = censored_times([30.0] * 4, [INF] * 4, [0, 0, 1, 1], None)
    assert found.rule == 5
    assert found.reasons == ("No bin of treatment 1 or treatment 0 finished; nothing can be said of their times.",)


def test_all_finished_in_one_window():
    found = censored_times([24.0] * 6, [31.0] * 6, [0, 1] * 3, [0, 0, 1, 1, 2, 2], treatment_names=["water", "starter"])
    assert found.rule == 5
    assert np.isnan([found.ratio, found.low, found.high]).all()
    assert found.reasons == (
        "Every bin of water and starter that finished did so between day 24 and day 31: at these visits the treatments "
        "cannot be told apart, and no interval for their ratio comes from the data. Visit more often.",
    )


def test_finished_bins_in_one_block_only():
    low = np.array([24, 24, 24, 27, 40, 40, 40, 40], dtype=float)
    high = np.array([27, 27, 27, 30, INF, INF, INF, INF])
    found = censored_times(low, high, np.tile([0, 1], 4), np.repeat([3, 8], 4), block_names=None)
    assert found.rule == 5
    assert found.blocks_without_event == (8,)
    assert found.reasons == (
        "No bin finished in block 8.",
        "Bins finished in 1 of 2 blocks; a comparison needs finished bins in two blocks or more. "
        "Watch the bins longer.",
    )


def test_blocks_without_a_finished_bin_are_named_and_kept():
    low = np.array([24, 21, 27, 24, 24, 24, 33, 33], dtype=float)
    high = np.array([27, 24, 30, 27, 27, 27, INF, INF])
    arm, block = np.tile([0, 1], 4), np.repeat(np.arange(4), 2)
    found = censored_times(low, high, arm, block, block_names=["north", "east", "south", "west"])
    assert found.rule == 2
    assert found.blocks_without_event == (3,)
    assert found.reasons == ("No bin finished in block west.",)


def test_treatment_that_coincides_with_a_block():
    low = np.array([24, 27, 30, 21, 24, 24], dtype=float)
    found = censored_times(low, low + 3, [0, 0, 0, 1, 1, 1], [0, 0, 0, 1, 1, 1])
    assert found.rule == 5
    assert found.reasons == (
        "No block links treatment 1 with treatment 0: their comparison would be one of blocks, not of treatments.",
    )


def test_no_degree_of_freedom_for_error():
    low = np.array([24, 27, 21, 30], dtype=float)
    found = censored_times(low, low + 3, [0, 1, 0, 1], [0, 0, 1, 2])
    assert found.rule == 5
    assert "leave no degree of freedom for error" in found.reasons[0]


@pytest.mark.parametrize(
    ("low", "high", "arm", "block", "words"),
    [
        (
            [10, 30.0],
            [12, 20],
            [0, 1],
            None,
            "Row 1: found an interval that ends on day 20, before it starts on day 30",
        ),
        ([10, np.nan], [12, 20], [0, 1], None, "Row 1: found a time from day nan to day 20"),
        (
            [10, -3],
            [12, 20],
            [0, 1],
            None,
            "expected a start of 0 or more and an end, inf where the bin never finished",
        ),
        ([10, INF], [12, INF], [0, 1], None, "Row 1: found a time from day inf"),
        ([10, 0], [12, 0], [0, 1], None, "Row 1: found a finish on day 0"),
        ([10, 11], [12], [0, 1], None, "expected one number a bin in each"),
        ([], [], [], None, "expected one number a bin in each"),
        ([10, 11], [12, 13], [0, 2], None, r"Found treatment codes \[0, 2\]; expected 0, 1 … without gaps"),
        ([10, 11], [12, 13], [0, 0], None, r"Found treatment codes \[0\]"),
        ([10, 11], [12, 13], [0.0, 1.0], None, "Found treatment codes of type float64; expected whole numbers"),
        ([10, 11], [12, 13], [0, 1], ["a", "b"], "Found block codes of type <U1; expected whole numbers"),
    ],
)
def test_input_that_contradicts_itself(low, high, arm, block, words):
    with pytest.raises(DesignError, match=words):
        censored_times(low, high, arm, block)


def test_level_outside_its_range(ten_bins):
    with pytest.raises(DesignError, match="Found level 95; expected a number between 0 and 1"):
        censored_times(*ten_bins, ARM, None, level=95)


def test_the_record_is_frozen(three_arms):
    found = censored_times(*three_arms)
    with pytest.raises(FrozenInstanceError):
        found.level = 0.5
    with pytest.raises(ValueError, match="read-only"):
        found.ratio[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        found.bins[0] = 1
