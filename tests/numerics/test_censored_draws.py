"""The draws against exact answers, and short chains against long ones."""

import numpy as np
import pytest
from scipy import signal, stats

from trialkit.numerics.censored_draws import BURN_IN, CHAINS, KEPT, draw_means, prepare_layout

TAILS = np.array([0.025, 0.25, 0.5, 0.75, 0.975])
SHORT = {"chains": CHAINS, "burn_in": BURN_IN, "kept": KEPT}


def differences(layout, low, high, floor, flat_sigma, seed, **size):
    draws = draw_means(
        layout,
        np.reshape(low, (-1, 1)),
        np.reshape(high, (-1, 1)),
        np.array([floor]),
        flat_sigma=flat_sigma,
        rng=np.random.default_rng(seed),
        **(size or SHORT),
    )
    return draws[1, 0] - draws[0, 0]


def probabilities_at(draws, exact):
    """Share of draws below the exact quantiles: standard error about 0.003 in the middle for 20,000 that are free."""
    return (draws[:, None] <= exact).mean(axis=0)


@pytest.fixture
def blocks():
    """Four blocks of two treatments, the last bin of either treatment late."""
    arm, block = np.tile([0, 1], 4), np.repeat(np.arange(4), 2)
    y = np.array([3.30, 3.12, 3.41, 3.20, 3.22, 3.16, 3.52, 3.29])
    return arm, block, y


@pytest.mark.parametrize("flat_sigma", [False, True])
def test_completely_random_and_all_finished_is_the_t_distribution(flat_sigma):
    arm = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    y = np.array([3.30, 3.41, 3.22, 3.52, 3.12, 3.20, 3.16, 3.29])
    df = 6 - flat_sigma
    rss = sum(((y[arm == code] - y[arm == code].mean()) ** 2).sum() for code in (0, 1))
    exact = stats.t.ppf(TAILS, df, y[4:].mean() - y[:4].mean(), np.sqrt(rss / df / 2))
    draws = differences(prepare_layout(arm, None), y, y, 0.0, flat_sigma, 1)
    assert probabilities_at(draws, exact) == pytest.approx(TAILS, abs=0.012)


@pytest.mark.parametrize("flat_sigma", [False, True])
def test_blocks_and_all_finished_is_the_mixture_over_block_spread(blocks, flat_sigma):
    """Given δ the difference is t; δ is integrated on 399 points with plain matrices, apart from the code tested."""
    arm, block, y = blocks
    x = np.column_stack([arm == 0, arm == 1]).astype(float)
    z = (block[:, None] == np.arange(4)).astype(float)
    twice_shape = 8 - 2 - 1 - flat_sigma
    points = np.linspace(0.0, 1.0, 401)[1:-1]
    weight, centre, scale = [], [], []
    for t in points:
        delta = 2.0 * t / (1 - t)
        v_inverse = np.linalg.inv(np.eye(8) + delta**2 * z @ z.T)
        information = x.T @ v_inverse @ x
        beta = np.linalg.solve(information, x.T @ v_inverse @ y)
        rss = (y - x @ beta) @ v_inverse @ (y - x @ beta)
        log_v = -np.linalg.slogdet(v_inverse)[1] + np.linalg.slogdet(information)[1]
        weight.append(-0.5 * log_v - 0.5 * twice_shape * np.log(rss) - 2 * np.log(1 - t))
        c = np.array([-1.0, 1.0])
        centre.append(c @ beta)
        scale.append(np.sqrt(rss / twice_shape * c @ np.linalg.solve(information, c)))
    weight = np.exp(np.array(weight) - max(weight))
    grid = np.linspace(-1.5, 1.0, 1001)
    below = (weight[:, None] * stats.t.cdf(grid, twice_shape, np.array(centre)[:, None], np.array(scale)[:, None])).sum(
        0
    )
    exact = np.interp(TAILS, below / weight.sum(), grid)
    draws = differences(prepare_layout(arm, block), y, y, 0.0, flat_sigma, 2)
    assert probabilities_at(draws, exact) == pytest.approx(TAILS, abs=0.012)


def exact_with_one_unfinished(y, bound, floor):
    """Treatment 0 has ``y[0]`` and one bin beyond ``bound``, treatment 1 ``y[1]``; quantiles by sums over a grid.

    p(β0, β1, log σ) ∝ Π φ((y − β)/σ)/σ · Φ((β0 − bound)/σ), σ² ≥ floor; the difference by convolution.
    """
    log_sigma = np.linspace(np.log(np.sqrt(floor)) if floor else -5.5, 2.5, 200)
    step = 0.008
    beta = np.arange(-3.0, 10.0, step)
    total = np.zeros(2 * beta.size - 1)
    for s in np.exp(log_sigma):
        first = np.exp(stats.norm.logpdf(np.array(y[0])[:, None], beta, s).sum(axis=0)) * stats.norm.sf(bound, beta, s)
        second = np.exp(stats.norm.logpdf(np.array(y[1])[:, None], beta, s).sum(axis=0))
        total += signal.fftconvolve(second, first[::-1])
    cumulative = np.cumsum(total) / total.sum()
    centre = (np.arange(total.size) - (beta.size - 1)) * step
    return np.interp(TAILS, cumulative, centre + step / 2)


