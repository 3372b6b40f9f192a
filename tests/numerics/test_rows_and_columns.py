"""Latin squares by least squares: a published square, and any pattern of lost bins against general least squares."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.numerics.rows_and_columns import line_variance, square_design
from trialkit.numerics.strata import fit_strata

REFERENCE = Path(__file__).parents[1] / "reference"


def maize():
    case = json.loads((REFERENCE / "square_maize.json").read_text(encoding="utf-8"))
    data = case["data"]
    codes = [
        np.array([sorted(set(data[part])).index(name) for name in data[part]])
        for part in ("treatment", "row", "column")
    ]
    return case, codes, np.array(data["y"])


def test_published_latin_square():
    """Gomez & Gomez, Table 2.7."""
    case, (treatment, row, column), y = maize()
    expected, tolerance = case["expected"], case["tolerance"]
    square = square_design(treatment, row, column, treatments=4)
    fit = fit_strata(square.strata, y)
    assert square.strata.error_df == expected["error_df"]
    assert (square.rows.df, square.columns.df, square.rows.n0) == (3, 3, pytest.approx(4.0))
    sums = {"row_ss": square.rows.projection, "column_ss": square.columns.projection}
    for name, projection in sums.items():
        assert np.sum((projection @ y) ** 2) == pytest.approx(expected[name], abs=tolerance["ss"])
    assert fit.treatment_mean_square * 3 == pytest.approx(expected["treatment_ss"], abs=tolerance["ss"])
    assert fit.error_mean_square * 6 == pytest.approx(expected["error_ss"], abs=tolerance["ss"])
    assert float(fit.f) == pytest.approx(expected["f"], abs=tolerance["f"])
    assert float(fit.p) == pytest.approx(expected["p"], abs=tolerance["p"])
    assert fit.means.tolist() == pytest.approx(list(expected["means"].values()))
    error = float(fit.error_mean_square)
    assert line_variance(square.columns, y, error) == pytest.approx((0.827342 / 3 - error) / 4, abs=1e-6)
    assert line_variance(square.rows, y, error) < 0.0  # rows differ by less than bins do: returned as it is


def squares_with_lost_bins(count=60):
    random = np.random.default_rng(12)
    for _ in range(count):
        t = int(random.integers(3, 6))
        square = (np.arange(t)[:, None] + np.arange(t)[None, :]) % t
        row, column = np.indices((t, t))
        kept = np.sort(random.permutation(t * t)[: int(random.integers(t, t * t + 1))])
        codes = [part.ravel()[kept] for part in (square, row, column)]
        yield t, [np.unique(part, return_inverse=True)[1] if k else part for k, part in enumerate(codes)]


def test_any_pattern_equals_general_least_squares():
    random = np.random.default_rng(13)
    apart = 0
    for t, (arm, row, column) in squares_with_lost_bins():
        y = random.normal(size=arm.size)
        square = square_design(arm, row, column, treatments=t)
        design, fit = square.strata, fit_strata(square.strata, y)
        x, rows, columns = np.eye(t)[arm], np.eye(row.max() + 1)[row], np.eye(column.max() + 1)[column]
        both = np.hstack([x, rows, columns])
        rank = np.linalg.matrix_rank(both)
        beta = np.linalg.lstsq(both, y, rcond=None)[0]
        sse = float(np.sum((y - both @ beta) ** 2))
        assert design.error_df == arm.size - rank
        assert design.treatment_df == rank - np.linalg.matrix_rank(np.hstack([rows, columns]))
        assert square.rows.df == rank - np.linalg.matrix_rank(np.hstack([x, columns]))
        inverse = np.linalg.pinv(both.T @ both, rcond=1e-10)
        for i, j in itertools.permutations(range(t), 2):
            c = np.zeros(both.shape[1])
            c[i], c[j] = 1.0, -1.0
            there = np.isin([i, j], arm).all()
            told = there and np.allclose(inverse @ both.T @ both @ c, c, atol=1e-8)
            assert design.connected[i, j] == told
            if not told:
                apart += 1
                assert np.isnan(fit.differences[i, j])
                continue
            assert fit.differences[i, j] == pytest.approx(c @ beta, abs=1e-9)
            if design.error_df > 0:
                assert fit.std_errors[i, j] ** 2 == pytest.approx(c @ inverse @ c * sse / design.error_df, abs=1e-9)
    assert apart > 0


def test_expected_mean_square_of_rows_uses_n0():
    for t, (arm, row, column) in squares_with_lost_bins(20):
        line = square_design(arm, row, column, treatments=t).rows
        if line.df < 1:
            assert np.isnan(line_variance(line, np.zeros(arm.size), 0.0))
            continue
        z = np.eye(row.max() + 1)[row]
        assert line.n0 == pytest.approx(np.trace(z.T @ line.projection @ z) / line.df)


def test_codes_that_do_not_fit():
    with pytest.raises(ValueError, match="row, column: found 1 and 2 codes; expected one for each of 2 bins"):
        square_design([0, 1], [0], [0, 1], treatments=2)
    with pytest.raises(ValueError, match="treatment: found the code 3; expected codes below 2"):
        square_design([0, 3], [0, 1], [0, 1], treatments=2)
