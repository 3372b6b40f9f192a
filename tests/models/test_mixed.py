"""The general mixed model on tables: exact cases, independent second fits, and what it refuses."""

import dataclasses
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from trialkit.errors import DesignError
from trialkit.models.mixed import Difference, MarginalMean, MixedFit, fit_mixed


def blocks(values, treatments="xyz"):
    """Complete blocks: values (blocks, treatments)."""
    values = np.asarray(values, dtype=float)
    count, width = values.shape
    return pd.DataFrame(
        {
            "block": np.repeat([f"b{i}" for i in range(count)], width),
            "treatment": np.tile(list(treatments[:width]), count),
            "value": values.ravel(),
        }
    )


# Box, Hunter & Hunter, Statistics for Experimenters: penicillin yield, 5 blends × 4 processes.
PENICILLIN = [[89, 88, 97, 94], [84, 77, 92, 79], [81, 87, 87, 85], [87, 92, 89, 84], [79, 81, 80, 88]]


# ------------------------------------------------------------------ exact by hand
def test_one_way_by_hand():
    # Groups (1, 3), (4, 6), (8, 8): means 2, 5, 8; MS between 18 (2 df), within 4/3 (3 df).
    frame = pd.DataFrame({"group": list("aabbcc"), "value": [1.0, 3, 4, 6, 8, 8]})
    fit = fit_mixed(frame, response="value", fixed=[], random=[["group"]])
    assert fit.components == pytest.approx({"group": (18 - 4 / 3) / 2, "residual": 4 / 3})
    mean = fit.mean({})
    assert (mean.estimate, mean.std_error, mean.df) == pytest.approx((5.0, np.sqrt(18 / 6), 2.0))
    half = stats.t.ppf(0.975, 2) * np.sqrt(3)
    assert (mean.low, mean.high, mean.level) == pytest.approx((5 - half, 5 + half, 0.95))


def test_no_random_term_is_least_squares():
    x = np.array([0.0, 1, 2, 3, 4, 7])
    y = np.array([1.0, 2.5, 2.0, 4.5, 4.0, 8.0])
    fit = fit_mixed({"x": x, "y": y}, response="y", fixed=["x"])
    line = stats.linregress(x, y)
    assert fit.coefficients["x"] == pytest.approx(line.slope)
    slope = fit.difference({"x": 1.0}, {"x": 0.0})
    assert (slope.std_error, slope.df, slope.p) == pytest.approx((line.stderr, 4.0, line.pvalue))
    assert fit.mean({}).estimate == pytest.approx(y.mean())  # at the average of the slope
    assert fit.terms == {"x": "slope"}
    residual = y - line.intercept - line.slope * x
    s2 = residual @ residual / 4
    design = np.column_stack([np.ones(6), x])
    minus_two = 4 * np.log(2 * np.pi * s2) + np.linalg.slogdet(design.T @ design)[1] + 4
    assert fit.log_likelihood == pytest.approx(-0.5 * minus_two, abs=1e-10)


# ------------------------------------------------------------------ balanced
def test_complete_blocks_published():
    # Published analysis of variance: blends MS 66, treatments F 1.239 (p .3387), residual MS 18.833 on 12 df.
    fit = fit_mixed(blocks(PENICILLIN, "ABCD"), response="value", fixed=["treatment"], random=[["block"]])
    residual = 226 / 12
    assert fit.components == pytest.approx({"block": (66 - residual) / 4, "residual": residual})
    test = fit.test("treatment")
    assert (test.df_num, test.df_den) == (3, pytest.approx(12.0))
    assert test.f == pytest.approx(1.239, abs=5e-4)
    assert test.p == pytest.approx(0.3387, abs=5e-5)
    assert [one.estimate for one in fit.means("treatment")] == pytest.approx([84, 85, 89, 86])


def test_blocks_fixed_or_random_agree_in_complete_layouts():
    frame = blocks(PENICILLIN, "ABCD")
    random = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"]).pairs("treatment")
    fixed = fit_mixed(frame, response="value", fixed=["treatment", "block"]).pairs("treatment")
    for a, b in zip(random, fixed, strict=True):
        assert dataclasses.astuple(a)[1:-1] == pytest.approx(dataclasses.astuple(b)[1:-1], rel=1e-9)


