"""Least squares in strata against published analyses of variance, and against general least squares."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.numerics.strata import fit_strata, strata_design

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = sorted(REFERENCE.glob("strata_*.json"))


def load(name):
    return json.loads((REFERENCE / f"strata_{name}.json").read_text(encoding="utf-8"))


def arrays(case):
    """(n,) y, treatment codes with the control first, block codes or None, and the names."""
    data = case["data"]
    names = list(dict.fromkeys([case["control"], *data["treatment"]]))
    blocks = list(dict.fromkeys(data["block"])) if data["block"] else None
    y = np.log(data["y"]) if case["scale"] == "log" else np.array(data["y"])
    block = np.array([blocks.index(b) for b in data["block"]]) if blocks else None
    return y, np.array([names.index(t) for t in data["treatment"]]), block, names


def solved(case):
    y, treatment, block, names = arrays(case)
    design = strata_design(treatment, block)
    return design, fit_strata(design, y), names


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_published_analysis_of_variance(path):
    case = json.loads(path.read_text(encoding="utf-8"))
    expected, tolerance = case["expected"], case["tolerance"]
    design, fit, _ = solved(case)
    found = {
        "treatment_ss": float(fit.treatment_mean_square * design.treatment_df),
        "block_ss": float(fit.block_mean_square * design.block_df),
        "error_ss": float(fit.error_mean_square * design.error_df),
        "error_ms": float(fit.error_mean_square),
        "f": float(fit.f),
        "p": float(fit.p),
        "treatment_df": design.treatment_df,
        "block_df": design.block_df,
        "error_df": design.error_df,
        "n0": design.n0,
    }
    checked = [key for key in found if key in expected]
    assert checked or "pooled" in expected
    for key in checked:
        assert found[key] == pytest.approx(expected[key], abs=tolerance.get(key, 1e-9)), key


def test_certified_f_to_twelve_digits():
    case = load("nist_sirstv")
    _, fit, _ = solved(case)
    assert float(fit.f) == pytest.approx(case["expected"]["f"], rel=1e-11)


def test_missing_plot_is_predicted_as_by_the_missing_plot_formula():
    """Snedecor & Cochran, soybean failures: Yates' formula gives 7.125 for the lost plot."""
    case = load("soybean_missing_plot")
    y, treatment, block, names = arrays(case)
    design = strata_design(treatment, block)
    fit = fit_strata(design, y)
    # Prediction for T1 in replication 3: its adjusted mean plus what the block lies above the average block.
    effect = fit.means - fit.means.mean()
    third = y[block == 2] - effect[treatment[block == 2]]
    assert float(third.mean() + effect[names.index("T1")]) == pytest.approx(7.125, abs=1e-9)


def test_geometric_means_and_block_variance_of_the_three_arms():
    case = load("three_arms")
    expected = case["expected"]
    _, fit, names = solved(case)
    for name, value in expected["geometric_means"].items():
        assert np.exp(fit.means[names.index(name)]) == pytest.approx(value, abs=5.1e-9)
    # R, lme4: the restricted likelihood of complete blocks gives the same two variances where none is negative.
    assert float(fit.block_variance) == pytest.approx(expected["block_variance"], rel=1e-7)
    assert float(fit.error_mean_square) == pytest.approx(expected["residual_variance"], rel=1e-7)


def test_block_variance_may_be_negative():
    """Two blocks with the same total: mean square of blocks 0, so (0 − MS error)/2."""
    design = strata_design([0, 1, 0, 1], [0, 0, 1, 1])
    fit = fit_strata(design, [1.0, 4.0, 2.0, 3.0])
    assert float(fit.block_mean_square) == pytest.approx(0.0, abs=1e-12)
    assert float(fit.error_mean_square) == pytest.approx(1.0)
    assert float(fit.block_variance) == pytest.approx(-0.5)


