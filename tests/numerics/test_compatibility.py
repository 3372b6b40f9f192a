"""The curve of compatibility against printed t tables, and its own laws."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.numerics.compatibility import compatibility, fit_of, widening


def test_the_curve_meets_the_printed_t_quantiles() -> None:
    # two-sided 5 % and 1 % points of t on 6 df: 2.447 and 3.707 (printed t tables, e.g. Snedecor & Cochran)
    assert fit_of(2.4469, 0.0, 1.0, 6.0) == pytest.approx(0.05, abs=1e-5)
    assert fit_of(-3.7074, 0.0, 1.0, 6.0) == pytest.approx(0.01, abs=1e-5)


def test_live_over_killed_of_three_arms_in_blocks() -> None:
    # ln ratio 0.0819234, SE 0.0146342, 6 df: t 5.598, p 0.0014 by hand calculation on the analysis of variance
    assert fit_of(0.0, 0.0819234, 0.0146342, 6.0) == pytest.approx(0.0014, abs=5e-5)
    assert widening(0.0819234, 0.117732, 0.0146342, 6.0, 0.95) == pytest.approx(1.0, abs=1e-4)


def test_the_curve_is_one_at_the_estimate_and_symmetric() -> None:
    curve = compatibility(0.2, 0.05, 4.0, points=101)
    assert curve.fits.max() == pytest.approx(1.0) and curve.effect[50] == pytest.approx(0.2)
    assert np.allclose(curve.fits, curve.fits[::-1])
    assert np.all(np.diff(curve.fits[:51]) > 0) and np.all(np.diff(curve.effect) > 0)
    assert curve.fits[0] == pytest.approx(0.002) and not curve.fits.flags.writeable


def test_a_widened_curve_meets_the_wider_interval() -> None:
    # Dunnett's two-sided 5 % point for 2 treatments and 6 df is 2.86 (Dunnett 1964, table)
    wide = widening(0.0, 2.8628, 1.0, 6.0, 0.95)
    assert fit_of(2.8628, 0.0, 1.0, 6.0, widened=wide) == pytest.approx(0.05, abs=1e-9)
    assert fit_of(2.4469, 0.0, 1.0, 6.0, widened=wide) > 0.05


@pytest.mark.parametrize(("std_error", "df"), [(0.0, 6.0), (1.0, 0.0), (float("nan"), 6.0)])
def test_a_curve_without_spread_or_df_is_refused(std_error: float, df: float) -> None:
    with pytest.raises(DesignError, match=r"expected the first two above 0 and a level between 0 and 1\."):
        compatibility(0.0, std_error, df)