def test_comparisons_with_a_check_published():
    # Snedecor & Cochran, soybean seed failures, 5 replications: two-sided Dunnett limits and p.
    failures = {
        "check": [8, 10, 12, 13, 11],
        "one": [2, 6, 7, 11, 5],
        "two": [4, 10, 9, 8, 10],
        "three": [3, 5, 9, 10, 6],
        "four": [9, 7, 5, 5, 3],
    }
    frame = pd.DataFrame(
        [(name, str(k), v) for name, row in failures.items() for k, v in enumerate(row)],
        columns=["treatment", "replication", "failed"],
    )
    fit = fit_mixed(frame, response="failed", fixed=["treatment"], random=["replication"])
    found = {one.label: one for one in fit.compare("treatment", first="check")}
    first = found["one − check"]
    assert (first.low, first.high) == pytest.approx((-8.5835, -0.6165), abs=2e-4)
    labels = ["one − check", "two − check", "three − check", "four − check"]
    assert [found[label].p for label in labels] == pytest.approx([0.0217, 0.268, 0.0379, 0.0126], abs=5e-4)
    assert {one.adjustment for one in found.values()} == {"multivariate t"}


# ------------------------------------------------------------------ variance at or below zero
NEGATIVE = [[1, 2, 4], [4, 1, 2.5], [2, 4, 1], [2.2, 1.9, 3.0]]


def mean_squares(values):
    values = np.asarray(values, dtype=float)
    count, width = values.shape
    block = width * np.var(values.mean(axis=1), ddof=1)
    rest = values - values.mean(axis=1, keepdims=True) - values.mean(axis=0) + values.mean()
    return block, np.sum(rest**2) / ((count - 1) * (width - 1))


def test_negative_block_variance_is_the_analysis_of_variance_estimate():
    block, error = mean_squares(NEGATIVE)
    assert block < error
    fit = fit_mixed(blocks(NEGATIVE), response="value", fixed=["treatment"], random=["block"], bounded=False)
    assert fit.components == pytest.approx({"block": (block - error) / 3, "residual": error})
    one = fit.difference({"treatment": "x"}, {"treatment": "y"})
    assert (one.std_error, one.df) == pytest.approx((np.sqrt(2 * error / 4), 6.0))
    assert not fit.at_bound
    assert fit.min_eigenvalue == pytest.approx(block / error)
    assert fit.mean({}).std_error == pytest.approx(np.sqrt(block / 12))


def test_bounded_block_variance_stops_at_zero():
    fit = fit_mixed(blocks(NEGATIVE), response="value", fixed=["treatment"], random=["block"], bounded=True)
    block, error = mean_squares(NEGATIVE)
    assert fit.components == pytest.approx({"block": 0.0, "residual": (3 * block + 6 * error) / 9})
    assert fit.at_bound and fit.converged


def test_variance_at_the_edge_of_its_domain():
    # Equal block means: the unbounded estimate would make V singular; it stops at eigenvalue 1e-4.
    values = [[1, 2, 3], [2, 3, 1], [3, 1, 2], [1, 3, 2]]
    fit = fit_mixed(blocks(values), response="value", fixed=["treatment"], random=["block"], bounded=False)
    assert fit.at_bound
    assert fit.min_eigenvalue == pytest.approx(1e-4, rel=1e-3)


def split_plots(seed, whole):
    draw = np.random.default_rng(seed)
    rows = []
    for block in range(5):
        for variety in "uv":
            shift = draw.normal() * whole
            rows += [(f"b{block}", variety, dose, shift + draw.normal()) for dose in "pqr"]
    return pd.DataFrame(rows, columns=["block", "variety", "dose", "value"])