def random_layouts(count=60):
    generator = np.random.default_rng(41)
    for _ in range(count):
        arms, blocks = generator.integers(2, 5), generator.integers(2, 6)
        full = [(i, j) for i in range(arms) for j in range(blocks) for _ in range(generator.integers(1, 3))]
        kept = generator.permutation(len(full))[: generator.integers(len(full) // 3 + 1, len(full) + 1)]
        arm, block = (np.array(codes) for codes in zip(*[full[k] for k in kept], strict=True))
        yield arm, np.unique(block, return_inverse=True)[1], int(arms)


def test_any_pattern_equals_general_least_squares():
    """Estimability by rank, estimates and standard errors by the pseudo-inverse, mean squares by model comparison."""
    generator = np.random.default_rng(42)
    seen_unconnected = 0
    for arm, block, arms in random_layouts():
        y = generator.normal(size=arm.size)
        design = strata_design(arm, block, treatments=arms)
        fit = fit_strata(design, y)
        x, z = np.eye(arms)[arm], np.eye(block.max() + 1)[block]
        both = np.hstack([x, z])
        beta, *_ = np.linalg.lstsq(both, y, rcond=None)
        rank = np.linalg.matrix_rank(both)

        def sse(columns, y=y):
            return float(np.sum((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2))

        assert design.error_df == y.size - rank
        assert design.treatment_df == rank - np.linalg.matrix_rank(z)
        assert design.block_df == rank - np.linalg.matrix_rank(x)
        if design.treatment_df:
            assert fit.treatment_mean_square * design.treatment_df == pytest.approx(sse(z) - sse(both), abs=1e-9)
        if design.block_df:
            assert fit.block_mean_square * design.block_df == pytest.approx(sse(x) - sse(both), abs=1e-9)
        inverse = np.linalg.pinv(both.T @ both)
        for i in range(arms):
            for j in range(arms):
                c = np.zeros(both.shape[1])
                c[i] += 1.0
                c[j] -= 1.0
                there = np.isin([i, j], arm).all()
                estimable = there and np.allclose(inverse @ both.T @ both @ c, c, atol=1e-8)
                assert design.connected[i, j] == estimable
                if not estimable:
                    seen_unconnected += 1
                    assert np.isnan(fit.differences[i, j])
                    continue
                assert fit.differences[i, j] == pytest.approx(c @ beta, abs=1e-9)
                if design.error_df > 0:
                    variance = c @ inverse @ c * sse(both) / design.error_df
                    assert fit.std_errors[i, j] ** 2 == pytest.approx(variance, abs=1e-9)
    assert seen_unconnected > 0


def test_expected_block_mean_square_uses_n0():
    """E(MS block) = σ² + n₀ σ²_block by the trace of the quadratic form, on layouts of every kind."""
    checked = 0
    for arm, block, arms in random_layouts():
        design = strata_design(arm, block, treatments=arms)
        if design.block_df == 0:
            continue
        z = np.eye(block.max() + 1)[block]
        trace = np.trace(z.T @ design.block_projection @ z) / design.block_df
        assert design.n0 == pytest.approx(trace, rel=1e-9)
        checked += 1
    assert checked > 20


def test_two_unconnected_parts():
    """A, B in blocks 1 and 2, C, D in blocks 3 and 4: each part as by itself, error pooled."""
    arm, block = [0, 1, 0, 1, 2, 3, 2, 3], [0, 0, 1, 1, 2, 2, 3, 3]
    y = np.array([1.0, 2.0, 4.0, 7.0, 10.0, 12.0, 11.0, 17.0])
    design = strata_design(arm, block)
    fit = fit_strata(design, y)
    assert design.component.tolist() == [0, 0, 1, 1]
    assert (design.error_df, design.treatment_df, design.block_df) == (2, 2, 2)
    assert fit.differences[1, 0] == pytest.approx(2.0)
    assert fit.differences[3, 2] == pytest.approx(4.0)
    # Differences 1, 3 and 2, 6: variances 2 and 8, mean 5; a difference of two bins has twice the error variance.
    assert float(fit.error_mean_square) == pytest.approx(2.5)
    assert np.isnan(fit.differences[2, 0]) and np.isnan(fit.std_errors[2, 0])


def test_many_responses_are_many_single_ones():
    arm, block = [0, 1, 2, 0, 1, 0, 2, 1], [0, 0, 0, 1, 1, 2, 2, 2]
    y = np.random.default_rng(3).normal(50.0, 2.0, size=(8, 5))
    design = strata_design(arm, block)
    together = fit_strata(design, y)
    for s in range(5):
        single = fit_strata(design, y[:, s])
        for name in ("means", "differences", "std_errors", "error_mean_square", "block_variance", "f", "p"):
            np.testing.assert_allclose(getattr(together, name)[..., s], getattr(single, name), rtol=1e-10, atol=1e-10)


def test_without_blocks_means_and_pooled_error():
    design = strata_design([0, 0, 1, 1, 1])
    fit = fit_strata(design, [1.0, 3.0, 4.0, 5.0, 9.0])
    assert fit.means.tolist() == pytest.approx([2.0, 6.0])
    assert float(fit.error_mean_square) == pytest.approx((2.0 + 14.0) / 3.0)
    assert fit.std_errors[1, 0] == pytest.approx(np.sqrt(16.0 / 3.0 * (1 / 2 + 1 / 3)))
    assert design.block_df == 0 and np.isnan(fit.block_variance)
    expected = stats.ttest_ind([4.0, 5.0, 9.0], [1.0, 3.0])
    assert float(fit.p) == pytest.approx(expected.pvalue, rel=1e-10)


def test_treatment_without_a_bin():
    fit = fit_strata(strata_design([0, 0, 2, 2], treatments=3), [1.0, 2.0, 5.0, 6.0])
    assert np.isnan(fit.means[1]) and np.isnan(fit.differences[1, 0])
    assert fit.differences[2, 0] == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("treatment", "block", "message"),
    [
        ([0.5, 1.0], None, "treatment: expected a filled vector of whole numbers"),
        ([], None, "treatment: expected a filled vector of whole numbers"),
        ([0, 1], [0], "block: found 1 codes; expected one for each of 2 bins"),
        ([0, 1], [0, 2], "block: expected every code up to the largest to have a bin"),
    ],
)
def test_codes_that_do_not_fit(treatment, block, message):
    with pytest.raises(ValueError, match=message):
        strata_design(treatment, block)


def test_response_that_does_not_fit():
    with pytest.raises(ValueError, match="expected 2 rows, one a bin"):
        fit_strata(strata_design([0, 1]), [1.0, 2.0, 3.0])
