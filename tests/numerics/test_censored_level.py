"""The time of one treatment: t interval, draws, exact bounds, refusals."""

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import DesignError
from trialkit.numerics.censored_level import censored_level

INF = np.inf


def test_all_finished_is_the_one_sample_t_on_log_midpoints():
    low = np.array([27.0, 33.0, 30.0, 36.0, 30.0])
    y = np.log(low + 1.5)
    found = censored_level(low, low + 3)
    exact = stats.t.interval(0.95, 4, y.mean(), y.std(ddof=1) / np.sqrt(5))
    assert np.log([found.time, found.low, found.high]) == pytest.approx([y.mean(), *exact])
    assert (found.df, found.rule, found.level_attained, found.bins, found.finished) == (4.0, 1, 0.95, 5, 5)


def test_floor_holds_where_midpoints_hardly_differ():
    low = np.array([21.0] * 11 + [28.0])
    floor = np.mean(np.log((low + 7) / low) ** 2) / 12
    assert np.log(low + 3.5).var(ddof=1) < floor
    found = censored_level(low, low + 7)
    assert np.log(found.high / found.time) == pytest.approx(stats.t.ppf(0.975, 11) * np.sqrt(floor / 12))


def test_unfinished_bin_against_sums_over_a_grid():
    """p(β, log σ) ∝ Π φ((y − β)/σ)/σ · Φ((β − bound)/σ), summed over a grid."""
    y, bound = np.log([24.0, 27.0, 30.0, 26.0]), np.log(31.0)
    beta, s = np.linspace(2.0, 6.0, 2001), np.exp(np.linspace(-5, 2.5, 400))[:, None]
    log_p = stats.norm.logpdf(y[:, None, None], beta, s).sum(axis=0) + stats.norm.logsf(bound, beta, s)
    density = np.exp(log_p - log_p.max()).sum(axis=0)
    exact = np.interp([0.025, 0.5, 0.975], np.cumsum(density) / density.sum(), beta)
    day = np.exp(np.append(y, bound))
    found = censored_level(day, np.append(np.exp(y), INF), seed=4)
    assert found.rule == 2
    assert np.isnan(found.df)
    assert np.log([found.low, found.time, found.high]) == pytest.approx(exact, abs=0.02)


def test_order_of_rows_and_unit_do_not_matter():
    low, high = np.array([24.0, 27, 30, 33]), np.array([27.0, 30, 33, INF])
    found = censored_level(low, high, seed=2)
    turned = censored_level(24 * low[::-1], 24 * high[::-1], seed=2)
    assert (turned.low, turned.time, turned.high) == pytest.approx((24 * found.low, 24 * found.time, 24 * found.high))


def test_none_finished_is_a_bound():
    found = censored_level([40.0, 42.0, 41.0, 40.0], [INF] * 4)
    assert (found.rule, found.low, found.high, found.level_attained) == (4, 40.0, INF, 15 / 16)
    assert found.reasons == (
        "None of 4 bins finished: the median time is at least 40 days (one-sided, confidence 93.8 %).",
    )


def test_one_window_is_its_own_interval():
    found = censored_level([24.0] * 6, [31.0] * 6)
    assert (found.rule, found.low, found.high, found.level_attained) == (4, 24.0, 31.0, 1 - 2**-5)
    assert "All 6 bins finished between day 24 and day 31" in found.reasons[0]


def test_one_finished_has_no_interval():
    found = censored_level([24.0, 40.0, 40.0], [27.0, INF, INF])
    assert found.rule == 3
    assert np.isnan([found.time, found.low, found.high, found.level_attained]).all()
    assert found.reasons == (
        "1 of 3 bins finished, fewer than two of them between two visits: no interval for the time.",
    )


def test_input_that_contradicts_itself():
    with pytest.raises(DesignError, match="Row 1: found a time from day 30 to day 20"):
        censored_level([20.0, 30.0], [23.0, 20.0])
    with pytest.raises(DesignError, match="expected two bins or more"):
        censored_level([20.0], [23.0])
    with pytest.raises(DesignError, match="Found level 2"):
        censored_level([20.0, 21.0], [23.0, 24.0], level=2)