@pytest.mark.parametrize("floor", [0.0, 0.03])
def test_one_unfinished_bin_against_sums_over_a_grid(floor):
    y, bound = ([3.0, 3.3, 3.1], [2.8, 2.6, 2.9, 3.0]), 3.35
    exact = exact_with_one_unfinished(y, bound, floor)
    arm = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    low = np.array([*y[0], bound, *y[1]])
    high = low.copy()
    high[3] = np.inf
    draws = differences(prepare_layout(arm, None), low, high, floor, False, 3)
    assert probabilities_at(draws, exact) == pytest.approx(TAILS, abs=0.015)
    if floor:  # the floor is well above what the data show, so it must widen the interval
        free = exact_with_one_unfinished(y, bound, 0.0)
        assert exact[-1] - exact[0] > 1.1 * (free[-1] - free[0])


@pytest.mark.parametrize("late", [(6,), (6, 7), (2, 6)])
def test_short_chains_stand_for_a_long_one(blocks, late):
    arm, block, low = blocks[0], blocks[1], blocks[2].copy()
    high = low.copy()
    low[list(late)], high[list(late)] = 3.4, np.inf
    layout = prepare_layout(arm, block)
    many_short = differences(layout, low, high, 0.0008, False, 4)
    few_long = differences(layout, low, high, 0.0008, False, 5, chains=10, burn_in=200, kept=4000)
    exact = np.quantile(few_long, TAILS)
    assert probabilities_at(many_short, exact) == pytest.approx(TAILS, abs=0.015)


def test_short_chains_reach_the_tails_that_four_finished_bins_leave():
    """Three blocks, four finished bins, one degree of freedom: tails far beyond the data, the hardest case allowed.

    Without the common stretch of spread and unfinished times short chains leave 0.9 instead of 2.5 % beyond an end.
    """
    arm, block = np.tile([0, 1], 3), np.repeat(np.arange(3), 2)
    low = np.array([3.29, 3.29, 3.28, 3.19, 3.24, 3.21])
    high = low.copy()
    high[:2] = np.inf
    layout = prepare_layout(arm, block)
    many_short = differences(layout, low, high, 0.0008, False, 14)
    few_long = differences(layout, low, high, 0.0008, False, 15, chains=20, burn_in=500, kept=4000)
    found = probabilities_at(many_short, np.quantile(few_long, TAILS))
    assert (np.abs(found - TAILS) < [0.006, 0.015, 0.015, 0.015, 0.006]).all()
    spread = np.quantile(few_long, [0.0025, 0.25, 0.75, 0.9975])
    assert spread[3] - spread[0] > 20 * (spread[2] - spread[1])


def test_grid_of_block_spread_is_fine_enough(blocks):
    arm, block, y = blocks
    coarse = differences(prepare_layout(arm, block), y, y, 0.0, False, 6, chains=2000, burn_in=5, kept=50)
    fine = differences(prepare_layout(arm, block, grid=300), y, y, 0.0, False, 7, chains=2000, burn_in=5, kept=50)
    assert probabilities_at(coarse, np.quantile(fine, TAILS)) == pytest.approx(TAILS, abs=0.008)


def test_known_from_the_other_side_is_the_mirror_image(blocks):
    arm, block, y = blocks
    low, high = y.copy(), y.copy()
    low[6], high[6] = 3.4, np.inf
    layout = prepare_layout(arm, block)
    right = differences(layout, low, high, 0.0, False, 8)
    left = differences(layout, -high, -low, 0.0, False, 9)
    assert probabilities_at(-left, np.quantile(right, TAILS)) == pytest.approx(TAILS, abs=0.03)


def test_nothing_known_of_a_bin_leaves_the_others_alone():
    """A bin never looked at (log time beyond −inf) adds nothing to a completely random comparison."""
    arm = np.array([0, 0, 0, 1, 1, 1, 1])
    low = np.array([3.3, 3.4, 3.2, 3.1, 3.2, 3.15, -np.inf])
    high = np.append(low[:6], np.inf)
    y = low[:6]
    rss = sum(((y[i : i + 3] - y[i : i + 3].mean()) ** 2).sum() for i in (0, 3))
    exact = stats.t.ppf(TAILS, 4, y[3:].mean() - y[:3].mean(), np.sqrt(rss / 4 * 2 / 3))
    draws = differences(prepare_layout(arm, None), low, high, 0.0, False, 10)
    assert probabilities_at(draws, exact) == pytest.approx(TAILS, abs=0.02)


def test_sets_side_by_side_do_not_touch_one_another(blocks):
    arm, block, y = blocks
    low = np.column_stack([y, y + 1.0, y])
    high = low.copy()
    low[6, 2], high[6, 2] = 3.4, np.inf
    draws = draw_means(
        prepare_layout(arm, block), low, high, np.zeros(3), flat_sigma=False, rng=np.random.default_rng(11), **SHORT
    )
    difference = draws[1] - draws[0]
    assert probabilities_at(difference[1], np.quantile(difference[0], TAILS)) == pytest.approx(TAILS, abs=0.02)
    assert np.median(draws[0, 1]) - np.median(draws[0, 0]) == pytest.approx(1.0, abs=0.01)
    alone = differences(prepare_layout(arm, block), low[:, 2], high[:, 2], 0.0, False, 12)
    assert probabilities_at(difference[2], np.quantile(alone, TAILS)) == pytest.approx(TAILS, abs=0.03)