@pytest.mark.parametrize("seed", range(8))
def test_negative_variances_of_a_complete_split_plot(seed):
    frame = split_plots(seed, 0.0)
    fit = fit_mixed(
        frame,
        response="value",
        fixed=["variety", "dose", ["variety", "dose"]],
        random=[["block"], ["block", "variety"]],
        bounded=False,
    )
    # Textbook analysis of variance of a split plot, 5 blocks × 2 varieties × 3 doses.
    y = frame["value"].to_numpy().reshape(5, 2, 3)
    block = 6 * np.var(y.mean(axis=(1, 2)), ddof=1)
    plots = y.mean(axis=2)
    rest = plots - plots.mean(axis=1, keepdims=True) - plots.mean(axis=0) + plots.mean()
    whole = 3 * np.sum(rest**2) / 4
    inner = y - y.mean(axis=2, keepdims=True) - (y.mean(axis=0) - y.mean(axis=(0, 2))[:, None])
    error = np.sum(inner**2) / 16
    assert fit.components == pytest.approx(
        {"block": (block - whole) / 6, "variety within block": (whole - error) / 3, "residual": error}
    )
    assert fit.test("variety").df_den == pytest.approx(4.0)
    assert fit.test("dose").df_den == pytest.approx(16.0)


# ------------------------------------------------------------------ residual_by and known_variance
def test_two_residual_variances_are_welch():
    # Blood counts, the data of the SciPy documentation of Dunnett's test: control and drug B.
    control = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
    drug = [12.80, 9.68, 12.16, 9.20, 10.55]
    frame = pd.DataFrame({"arm": ["control"] * 6 + ["drug"] * 5, "count": control + drug})
    fit = fit_mixed(frame, response="count", fixed=["arm"], residual_by="arm")
    assert fit.components == pytest.approx(
        {"residual of control": np.var(control, ddof=1), "residual of drug": np.var(drug, ddof=1)}, rel=1e-7
    )
    welch = stats.ttest_ind(drug, control, equal_var=False)
    interval = welch.confidence_interval()
    one = fit.difference({"arm": "drug"}, {"arm": "control"})
    assert (one.df, one.p) == pytest.approx((welch.df, welch.pvalue), rel=1e-7)
    assert (one.low, one.high) == pytest.approx((interval.low, interval.high), rel=1e-7)


def test_a_family_with_unequal_residual_variances_is_bonferroni():
    draw = np.random.default_rng(8)
    frame = pd.DataFrame({"arm": list("aaaabbbbcccc"), "value": draw.normal(size=12) * np.repeat([1.0, 2, 4], 4)})
    fit = fit_mixed(frame, response="value", fixed=["arm"], residual_by="arm")
    alone = fit.difference({"arm": "c"}, {"arm": "a"})
    family = fit.compare("arm")[1]
    assert family.adjustment == "bonferroni"
    assert family.high - family.estimate == pytest.approx(stats.t.ppf(1 - 0.05 / 4, alone.df) * alone.std_error)
    assert family.p == pytest.approx(min(1.0, 2 * alone.p))


def test_two_residual_variances_beside_blocks_maximise_the_likelihood():
    draw = np.random.default_rng(4)
    frame = pd.DataFrame(
        {
            "block": np.repeat(list("abcdefgh"), 4),
            "method": np.tile(["fine", "fine", "rough", "rough"], 8),
            "value": np.repeat(draw.normal(size=8), 4) + draw.normal(size=32) * np.tile([0.5, 0.5, 1.5, 1.5], 8),
        }
    )
    fit = fit_mixed(frame, response="value", fixed=["method"], random=["block"], residual_by="method", bounded=True)
    assert fit.converged and not fit.at_bound
    x = np.column_stack([np.ones(32), np.tile([1.0, 1, -1, -1], 8)])
    y = frame["value"].to_numpy()

    def log_likelihood(block, fine, rough):
        # By the definition, from V in full.
        v = np.kron(np.eye(8), np.full((4, 4), block)) + np.diag(np.tile([fine, fine, rough, rough], 8))
        inverse = np.linalg.inv(v)
        information = x.T @ inverse @ x
        r = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
        parts = 30 * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
        return -0.5 * (parts + r @ inverse @ r)

    best = [fit.components[name] for name in ("block", "residual of fine", "residual of rough")]
    assert fit.log_likelihood == pytest.approx(log_likelihood(*best), abs=1e-9)
    for k in range(3):
        for factor in (0.97, 1.03):
            moved = list(best)
            moved[k] *= factor
            assert log_likelihood(*moved) < fit.log_likelihood


