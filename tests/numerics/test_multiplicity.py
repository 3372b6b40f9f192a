"""Holm's adjustment against hand figures and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.numerics.multiplicity import holm


def test_by_hand():
    assert holm([0.01, 0.04, 0.03, 0.005]).tolist() == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_equals_statsmodels():
    from statsmodels.stats.multitest import multipletests

    generator = np.random.default_rng(11)
    for size in (1, 2, 5, 12):
        p = generator.uniform(size=size) ** 3
        np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], rtol=1e-12)


def test_at_most_one_and_ties():
    assert holm([0.6, 0.9, 0.6]).tolist() == [1.0, 1.0, 1.0]


@pytest.mark.parametrize("p", [[0.1, 1.2], [float("nan")], 0.1])
def test_anything_but_probabilities(p):
    with pytest.raises(ValueError, match="expected a vector of numbers from 0 to 1"):
        holm(p)
