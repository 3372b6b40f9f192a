"""What a rate ratio hangs on: the shape of the curve, the errors of k, and whether rates or days are compared."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from trialkit.contrasts import compare
from trialkit.models import check_curves, fit_bins
from trialkit.outcomes import bin_values, stretched_rates
from trialkit.records import Bin, Layout, Plan, Readings, Refusal, Source, Trial

T = np.array([0, 2, 4, 7, 10, 14, 18, 23, 28, 35, 42, 50, 60], float)


def trial_of(curves, *, noise=0.0, settings=None, seed=1):
    """One bin a curve: (treatment, k, V∞, shape); volumes in litres from 100."""
    rng = np.random.default_rng(seed)
    levels = [
        (end + (100 - end) * np.exp(-((k * T) ** shape))) * np.exp(noise * rng.standard_normal(T.size))
        for _, k, end, shape in curves
    ]
    n = len(curves)
    readings = Readings(
        bin=np.repeat(np.arange(n), T.size).astype(np.intp),
        day=np.tile(T, n),
        columns={"volume_l": np.concatenate(levels)},
        row_file=np.zeros(n * T.size, dtype=np.intp),
        row_line=np.arange(2, n * T.size + 2, dtype=np.intp),
        row_visit=np.arange(n * T.size, dtype=np.intp),
    )
    bins = tuple(Bin(f"B{i}", curve[0]) for i, curve in enumerate(curves))
    plan = Plan("water", layout=Layout("completely random", "common"), outcome_settings=settings or {})
    return Trial(
        "here", plan, bins, readings, (), (Source("readings.csv", "0" * 64, n * T.size),), n * T.size, n * T.size
    )


def check_of(trial, times=()):
    values = bin_values(trial, "decay_rate")
    (found,) = check_curves(values, compare(fit_bins(values)), stretched_rates(trial, values), times)
    return found


def test_where_the_one_pool_curve_is_right_the_free_shape_changes_little():
    rates = [0.048, 0.050, 0.053, 0.049]
    curves = [("water", k, 40, 1.0) for k in rates] + [("live", 1.3 * k, 40, 1.0) for k in rates[::-1]]
    found = check_of(trial_of(curves, noise=0.004))
    assert found.stretched == pytest.approx(1.3, rel=0.05)
    assert found.moves_too_far is False
    assert found.stretched_bins == (4, 4)
    assert found.known[0] == pytest.approx(found.ratio, rel=0.02)
    assert found.known[1] < found.ratio < found.known[2]


def test_where_shapes_differ_by_treatment_the_ratio_moves_by_more_than_its_half_width():
    rates = [0.0497, 0.0500, 0.0504, 0.0501]  # bins more alike, so that the range is narrow
    curves = [("water", k, 40, 1.0) for k in rates] + [("live", k, 40, 1.8) for k in rates[::-1]]
    found = check_of(trial_of(curves, noise=0.002))
    assert found.moves_too_far is True
    # half-times: ln 2^(1/1.8) against ln 2, so that the ratio of rates by half-time is ln 2^(1 − 1/1.8), by hand
    assert found.stretched == pytest.approx(math.log(2) ** (1 - 1 / 1.8), rel=0.05)


def test_rate_and_time_disagree_where_end_levels_do_and_the_reason_is_told():
    """k 0.04 in both, V∞ 40 and 25: at half of the start days 44.8 and 27.5 (by hand), so rates say 1 and days 0.61."""
    rates = [0.0396, 0.0400, 0.0404, 0.0402]
    curves = [("water", k, 40, 1.0) for k in rates] + [("live", k, 25, 1.0) for k in rates[::-1]]
    trial = trial_of(curves, noise=0.002, settings={"days_to_threshold": {"from": "volume_l", "percent_of_start": 50}})
    times = compare(fit_bins(bin_values(trial, "days_to_threshold")))
    found = check_of(trial, times)
    assert found.ratio == pytest.approx(1.0, abs=0.05)
    assert found.time[0] == pytest.approx(0.61, abs=0.06)
    assert found.time_outcome == "days_to_threshold"
    assert found.end_levels == pytest.approx((0.25, 0.40), abs=0.02)
    (reason,) = [text for text in found.reasons if "inverse" in text]
    assert "end at 25 % (live) and 40 % (water) of their start on average" in reason


def test_with_one_end_level_the_two_agree_and_nothing_is_said():
    rates = [0.048, 0.050, 0.053, 0.049]
    curves = [("water", k, 40, 1.0) for k in rates] + [("live", 1.25 * k, 40, 1.0) for k in rates[::-1]]
    trial = trial_of(curves, noise=0.002, settings={"days_to_threshold": {"from": "volume_l", "percent_of_start": 60}})
    found = check_of(trial, compare(fit_bins(bin_values(trial, "days_to_threshold"))))
    assert found.time[0] * found.ratio == pytest.approx(1.0, abs=0.1)
    assert not [text for text in found.reasons if "inverse" in text]


def test_too_few_bins_with_a_shape_are_told():
    curves = [("water", k, 40, 1.0) for k in (0.05, 0.052, 0.049)] + [
        ("live", k, 40, 1.0) for k in (0.06, 0.063, 0.061)
    ]
    trial = trial_of(curves, noise=0.003)
    values = bin_values(trial, "decay_rate")
    none = replace(values, values=tuple(replace(v, value=None, reason="no shape") for v in values.values))
    (found,) = check_curves(values, compare(fit_bins(values)), none)
    assert found.moves_too_far is None
    assert "0 bins of live and 0 of water" in found.reasons[0]


def test_a_curve_with_two_points_has_no_rate_and_no_second_look():
    curves = [("water", 0.05, 40, 1.0)] * 2 + [("live", 0.06, 40, 1.0)] * 2
    trial = trial_of(curves)
    few = trial.readings.day < 3
    readings = replace(
        trial.readings,
        bin=trial.readings.bin[few],
        day=trial.readings.day[few],
        columns={"volume_l": trial.readings.columns["volume_l"][few]},
        row_file=trial.readings.row_file[few],
        row_line=trial.readings.row_line[few],
        row_visit=np.arange(int(few.sum()), dtype=np.intp),
    )
    short = replace(
        trial, readings=readings, plan=replace(trial.plan, outcome_settings={"decay_rate": {"from": "volume_l"}})
    )
    found = bin_values(short, "decay_rate")
    assert isinstance(found, Refusal)
    assert isinstance(stretched_rates(short, found), Refusal)
    assert check_curves(found, (found,), found) == ()
