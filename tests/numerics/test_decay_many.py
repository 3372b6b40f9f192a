"""Many curves on the same days at once: every number held against the fit of each curve alone."""

import numpy as np
import pytest

from trialkit.numerics.decay import fit_decay
from trialkit.numerics.decay_many import fit_decay_of_many

DAYS = {
    "weekly": np.arange(0.0, 60.0, 7.0),
    "uneven, first visit late": np.array([3.0, 5, 9, 16, 17, 30, 44, 61]),
    "twice on some days": np.array([0.0, 0, 4, 8, 8, 15, 22, 36, 50]),
    "out of order": np.array([21.0, 0, 7, 35, 14, 49, 28, 42]),
}


def noisy_curves(days, seed):
    """Curves that these days tell well, too slow ones, over too soon, rising ones and pure noise, in equal parts."""
    rng = np.random.default_rng(seed)
    k = np.concatenate([rng.uniform(low, high, 12) for low, high in ((0.03, 0.12), (0.001, 0.01), (0.8, 3.0))])
    falling = 40.0 + 60.0 * np.exp(-np.outer(k, days))
    curves = np.vstack([falling, 140.0 - falling[:12], np.full((12, days.size), 70.0)])
    return curves * (1.0 + 0.01 * rng.standard_normal(curves.shape))


@pytest.mark.parametrize("given", [{}, {"end": 40.0}, {"start": 100.0}, {"start": 100.0, "end": 40.0}])
@pytest.mark.parametrize("days", DAYS.values(), ids=DAYS)
def test_as_each_curve_alone(days, given):
    levels = noisy_curves(days, 1)
    many = fit_decay_of_many(days, levels, **given)
    alone = [fit_decay(days, row, **given) for row in levels]
    assert (many.slowest, many.fastest) == (alone[0].slowest, alone[0].fastest)
    assert many.has_dip.tolist() == [fit.has_dip for fit in alone]
    assert many.identified.tolist() == [fit.identified for fit in alone]
    assert {True, False} == set(many.identified.tolist())
    for name in ("rss", "low", "high"):
        np.testing.assert_allclose(getattr(many, name), [getattr(fit, name) for fit in alone], rtol=1e-8, err_msg=name)
    told = many.has_dip  # elsewhere the rate is a step of the scan, and the levels are not told by the readings
    for name in ("rate", "start", "end"):
        own = np.array([getattr(fit, name) for fit in alone])
        np.testing.assert_allclose(getattr(many, name)[told], own[told], rtol=1e-8, err_msg=name)


def test_exact_curves_and_more_curves_than_go_through_at_once():
    days = DAYS["weekly"]
    k = np.linspace(0.02, 0.15, 1200)
    many = fit_decay_of_many(days, 40.0 + 60.0 * np.exp(-np.outer(k, days)))
    np.testing.assert_allclose(many.rate, k, rtol=1e-10)
    np.testing.assert_allclose(many.start, 100.0, rtol=1e-10)
    np.testing.assert_allclose(many.end, 40.0, rtol=1e-9)
    assert many.identified.all()


def test_what_one_curve_alone_refuses():
    days = np.array([0.0, 7, 14, 21, 28])
    good = 40.0 + 60.0 * np.exp(-0.05 * days)
    for bad, said in (
        (np.full(5, 3.0), "all levels are equal"),
        (np.where(days == 7, np.nan, good), "must be finite"),
    ):
        with pytest.raises(ValueError, match=said):
            fit_decay_of_many(days, np.array([good, bad]))
    with pytest.raises(ValueError, match="4 readings on 3 days are the least"):
        fit_decay_of_many(days[:3], good[None, :3])
    with pytest.raises(ValueError, match="curves × days, found shape"):
        fit_decay_of_many(days, good)