def test_equal_known_variances_only_shift_the_residual():
    y = np.array([1.0, 4.0, 2.5, 6.0, 3.0])
    fit = fit_mixed({"y": y}, response="y", fixed=[], known_variance=np.full(5, 0.7))
    assert fit.components["residual"] == pytest.approx(np.var(y, ddof=1) - 0.7)
    mean = fit.mean({})
    assert (mean.std_error, mean.df) == pytest.approx((np.std(y, ddof=1) / np.sqrt(5), 4.0))
    larger = fit_mixed({"y": y}, response="y", fixed=[], known_variance=np.full(5, 40.0))
    assert larger.components["residual"] == 0.0
    assert larger.at_bound
    assert larger.reml.phi[0, 0] == pytest.approx(40.0 / 5)


# ------------------------------------------------------------------ independent second fit
def second_fit(frame, response, design, groups, slope=None):
    """statsmodels: β, and the variances it reports."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own notes on convergence; the numbers are compared below
        z = None if slope is None else np.column_stack([np.ones(len(frame)), frame[slope]])
        model = sm.MixedLM(frame[response].to_numpy(dtype=float), design, groups=frame[groups], exog_re=z)
        found = model.fit(reml=True, method=["bfgs", "powell"], gtol=1e-9)
    return np.asarray(found.fe_params), np.asarray(found.cov_re), float(found.scale)


@pytest.mark.parametrize("lost", [(), (0,), (2, 7), (1, 6, 14)])
def test_second_fit_of_blocks(lost):
    frame = blocks(PENICILLIN, "ABCD").drop(index=list(lost))
    fit = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"], bounded=True)
    assert not fit.at_bound
    beta, between, residual = second_fit(frame, "value", fit.design.x, "block")
    # Its optimiser stops at 1e-5 or so of a variance.
    assert list(fit.coefficients.values()) == pytest.approx(beta, rel=1e-4)
    assert fit.components["block"] == pytest.approx(float(between[0, 0]), rel=1e-3)
    assert fit.components["residual"] == pytest.approx(residual, rel=1e-3)


@pytest.mark.parametrize("rows", [60, 47])
def test_second_fit_of_random_slopes(rows):
    draw = np.random.default_rng(21)
    bins = np.repeat(np.arange(10), 6)
    day = np.tile([0.0, 3, 6, 10, 15, 21], 10)
    value = 50 + draw.normal(0, 4, 10)[bins] + (1.2 + draw.normal(0, 0.5, 10)[bins]) * day + draw.normal(0, 2, 60)
    frame = pd.DataFrame({"bin": [f"b{i}" for i in bins], "day": day, "value": value})
    frame = frame.iloc[np.sort(draw.permutation(60)[:rows])]
    fit = fit_mixed(frame, response="value", fixed=["day"], random=[{"within": ["bin"], "slopes": ["day"]}])
    assert fit.converged and not fit.at_bound
    beta, between, residual = second_fit(frame, "value", fit.design.x, "bin", slope="day")
    names = [
        "intercept within bin",
        "covariance of intercept within bin and slope of day within bin",
        "slope of day within bin",
    ]
    found = [fit.components[name] for name in names]
    assert list(fit.coefficients.values()) == pytest.approx(beta, rel=1e-4)
    assert found == pytest.approx([between[0, 0], between[0, 1], between[1, 1]], rel=2e-3)
    assert fit.components["residual"] == pytest.approx(residual, rel=1e-3)


def test_singular_slope_covariance_is_said():
    # All bins have the same slope and intercept: nothing between them.
    draw = np.random.default_rng(2)
    frame = pd.DataFrame({"bin": np.repeat(list("abcdef"), 5), "day": np.tile(np.arange(5.0), 6)})
    frame["value"] = 3 + 0.5 * frame["day"] + draw.normal(size=30)
    fit = fit_mixed(frame, response="value", fixed=["day"], random=[{"within": ["bin"], "slopes": ["day"]}])
    assert fit.at_bound and fit.converged
    a, c, b = (fit.components[name] for name in list(fit.components)[:3])
    assert a >= 0 and b >= 0 and a * b - c * c >= -1e-10


def test_crossed_terms_are_named_and_fitted():
    draw = np.random.default_rng(6)
    frame = pd.DataFrame([(i, j) for i in range(4) for j in range(4)], columns=["row", "column"])
    frame["treatment"] = ["abcd"[(i + j) % 4] for i in range(4) for j in range(4)]
    frame["value"] = draw.normal(size=16) + frame["row"]
    fit = fit_mixed(frame, response="value", fixed=["treatment"], random=[["row"], ["column"]], bounded=False)
    assert set(fit.components) == {"row", "column", "residual"}
    assert fit.test("treatment").df_den == pytest.approx(6.0)  # the residual of a 4 × 4 Latin square


# ------------------------------------------------------------------ the record
def test_the_record_says_what_was_done():
    frame = blocks(PENICILLIN, "ABCD")
    frame["day"] = np.arange(20.0)
    fit = fit_mixed(frame, response="value", fixed=["treatment", "day"], random=["block"], level=0.9)
    assert isinstance(fit, MixedFit)
    assert fit.terms == {"treatment": "factor", "day": "slope"}
    assert (fit.level, fit.rows, fit.bounded, fit.converged) == (0.9, 20, False, True)
    assert fit.information_condition >= 1
    assert list(fit.coefficients) == ["intercept", "treatment A", "treatment B", "treatment C", "day"]
    assert fit.covariance.shape == (5, 5)
    assert isinstance(fit.mean({}), MarginalMean) and fit.mean({}).level == 0.9
    assert isinstance(fit.pairs("treatment")[0], Difference)
    assert fit.mean({"treatment": "A", "day": 3}).label == "treatment A, day 3"
    with pytest.raises(dataclasses.FrozenInstanceError):
        fit.level = 0.5
    with pytest.raises(ValueError, match="read-only"):
        fit.covariance[0, 0] = 1.0


def test_numbers_named_as_factors_are_factors():
    frame = pd.DataFrame({"dose": [0.2, 0.4, 1.0] * 3, "value": [1.0, 2, 4, 2, 2, 5, 1, 3, 4]})
    fit = fit_mixed(frame, response="value", fixed=["dose"], factors=["dose"])
    assert fit.terms == {"dose": "factor"}
    assert fit.design.variables["dose"].levels == ("0.2", "0.4", "1")
    assert fit.mean({"dose": 0.2}).estimate == fit.mean({"dose": "0.2"}).estimate == pytest.approx(4 / 3)
    assert fit_mixed(frame, response="value", fixed=["dose"]).terms == {"dose": "slope"}


def test_categorical_columns_keep_their_order():
    frame = blocks(NEGATIVE)
    frame["treatment"] = pd.Categorical(frame["treatment"], ["z", "x", "y"])
    fit = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"])
    assert [one.label for one in fit.compare("treatment")] == ["x − z", "y − z"]
    assert [one.label for one in fit.pairs("treatment")] == ["x − z", "y − z", "y − x"]


def test_names_are_data():
    name = "__import__('os').system('x')"
    frame = blocks(NEGATIVE).rename(columns={"treatment": name, "block": 'Q("y")', "value": "y ~ 1 + (1|x)"})
    fit = fit_mixed(frame, response="y ~ 1 + (1|x)", fixed=[[name]], random=[['Q("y")']])
    assert list(fit.components) == ['Q("y")', "residual"]
    assert fit.test([name]).df_num == 2


def test_a_frame_with_gaps_in_its_index_counts_positions():
    frame = blocks(PENICILLIN, "ABCD")
    shuffled = frame.sample(frac=1.0, random_state=3)
    a = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"])
    b = fit_mixed(shuffled, response="value", fixed=["treatment"], random=["block"])
    assert a.log_likelihood == pytest.approx(b.log_likelihood, abs=1e-10)


# ------------------------------------------------------------------ refusals
FRAME = blocks(PENICILLIN, "ABCD").assign(day=np.arange(20.0), copy=lambda f: f["block"], one="same")


def fit(**changes):
    frame = changes.pop("frame", FRAME)
    call = {"response": "value", "fixed": [["treatment"]], "random": [["block"]]} | changes
    return fit_mixed(frame, **call)


def nested(drop=()):
    return split_plots(1, 1.0).drop(index=list(drop))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: fit(response="valu"),
            'response: found "valu", which is no column; expected one of block, treatment, value, day, copy, one. '
            'Nearest is "value".',
        ),
        (
            lambda: fit(fixed=["treatmant"], random=["blok"]),
            'fixed: found "treatmant", which is no column; expected one of block, treatment, value, day, copy, one. '
            'Nearest is "treatment".\nrandom: found "blok", which is no column; expected one of block, treatment, '
            'value, day, copy, one. Nearest is "block".',
        ),
        (
            lambda: fit(frame=FRAME.assign(value=FRAME["value"].where(FRAME.index % 7 != 3))),
            'response: column "value" has no finite value in rows 3, 10, 17; expected a whole column. '
            "Fill the cells, or leave these rows out yourself.",
        ),
        (
            lambda: fit(frame=FRAME.assign(block=FRAME["block"].where(FRAME.index != 5))),
            'random: column "block" has no finite value in row 5; expected a whole column. '
            "Fill the cells, or leave these rows out yourself.",
        ),
        (
            lambda: fit(response="treatment", fixed=[]),
            "response: column \"treatment\" holds 'A', 'B', 'C'; expected numbers.",
        ),
        (
            lambda: fit(fixed=["value"]),
            'response: "value" also stands among the terms; a column cannot explain itself.',
        ),
        (
            lambda: fit(serial={"within": "block"}),
            "serial: correlation between successive readings is not available yet; leave it out.",
        ),
        (lambda: fit(level=95), "level: found 95; expected a number between 0 and 1, such as 0.95."),
        (
            lambda: fit(fixed="treatment"),
            "fixed: found 'treatment'; expected a list of terms such as [[\"block\"]].",
        ),
        (
            lambda: fit(random=[{"within": ["block"]}]),
            'random: found the keys [\'within\']; expected "within" and "slopes", as in '
            '{"within": ["bin"], "slopes": ["day"]}.',
        ),
        (lambda: fit(factors=["day"]), 'factors: ["day"] stands in no term. Leave it out of `factors`.'),
        (
            lambda: fit(fixed=["treatment", ["treatment", "day"]]),
            'fixed: found ["treatment", "day"] without ["day"]; an interaction is tested beside the terms inside it. '
            'Add ["day"].',
        ),
        (
            lambda: fit(fixed=["treatment", "treatment"]),
            "fixed: the same term stands there twice, or an empty one; name each term once.",
        ),
        (
            lambda: fit(fixed=["one"]),
            'fixed: "one" has a single level, "same"; a factor needs at least two. Leave it out.',
        ),
        (
            lambda: fit(fixed=["treatment", "block", "copy"], random=[]),
            'fixed: the terms have 12 coefficients but the rows can separate only 8; ["block"] and ["copy"] say the '
            "same thing in these rows. Leave one of them out.",
        ),
        (
            lambda: fit(frame=FRAME.drop(index=[0]), fixed=["treatment", "block", ["treatment", "block"]], random=[]),
            'fixed: no row has treatment "A" with block "b0", so the interaction cannot be estimated. Leave the '
            "interaction out, or make one factor of the combinations that were used.",
        ),
        (
            lambda: fit(fixed=["treatment", "block", ["treatment", "block"]], random=[]),
            "Nothing is left to estimate error from: 20 rows for 20 coefficients of the fixed terms. "
            "Leave out a term, or add replicates.",
        ),
        (
            lambda: fit(frame=FRAME.assign(value=4.0)),
            "The fixed terms reproduce the response exactly, so there is no error to measure it by. Check that the "
            "response is a measured column that varies between rows of the same kind.",
        ),
        (
            lambda: fit(frame=FRAME.assign(value=np.repeat([1.0, 3, 4, 9, 2], 4))),
            "The residual variance is zero: the fixed and random terms reproduce every row exactly. Rows that repeat "
            "one measurement are not replicates; keep one row a unit, or leave a random term out.",
        ),
        (
            lambda: fit(random=["block", "copy"]),
            'These rows cannot tell the variances of "block" and "copy" apart: in every comparison of rows they occur '
            "in the same proportion. Leave one of them out, or add replicates of the smaller unit.",
        ),
        (
            lambda: fit(fixed=["treatment", "block"]),
            'The variance of "block" cannot be estimated: the fixed terms already take out every difference it could '
            "show in. Leave the random term out, or the fixed one that contains it.",
        ),
        (
            lambda: fit(random=[["block", "treatment"]]),
            'random: ["block", "treatment"] makes each row a group of its own; that is the "residual" already. '
            "Leave it out.",
        ),
        (
            lambda: fit(random=["one"]),
            'random: ["one"] has a single group; a variance between groups needs at least two.',
        ),
        (
            lambda: fit(known_variance=[1.0, 2.0]),
            "known_variance: found shape (2,); expected one number for each of 20 rows.",
        ),
        (
            lambda: fit(known_variance=np.full(20, -1.0)),
            "known_variance: expected finite numbers of at least 0 in every row.",
        ),
        (
            lambda: fit_mixed(
                nested(drop=(3, 11)),
                response="value",
                fixed=["variety", "dose"],
                random=["block", ["block", "variety"]],
            ),
            "bounded=False: found several variances in a layout that is not complete; allowed with one random term, or "
            "with several where every combination has its rows, because elsewhere the likelihood may have no maximum. "
            "Use bounded=True.",
        ),
        (
            lambda: fit().test(["block"]),
            'test: found ["block"]; expected one of the fixed terms: ["treatment"].',
        ),
        (
            lambda: fit().mean({"treatmnt": "A"}),
            'mean: found "treatmnt"; expected a column of the fixed terms: treatment. Nearest is "treatment".',
        ),
        (
            lambda: fit().difference({"treatment": "A"}, {"treatment": "E"}),
            'difference: treatment: found "E"; expected one of A, B, C, D.',
        ),
        (
            lambda: fit().difference({"treatment": "A"}, {"treatment": "A"}),
            "The comparison compares something with itself: every coefficient in it cancels.",
        ),
        (
            lambda: fit(fixed=["day"]).pairs("day"),
            'pairs: "day" is a slope; expected a factor. Name it in `factors` to make one of it.',
        ),
        (
            lambda: fit(fixed=["day"]).mean({"day": "soon"}),
            'mean: day: found "soon"; expected a number, "day" being a slope.',
        ),
    ],
)
def test_refusals_say_what_was_found_and_what_to_do(call, message):
    with pytest.raises(DesignError) as raised:
        call()
    assert str(raised.value) == message


def test_too_few_degrees_of_freedom_are_refused():
    # Two treatments, three blocks, four plots left: the intra-block information is one comparison.
    frame = pd.DataFrame({"block": list("abcc"), "treatment": list("yxxy"), "value": [-0.35, -1.71, -1.24, 2.15]})
    fit = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"], bounded=True)
    with pytest.raises(DesignError, match=r"Too few degrees of freedom: found 0\.\d+, at least 1 are needed"):
        fit.difference({"treatment": "x"}, {"treatment": "y"})


def test_an_f_below_two_and_a_half_degrees_of_freedom_is_refused():
    frame = pd.DataFrame(
        {"block": list("0001122"), "treatment": list("xyzyzxz"), "value": [0.04, -0.2, 0.67, -1.18, -0.69, -0.04, 0.55]}
    )
    fit = fit_mixed(frame, response="value", fixed=["treatment"], random=["block"], bounded=True)
    with pytest.raises(DesignError, match=r"found 2\.\d+, at least 2\.5 are needed"):
        fit.test("treatment")


def test_one_row_a_measurement_with_nothing_within_is_refused():
    frame = pd.DataFrame({"block": list("aabc"), "treatment": list("xyxy"), "value": [1.18, 0.17, 0.88, -0.48]})
    with pytest.raises(DesignError, match="within its groups nothing is replicated"):
        fit_mixed(frame, response="value", fixed=["treatment"], random=["block"], bounded=True)
