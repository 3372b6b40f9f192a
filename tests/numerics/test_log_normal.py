"""CV and log-scale standard deviation, held against the moments of the distribution and the small-CV limit."""

import math

import pytest
from scipy import stats

from trialkit.numerics.log_normal import cv_of, sd_log_of


@pytest.mark.parametrize("cv", [0.01, 0.15, 0.5, 2.0])
def test_the_distribution_has_this_cv(cv):
    # scipy's own log-normal moments are the outside source
    law = stats.lognorm(s=sd_log_of(cv), scale=3.0)
    assert law.std() / law.mean() == pytest.approx(cv, rel=1e-12)
    assert cv_of(sd_log_of(cv)) == pytest.approx(cv, rel=1e-12)


def test_by_hand():
    assert sd_log_of(0.15) == pytest.approx(math.sqrt(math.log(1.0225)), rel=1e-14)
    assert sd_log_of(0.0) == 0.0 and cv_of(0.0) == 0.0
