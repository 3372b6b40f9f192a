"""Design matrices: sum-to-zero factors, slopes, marginal rows."""

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.numerics.design_matrix import Factor, Slope, fixed_design, sum_to_zero

A = Factor("a", ("p", "q", "r"), np.array([0, 1, 2, 0, 1, 2]))
B = Factor("b", ("u", "v"), np.array([0, 0, 0, 1, 1, 1]))
T = Slope("t", np.array([1.0, 2, 4, 3, 7, 7]))
VARIABLES = {"a": A, "b": B, "t": T}


def test_coding_by_hand():
    assert sum_to_zero(3) == pytest.approx(np.array([[1.0, 0], [0, 1], [-1, -1]]))
    design = fixed_design(6, [("a",), ("t",)], VARIABLES)
    expected = [[1, 1, 0, 1], [1, 0, 1, 2], [1, -1, -1, 4], [1, 1, 0, 3], [1, 0, 1, 7], [1, -1, -1, 7]]
    assert design.x == pytest.approx(np.array(expected, dtype=float))
    assert design.names == ("intercept", "a p", "a q", "t")
    assert design.columns == {("a",): slice(1, 3), ("t",): slice(3, 4)}


def test_interactions_are_products():
    design = fixed_design(6, [("a",), ("b",), ("a", "b")], VARIABLES)
    x = design.x
    assert x[:, 4] == pytest.approx(x[:, 1] * x[:, 3])
    assert x[:, 5] == pytest.approx(x[:, 2] * x[:, 3])
    assert design.names[4:] == ("a p × b u", "a q × b u")


def test_marginal_rows_average_what_is_not_named():
    design = fixed_design(6, [("a",), ("b",), ("a", "b")], VARIABLES)
    cells = np.array([design.row({"a": i, "b": j}) for i in range(3) for j in range(2)])
    assert cells == pytest.approx(design.x[[0, 3, 1, 4, 2, 5]])
    assert design.row({"a": 2}) == pytest.approx(cells[4:].mean(axis=0))
    assert design.row({}) == pytest.approx(cells.mean(axis=0))


def test_slopes_stand_at_their_average():
    # A slope that differs between levels of a: its own column and the products with a.
    design = fixed_design(12, [("a",), ("t",), ("a", "t")], {"a": doubled(A), "t": Slope("t", np.arange(12.0) ** 2)})
    average = np.mean(np.arange(12.0) ** 2)
    assert design.row({"a": 0}) == pytest.approx([1, 1, 0, average, average, 0])
    assert design.row({"a": 0, "t": 2.0}) == pytest.approx([1, 1, 0, 2, 2, 0])
    assert design.row({}) == pytest.approx([1, 0, 0, average, 0, 0])
    assert design.level_rows("a") == pytest.approx(np.array([design.row({"a": k}) for k in range(3)]))


def test_rows_of_all_levels_are_the_single_rows():
    design = fixed_design(6, [("b",), ("a",), ("a", "b")], VARIABLES)
    for name in ("a", "b"):
        single = [design.row({name: k}) for k in range(len(VARIABLES[name].levels))]
        assert design.level_rows(name) == pytest.approx(np.array(single))


def doubled(factor):
    return Factor(factor.name, factor.levels, np.concatenate([factor.codes, factor.codes]))


def test_a_slope_may_differ_between_levels_with_a_common_start():
    design = fixed_design(12, [("t",), ("a", "t")], {"a": doubled(A), "t": Slope("t", np.arange(12.0))})
    assert design.x.shape == (12, 4)


def test_many_empty_cells_are_counted():
    cells = Factor("c", tuple("klmnopqr"), np.array([0, 1, 2, 3, 4, 5, 6, 7]))
    other = Factor("d", ("y", "z"), np.array([0, 0, 0, 0, 0, 0, 0, 1]))
    with pytest.raises(DesignError, match=r'no row has c "k" with d "z", .* and 2 more, so the interaction'):
        fixed_design(8, [("c",), ("d",), ("c", "d")], {"c": cells, "d": other})


def test_a_column_twice_in_a_term_is_refused():
    with pytest.raises(DesignError, match=r'\["a", "a"\] names a column twice'):
        fixed_design(6, [("a", "a")], VARIABLES)
