"""Many responses at once against published answers, exact rational arithmetic and the general mixed model."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import DesignError
from trialkit.models import fit_mixed
from trialkit.numerics.many_responses import (
    least_squares_responses,
    many_responses,
)
from trialkit.numerics.response_design import SMALLEST_EIGENVALUE

REFERENCE = Path(__file__).resolve().parents[1] / "reference"


def blocks(count, treatments, lost=()):
    block = np.repeat(np.arange(count), treatments)
    treatment = np.tile(np.arange(treatments), count)
    kept = np.delete(np.arange(block.size), lost)
    return treatment[kept], block[kept]


# ---------------------------------------------------------------- published answers
@pytest.mark.parametrize("name", ["mixed_three_arm_blocks", "mixed_three_arm_blocks_two_lost", "mixed_npk_factorial"])
def test_published_comparisons(name):
    """Computed with R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2 (variances bounded at zero, none at the bound).

    The optimiser behind those numbers stops at about 1e-7 in the variances, so 1e-5 relative.
    """
    case = json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))
    data, call = case["data"], case["call"]
    block = np.unique(data["block"], return_inverse=True)[1]
    y = np.asarray(data[call["response"]], dtype=float)[:, None]
    main = [term[0] for term in call["fixed"] if len(term) == 1]
    factor = main[0]
    expected = case["expected"]["comparisons"][factor]
    if len(main) == 1:
        levels = expected["levels"]
        fixed = np.array([[label == level for level in levels] for label in data[factor]], dtype=float)
        weights = np.array([[(level == a) * 1.0 - (level == b) for level in levels] for a, b in expected["pair"]])
    else:
        half = {name: np.where(np.asarray(data[name]) == "1", 0.5, -0.5) for name in main}
        fixed = np.column_stack([np.ones(block.size), *half.values(), 2.0 * half["n"] * half["k"]])
        weights = np.eye(fixed.shape[1])[[1]]
    found = many_responses(y, fixed, block, weights, bounded=True)
    np.testing.assert_allclose(found.estimate[:, 0], expected["estimate"], rtol=1e-6)
    np.testing.assert_allclose(found.std_error[:, 0], expected["std_error"], rtol=1e-5)
    np.testing.assert_allclose(found.df[:, 0], expected["df"], rtol=1e-5)


def test_complete_blocks_are_the_analysis_of_variance():
    """By hand: in complete blocks the ratio is (MS_block/MS_error − 1)/treatments and df is (b − 1)(t − 1)."""
    treatment, block = blocks(4, 3)
    y = np.random.default_rng(5).normal(size=(12, 300)) + 0.3 * np.random.default_rng(6).normal(size=(4, 300))[block]
    cells = y.reshape(4, 3, 300)
    error = cells - cells.mean(0) - cells.mean(1, keepdims=True) + cells.mean((0, 1))
    ms_error = (error**2).sum((0, 1)) / 6
    ms_block = 3 * ((cells.mean(1) - cells.mean((0, 1))) ** 2).sum(0) / 3
    found = many_responses(y, np.eye(3)[treatment], block, [-1, 1, 0])
    inside = ~found.at_bound
    assert inside.sum() > 250
    assert (found.ratio < 0).sum() > 50
    np.testing.assert_allclose(found.ratio[inside], ((ms_block / ms_error - 1) / 3)[inside], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(found.df[inside], 6.0, rtol=1e-9)
    np.testing.assert_allclose(found.std_error[inside], np.sqrt(ms_error / 2)[inside], rtol=1e-9)
    fixed = least_squares_responses(y, np.column_stack([np.eye(3)[treatment], np.eye(4)[block]]), [-1, 1] + [0] * 5)
    np.testing.assert_allclose(fixed.estimate, found.estimate, rtol=0, atol=1e-12)
    np.testing.assert_allclose(fixed.std_error, np.sqrt(ms_error / 2), rtol=1e-10)
    assert fixed.df == 6


# ---------------------------------------------------------------- exact arithmetic
def product(a, b):
    return [[sum(x * y for x, y in zip(row, column, strict=True)) for column in zip(*b, strict=True)] for row in a]


def inverse(matrix):
    n = len(matrix)
    rows = [[Fraction(x) for x in row] + [Fraction(i == j) for j in range(n)] for i, row in enumerate(matrix)]
    for i in range(n):
        pivot = next(k for k in range(i, n) if rows[k][i] != 0)
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [x / rows[i][i] for x in rows[i]]
        for k in range(n):
            if k != i:
                rows[k] = [x - rows[k][i] * y for x, y in zip(rows[k], rows[i], strict=True)]
    return [row[n:] for row in rows]


def kenward_roger_exactly(fixed, group, weights, ratio):
    """SE²/σ² and df, the matrices of Kenward & Roger (1997, Biometrics 53:983) written out in fractions."""
    n = len(group)
    x = [[Fraction(int(v)) for v in row] for row in fixed]
    xt = [list(row) for row in zip(*x, strict=True)]
    column = [[Fraction(int(w))] for w in weights]
    g = [[[Fraction(int(group[i] == group[j])) for j in range(n)] for i in range(n)]]
    g.append([[Fraction(int(i == j)) for j in range(n)] for i in range(n)])
    v = [[g[1][i][j] + ratio * g[0][i][j] for j in range(n)] for i in range(n)]
    vi = inverse(v)
    xv, vx = product(xt, vi), product(vi, x)
    phi = inverse(product(xv, x))
    p = [[[-value for value in row] for row in product(product(xv, a), vx)] for a in g]
    q = [[product(product(product(xv, a), product(vi, b)), vx) for b in g] for a in g]

    def trace(a):
        return sum(a[i][i] for i in range(len(a)))

    def at(matrix):
        return product(product([[w[0] for w in column]], matrix), column)[0][0]

    pairs = [(r, s) for r in (0, 1) for s in (0, 1)]
    info = [[Fraction(0)] * 2 for _ in range(2)]
    for r, s in pairs:
        info[r][s] = (
            trace(product(product(vi, g[r]), product(vi, g[s])))
            - 2 * trace(product(phi, q[r][s]))
            + trace(product(product(phi, p[r]), product(phi, p[s])))
        ) / 2
    w = inverse(info)
    plain = at(phi)
    u = [at(product(product(phi, p[r]), phi)) / plain for r in (0, 1)]
    bend = [[at(product(product(phi, q[r][s]), phi)) for s in (0, 1)] for r in (0, 1)]
    twice = [[at(product(product(product(phi, p[r]), phi), product(p[s], phi))) for s in (0, 1)] for r in (0, 1)]
    extra = sum(w[r][s] * (bend[r][s] - twice[r][s]) for r, s in pairs)
    total = sum(w[r][s] * u[r] * u[s] for r, s in pairs)
    return float(plain + 2 * extra), float(2 / total)


@pytest.mark.parametrize("lost", [(8,), (0, 5)])
def test_standard_error_and_df_follow_the_paper_exactly(lost):
    treatment, block = blocks(3, 3, lost)
    fixed = np.eye(3)[treatment]
    y = np.random.default_rng(8).normal(size=(block.size, 200))
    y[:, 100:] += 3.0 * np.random.default_rng(9).normal(size=(3, 100))[block]
    found = many_responses(y, fixed, block, [-1, 1, 0])
    shown = [int(np.argmin(found.ratio)), int(np.argmax(found.ratio)), *range(0, 200, 50)]
    assert found.at_bound[shown[0]]
    for column in shown:
        unit, df = kenward_roger_exactly(fixed, block, [-1, 1, 0], Fraction(float(found.ratio[column])))
        assert found.std_error[column] ** 2 / found.residual_variance[column] == pytest.approx(unit, rel=1e-9)
        # Near the end of the domain V has a condition of 1e4, and df lose digits before the standard error does.
        assert found.df[column] == pytest.approx(df, rel=1e-6)


# ---------------------------------------------------------------- the general mixed model
@pytest.mark.parametrize("bounded", [False, True])
def test_agrees_with_the_general_mixed_model(bounded):
    random = np.random.default_rng(2024)
    compared = refused = negative = 0
    for spread in (0.0, 0.5, 2.0, 20.0) * 3:
        count, treatments = int(random.integers(2, 7)), int(random.integers(2, 5))
        lost = random.permutation(count * treatments)[: random.integers(0, 4)]
        treatment, block = blocks(count, treatments, lost)
        present = np.unique(treatment)
        if present.size < 2:
            continue
        y = 5.0 + random.normal(size=(block.size, 3)) + spread * random.normal(size=(count, 3))[block]
        weights = np.zeros(present.size)
        weights[:2] = -1.0, 1.0
        try:
            found = many_responses(y, (treatment[:, None] == present) * 1.0, block, weights, bounded)
        except DesignError:
            found = None
        for column in range(3):
            frame = pd.DataFrame({"y": y[:, column], "t": [f"t{i}" for i in treatment], "b": [f"b{i}" for i in block]})
            try:
                fit = fit_mixed(frame, response="y", fixed=[["t"]], random=[["b"]], bounded=bounded)
                one = fit.difference({"t": f"t{present[1]}"}, {"t": f"t{present[0]}"})
            except DesignError:
                assert found is None or found.refused[column]
                refused += 1
                continue
            assert found is not None and not found.refused[column]
            assert found.estimate[column] == pytest.approx(one.estimate, rel=1e-6, abs=1e-9)
            # At the end of the domain the matrix form loses digits; exact fractions side with the one here.
            tolerance = 2e-5 if found.at_bound[column] else 1e-6
            assert found.std_error[column] == pytest.approx(one.std_error, rel=tolerance)
            assert found.df[column] == pytest.approx(one.df, rel=1e-6)
            ratio = fit.components["b"] / fit.components["residual"]
            assert found.ratio[column] == pytest.approx(ratio, rel=1e-6, abs=1e-6)
            compared += 1
            negative += ratio < 0
    assert compared >= 15
    assert (negative > 3) is not bounded


def test_deepest_of_several_valleys():
    """One bin lost, blocks alike: the likelihood may fall again towards the end of the domain. A grid of 4,000 ratios
    finds no better place than the answer."""
    treatment, block = blocks(4, 3, (11,))
    fixed = np.eye(3)[treatment]
    y = np.random.default_rng(1).normal(size=(11, 400))
    found = many_responses(y, fixed, block, [-1, 1, 0])
    basis = np.linalg.qr(fixed, mode="complete")[0][:, 3:]
    z = basis.T @ y
    inside = basis.T @ (block[:, None] == np.arange(4))

    def deviance(ratio, columns):
        value, vector = np.linalg.eigh(np.eye(8) + ratio * inside @ inside.T)
        return np.log(value).sum() + 8 * np.log((((vector.T @ z[:, columns]) ** 2).T / value).sum(axis=1))

    lowest = (SMALLEST_EIGENVALUE - 1.0) / 3.0
    best = np.full(400, np.inf)
    for ratio in lowest + np.geomspace(1e-9, 1e4, 4000):
        best = np.minimum(best, deviance(ratio, slice(None)))
    answer = np.array([deviance(found.ratio[c], [c])[0] for c in range(400)])
    assert (answer - best).max() < 1e-9


# ---------------------------------------------------------------- laws
def test_shapes_and_laws():
    treatment, block = blocks(5, 3, (2, 7))
    fixed = np.eye(3)[treatment]
    y = np.random.default_rng(4).normal(size=(13, 50))
    both = np.array([[-1.0, 1, 0], [-1, 0, 1]])
    found = many_responses(y, fixed, block, both)
    alone = many_responses(y, fixed, block, both[1])
    assert found.estimate.shape == found.df.shape == found.refused.shape == (2, 50)
    assert alone.estimate.shape == alone.std_error.shape == alone.ratio.shape == (50,)
    np.testing.assert_allclose(found.std_error[1], alone.std_error, rtol=1e-12)
    assert not found.estimate.flags.writeable
    order = np.random.default_rng(5).permutation(13)
    intercept = np.column_stack([np.ones(13), fixed])  # one column too many
    moved = many_responses(100.0 - 3.0 * y[order], intercept[order], 7 - block[order], [0.0, -1, 0, 1])
    np.testing.assert_allclose(moved.estimate, -3.0 * alone.estimate, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(moved.std_error, 3.0 * alone.std_error, rtol=1e-7)
    np.testing.assert_allclose(moved.df, alone.df, rtol=1e-7)


def test_the_answer_does_not_depend_on_what_stands_beside_it():
    treatment, block = blocks(4, 3, (11,))
    y = np.random.default_rng(4).normal(size=(11, 21000))
    whole = many_responses(y, np.eye(3)[treatment], block, [-1, 1, 0])
    part = many_responses(y[:, 10235:10260], np.eye(3)[treatment], block, [-1, 1, 0])
    np.testing.assert_allclose(whole.std_error[10235:10260], part.std_error, rtol=1e-9)


# ---------------------------------------------------------------- refusals
def test_refusals_of_a_whole_design():
    treatment, block = blocks(4, 2)
    y = np.random.default_rng(3).normal(size=(8, 2))
    fixed = np.eye(2)[treatment]
    with pytest.raises(DesignError, match="Contrast 1 cannot be estimated"):
        many_responses(y, np.column_stack([np.ones(8), fixed]), block, [1, 0, 0])
    with pytest.raises(DesignError, match="1 group leaves one kind of difference only"):
        many_responses(y, fixed, np.zeros(8, dtype=int), [-1, 1])
    with pytest.raises(DesignError, match="variance between groups cannot be told"):
        many_responses(y, fixed, np.arange(8), [-1, 1])
    with pytest.raises(DesignError, match="2 bins and 2 effects to estimate leave no degrees of freedom"):
        many_responses(y[:2], fixed[:2], block[:2], [-1, 1])
    with pytest.raises(DesignError, match="2 bins and 2 effects"):
        least_squares_responses(y[:2], fixed[:2], [-1, 1])


def test_refusals_of_single_responses():
    treatment, block = blocks(4, 2)
    y = np.random.default_rng(3).normal(size=(8, 3))
    y[:, 1] = 2.0  # nothing varies
    y[:, 2] = np.array([1.0, 5, 2, 8])[block] + 0.5 * treatment  # nothing varies inside blocks
    found = many_responses(y, np.eye(2)[treatment], block, [-1, 1])
    assert found.refused.tolist() == [False, True, True]
    assert np.isnan(found.std_error[1:]).all() and np.isnan(found.df[1:]).all()
    assert np.isfinite([found.std_error[0], found.df[0]]).all()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"y": np.zeros(8)}, r"y: found shape \(8,\); expected \(bins, responses\)"),
        ({"y": np.full((8, 2), np.nan)}, "y: found a number that is missing or not finite"),
        ({"fixed": np.eye(7)}, r"fixed: found shape \(7, 7\); expected \(8, coefficients\)"),
        ({"groups": np.arange(7)}, "groups: found shape"),
        ({"groups": np.arange(8) * 0.5}, "groups: found float64; expected integer codes"),
        ({"weights": [1.0, -1.0, 0.0]}, r"weights: found shape \(3,\); expected one weight a coefficient \(2\)"),
        ({"weights": [0.0, 0.0]}, "weights: found a contrast whose weights are all zero"),
    ],
)
def test_arrays_that_do_not_fit(change, sentence):
    treatment, block = blocks(4, 2)
    call = {"y": np.ones((8, 2)), "fixed": np.eye(2)[treatment], "groups": block, "weights": [-1.0, 1.0]}
    with pytest.raises(ValueError, match=sentence):
        many_responses(**{**call, **change})


def test_the_room_offers_the_function_itself():
    import trialkit.numerics

    assert trialkit.numerics.many_responses is many_responses
