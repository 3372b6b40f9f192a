"""What V is made of."""

import numpy as np
import pytest

from trialkit.numerics.variance_structures import DesignVariance, SlopeGroup, variance_structure


def test_covariance_is_the_sum_of_its_parts():
    block = np.array([0, 0, 1, 1])
    structure = variance_structure(4, design=[DesignVariance("block", block)], known=np.array([0.1, 0.2, 0.3, 0.4]))
    assert structure.names == ("block", "residual")
    expected = [[3.1, 2, 0, 0], [2, 3.2, 0, 0], [0, 0, 3.3, 2], [0, 0, 2, 3.4]]
    assert structure.covariance(np.array([2.0, 1.0])) == pytest.approx(np.array(expected))


def test_slopes_are_z_sigma_z():
    group = np.array([0, 0, 0, 1, 1])
    columns = np.column_stack([np.ones(5), [0.0, 1, 2, 0, 3]])
    structure = variance_structure(5, slopes=[SlopeGroup(("level", "day"), group, columns)])
    assert structure.names == ("level", "covariance of level and day", "day", "residual")
    sigma = np.array([[4.0, -1.0], [-1.0, 2.0]])
    expected = np.equal.outer(group, group) * (columns @ sigma @ columns.T) + 0.5 * np.eye(5)
    positions = structure.slopes[0]
    theta = np.zeros(4)
    theta[positions] = sigma
    theta[structure.residual[0]] = 0.5
    assert structure.covariance(theta) == pytest.approx(expected)


def test_residual_variances_by_group():
    codes = np.array([0, 1, 1])
    structure = variance_structure(3, residual_codes=codes, residual_names=("fine", "rough"))
    assert structure.covariance(np.array([2.0, 5.0])) == pytest.approx(np.diag([2.0, 5, 5]))
    assert structure.residual == (0, 1)


def test_matrices_are_read_only():
    structure = variance_structure(2)
    with pytest.raises(ValueError, match="read-only"):
        structure.matrices[0, 0, 0] = 3.0


def test_lengths_and_signs_are_checked():
    with pytest.raises(ValueError, match="block: found 2 rows; expected 3"):
        variance_structure(3, design=[DesignVariance("block", np.array([0, 1]))])
    with pytest.raises(ValueError, match="known variance: expected finite numbers of at least 0"):
        variance_structure(2, known=np.array([1.0, -1.0]))
