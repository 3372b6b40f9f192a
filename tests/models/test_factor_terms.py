"""Factors crossed completely: published main effects and interactions, in every layout."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.models import fit_bins

REFERENCE = Path(__file__).parents[1] / "reference"
NPK = json.loads((REFERENCE / "factorial_npk.json").read_text(encoding="utf-8"))["expected"]
DAYS = json.loads((REFERENCE / "factorial_carrier_culture.json").read_text(encoding="utf-8"))
CARRIER_CULTURE = {
    name: {"carrier": carrier, "culture": culture}
    for name, carrier, culture in (
        ("neither", "without", "without"),
        ("carrier", "with", "without"),
        ("culture", "without", "with"),
        ("both", "with", "with"),
    )
}


def terms(fit):
    return {"".join(term.factors): term for term in fit.factor_terms}


@pytest.fixture
def npk(laid_out):
    """Venables & Ripley, npk: a 2³ factorial in blocks of four."""
    data = json.loads((REFERENCE / "mixed_npk_factorial.json").read_text(encoding="utf-8"))["data"]

    def make(lost=()):
        rows, factors = [], {}
        for k, (n, p, potash, block, y) in enumerate(
            zip(*(data[c] for c in ("n", "p", "k", "block", "yield")), strict=True)
        ):
            name = f"n{n} p{p} k{potash}"
            factors[name] = {"n": n, "p": p, "k": potash}
            rows.append((name, None if k in lost else float(y), {"block": block}))
        return laid_out(rows, "blocks", control="n0 p0 k0", factors=factors)

    return make


@pytest.fixture
def days(laid_out):
    def make(lost=(), kind="completely random", **options):
        rows = [
            (name, None if (name, k) in lost else float(value), {"block": str(k)})
            for name, values in DAYS["data"].items()
            for k, value in enumerate(values)
        ]
        return laid_out(rows, kind, control="neither", factors=CARRIER_CULTURE, **options)

    return make


def test_two_by_two(days):
    """Invented days to finish; R 4.2.2."""
    expected = DAYS["expected"]
    fit = fit_bins(days())
    found = terms(fit)
    carrier, culture, both = found["carrier"], found["culture"], found["carrierculture"]
    assert (carrier.labels, carrier.against) == (("carrier: with",), ("carrier: without",))
    assert carrier.estimate[0] == pytest.approx(expected["carrier"]["estimate"])
    assert carrier.std_error[0] == pytest.approx(expected["carrier"]["std_error"], abs=5.1e-7)
    assert carrier.estimate[0] / carrier.std_error[0] == pytest.approx(expected["carrier"]["t"], abs=5.1e-5)
    assert carrier.f_test["p"] == pytest.approx(expected["carrier"]["p"], abs=5.1e-7)
    assert carrier.df.tolist() == [12.0] and carrier.bins.tolist() == [[8, 8]]
    assert culture.estimate[0] == pytest.approx(expected["culture"]["estimate"])
    assert culture.f_test["p"] == pytest.approx(expected["culture"]["p"], abs=5.1e-5)
    assert both.estimate[0] == pytest.approx(expected["interaction"]["estimate"])
    assert both.f_test["p"] == pytest.approx(expected["interaction"]["p"], abs=5.1e-5)
    assert both.labels == ("effect of carrier at culture: with",)
    assert both.against == ("effect of carrier at culture: without",)


def test_cube_in_blocks_of_four(npk):
    """R 4.2.2, aov(yield ~ block + N*P*K): sums of squares of all effects but the one confounded with blocks."""
    found = terms(fit_bins(npk()))
    for name, expected in NPK.items():
        if not isinstance(expected, dict):
            continue
        test = found[name].f_test
        assert test["f"] * NPK["error_ms"] == pytest.approx(expected["ss"], abs=2e-4), name
        assert test["df_den"] == NPK["error_df"]
        if "effect" in expected:
            assert found[name].estimate[0] == pytest.approx(expected["effect"], abs=5.1e-7)
        if "p" in expected:
            assert test["p"] == pytest.approx(expected["p"], abs=5.1e-5)


def test_an_effect_confounded_with_blocks_is_told_between_them(npk):
    """Three blocks of each kind: the difference of their totals, a t-test on 4 df."""
    values = npk()
    term = terms(fit_bins(values))["npk"]
    totals = {}
    for v in values.values:
        totals.setdefault(v.block, []).append(v)
    signs = {b: (-1) ** sum(int(v[0].treatment[i]) for i in (1, 4, 7)) for b, v in totals.items()}
    means = {b: np.mean([v.value for v in found]) for b, found in totals.items()}
    expected = stats.ttest_ind([means[b] for b in means if signs[b] < 0], [means[b] for b in means if signs[b] > 0])
    assert term.df[0] == pytest.approx(4.0, rel=1e-6)
    assert abs(term.estimate[0] / term.std_error[0]) == pytest.approx(abs(expected.statistic), rel=1e-6)
    assert term.f_test is None


def test_cube_with_lost_bins_is_general_least_squares(npk):
    lost = (1, 9, 16)
    values = npk(lost)
    used = [v for v in values.values if v.value is not None]
    y = np.array([v.value for v in used])
    cells = sorted({v.treatment for v in values.values})
    x = np.array([[v.treatment == name for name in cells] for v in used], dtype=float)
    z = np.array([[v.block == b for b in "123456"] for v in used], dtype=float)
    both = np.hstack([x, z])
    beta, rank = np.linalg.lstsq(both, y, rcond=None)[0], np.linalg.matrix_rank(both)
    error = np.sum((y - both @ beta) ** 2) / (y.size - rank)
    c = np.concatenate([[0.25 if name.startswith("n1") else -0.25 for name in cells], np.zeros(6)])
    term = terms(fit_bins(values))["n"]
    assert term.estimate[0] == pytest.approx(c @ beta, abs=1e-9)
    assert term.std_error[0] ** 2 == pytest.approx(c @ np.linalg.pinv(both.T @ both, rcond=1e-10) @ c * error, rel=1e-8)
    assert term.df[0] == y.size - rank


def test_a_combination_that_is_missing(days):
    found = terms(fit_bins(days(lost=[("both", k) for k in range(4)])))
    assert found["carrier"].labels == ()
    assert found["carrier"].refused == (
        "The effect of carrier is an average over all combinations of the factors, and no bin of both has a value of "
        "pH."
    )


def test_with_a_variance_for_each_treatment(days):
    """Satterthwaite by hand: ¼ of the four variances over four bins each."""
    fit = fit_bins(days(variances="by treatment"))
    term = terms(fit)["carrier"]
    share = np.array([np.var(v, ddof=1) for v in DAYS["data"].values()]) / 4 / 4
    assert term.std_error[0] == pytest.approx(np.sqrt(share.sum()))
    assert term.df[0] == pytest.approx(share.sum() ** 2 / np.sum(share**2 / 3))
    assert term.correlation is None and term.f_test is None


def test_paired_in_blocks(days):
    """One difference a block: (carrier − neither + both − culture)/2, a one-sample t."""
    fit = fit_bins(days(kind="blocks", variances="by treatment"))
    d = {name: np.array(values, dtype=float) for name, values in DAYS["data"].items()}
    each = (d["carrier"] - d["neither"] + d["both"] - d["culture"]) / 2
    term = terms(fit)["carrier"]
    assert term.estimate[0] / term.std_error[0] == pytest.approx(stats.ttest_1samp(each, 0.0).statistic)
    assert term.df[0] == 3.0


def test_in_a_latin_square(laid_out):
    """Orthogonal to rows and columns: the plain difference of means."""
    names = list(CARRIER_CULTURE)
    random = np.random.default_rng(2)
    rows = [
        (names[(i + j) % 4], float(random.normal()), {"row": str(i), "column": str(j)})
        for i in range(4)
        for j in range(4)
    ]
    fit = fit_bins(laid_out(rows, "latin square", control="neither", factors=CARRIER_CULTURE))
    y = {name: [v for n, v, _ in rows if n == name] for name in names}
    expected = np.mean(y["carrier"] + y["both"]) - np.mean(y["neither"] + y["culture"])
    assert terms(fit)["carrier"].estimate[0] == pytest.approx(expected)
    assert terms(fit)["carrier"].df[0] == 6.0


def test_the_effect_does_not_depend_on_lost_bins_where_there_is_no_error(laid_out):
    """Additive truth plus blocks: every pattern of two lost bins gives the true effect back."""
    effect = {"neither": 0.0, "carrier": 2.0, "culture": 1.0, "both": 3.0}
    places = list(itertools.product(CARRIER_CULTURE, range(4)))
    noise = np.random.default_rng(1).normal(scale=1e-7, size=16)
    for lost in itertools.combinations(range(16), 2):
        rows = [
            (name, None if k in lost else effect[name] + 10.0 * b + noise[k], {"block": str(b)})
            for k, (name, b) in enumerate(places)
        ]
        fit = fit_bins(laid_out(rows, "blocks", control="neither", factors=CARRIER_CULTURE))
        assert terms(fit)["carrier"].estimate[0] == pytest.approx(2.0, abs=1e-5)
        assert terms(fit)["carrierculture"].estimate[0] == pytest.approx(0.0, abs=1e-5)


def test_the_controls_level_is_the_reference(days):
    values = days()
    from dataclasses import replace

    fit = fit_bins(replace(values, plan=replace(values.plan, control="both")))
    assert terms(fit)["carrier"].labels == ("carrier: without",)
    assert terms(fit)["carrier"].estimate[0] == pytest.approx(5.625)


def test_no_terms_without_a_complete_cross(laid_out):
    three = {name: CARRIER_CULTURE[name] for name in ("neither", "carrier", "both")}
    rows = [(name, float(k % 7), {"block": str(b)}) for k, (name, b) in enumerate(itertools.product(three, range(4)))]
    assert fit_bins(laid_out(rows, "blocks", control="neither", factors=three)).factor_terms == ()
    assert fit_bins(laid_out(rows, "blocks", control="neither")).factor_terms == ()
