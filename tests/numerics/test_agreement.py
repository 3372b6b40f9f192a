"""Cohen's kappa: the table by hand, a second program, refusals."""

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from trialkit.errors import DesignError
from trialkit.numerics.agreement import cohen_kappa


def test_two_raters_by_hand():
    """Observed (20 + 15)/50 = 0.7; by chance (25·30 + 25·20)/2500 = 0.5; κ = 0.2/0.5."""
    found = cohen_kappa([[20, 5], [10, 15]])
    assert found.kappa == pytest.approx(0.4, abs=1e-12)
    assert (found.observed, found.expected, found.pairs) == pytest.approx((0.7, 0.5, 50))


@pytest.mark.parametrize("table", [[[20, 5], [10, 15]], [[8, 2, 0], [1, 9, 3], [0, 2, 7]], [[1, 9], [8, 2]]])
def test_standard_error_agrees_with_an_independent_program(table):
    found, other = cohen_kappa(table), cohens_kappa(np.array(table))
    assert found.kappa == pytest.approx(other.kappa, abs=1e-12)
    assert found.std_error == pytest.approx(other.std_kappa, abs=1e-12)


def test_full_agreement_is_one():
    found = cohen_kappa([[4, 0], [0, 6]])
    assert (found.kappa, found.std_error) == pytest.approx((1.0, 0.0))


def test_one_category_only_has_no_value():
    with pytest.raises(DesignError, match="same category; chance alone would agree"):
        cohen_kappa([[5, 0], [0, 0]])


def test_tables_that_do_not_fit_are_refused():
    with pytest.raises(DesignError, match="as many rows as columns"):
        cohen_kappa([[1, 2, 3], [4, 5, 6]])
    with pytest.raises(DesignError, match="not counts"):
        cohen_kappa([[1.5, 2], [4, 5]])
    with pytest.raises(DesignError, match="no pair of ratings"):
        cohen_kappa([[0, 0], [0, 0]])
