"""The mixed model against an established program: every number of every file, on published data."""

import json
from pathlib import Path

import pandas as pd
import pytest

from trialkit.models.mixed import fit_mixed

FOLDER = Path(__file__).parents[1] / "reference"
NAMES = sorted(
    path.stem
    for path in FOLDER.glob("mixed_*.json")
    if "call" in json.loads(path.read_text(encoding="utf-8"))  # the others have tests of their own
)


def load(name):
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=NAMES)
def case(request):
    """The file and the fit of its data; made once for all the quantities."""
    file = load(request.param)
    call = file["call"]
    fit = fit_mixed(
        pd.DataFrame(file["data"]),
        response=call["response"],
        fixed=call["fixed"],
        random=call["random"],
        bounded=call["bounded"],
    )
    return file, fit


def test_all_eleven_files_are_there():
    assert len(NAMES) == 11


def test_log_likelihood_and_variances(case):
    file, fit = case
    expected, tolerance = file["expected"], file["tolerance"]
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=tolerance["log_likelihood"])
    assert set(fit.components) == set(expected["components"])
    for name, value in expected["components"].items():
        assert fit.components[name] == pytest.approx(value, rel=tolerance["components_relative"], abs=1e-12)
    assert fit.at_bound is expected["at_bound"]
    assert fit.converged


def test_marginal_tests(case):
    file, fit = case
    relative = file["tolerance"]["std_error_df_f_relative"]
    for expected in file["expected"]["tests"]:
        found = fit.test(expected["term"])
        assert found.df_num == expected["df_num"]
        assert found.f == pytest.approx(expected["f"], rel=relative)
        assert found.df_den == pytest.approx(expected["df_den"], rel=relative)
        assert found.p == pytest.approx(expected["p"], rel=10 * relative)  # a small p magnifies errors of f


def test_means(case):
    file, fit = case
    relative = file["tolerance"]["std_error_df_f_relative"]
    for factor, expected in file["expected"]["comparisons"].items():
        found = [fit.mean({factor: level}) for level in expected["levels"]]
        assert [one.estimate for one in found] == pytest.approx(expected["mean"], rel=relative)
        assert [one.std_error for one in found] == pytest.approx(expected["mean_std_error"], rel=relative)
        assert [one.df for one in found] == pytest.approx(expected["mean_df"], rel=relative)


def test_pairs(case):
    file, fit = case
    relative = file["tolerance"]["std_error_df_f_relative"]
    for factor, expected in file["expected"]["comparisons"].items():
        found = [fit.difference({factor: later}, {factor: earlier}) for later, earlier in expected["pair"]]
        assert [one.estimate for one in found] == pytest.approx(expected["estimate"], rel=relative)
        assert [one.std_error for one in found] == pytest.approx(expected["std_error"], rel=relative)
        assert [one.df for one in found] == pytest.approx(expected["df"], rel=relative)
        for one, low, high in zip(found, expected["low"], expected["high"], strict=True):
            assert one.low == pytest.approx(low, abs=relative * one.std_error)
            assert one.high == pytest.approx(high, abs=relative * one.std_error)
        assert [one.p for one in found] == pytest.approx(expected["p"], rel=10 * relative)


def test_simultaneous_comparisons_with_the_first(case):
    file, fit = case
    share = file["tolerance"]["simultaneous_limits_in_std_errors"]
    for factor, comparisons in file["expected"]["comparisons"].items():
        expected = comparisons["versus_first"]
        found = {one.label: one for one in fit.compare(factor, first=file["call"]["first_level"][factor])}
        assert set(found) == {f"{level} − {first}" for level, first in expected["pair"]}
        for k, (level, first) in enumerate(expected["pair"]):
            one = found[f"{level} − {first}"]
            assert one.estimate == pytest.approx(expected["estimate"][k], abs=1e-4 * one.std_error)
            assert one.low == pytest.approx(expected["low"][k], abs=share * one.std_error)
            assert one.high == pytest.approx(expected["high"][k], abs=share * one.std_error)
            assert one.p == pytest.approx(expected["p"][k], abs=1e-3)
            assert one.adjustment == ("multivariate t" if len(found) > 1 else "none")


@pytest.mark.parametrize("position", [0, 1])
def test_known_variances(position):
    file = load("mixed_known_variance")
    case = file["cases"][position]
    frame = pd.DataFrame({"effect": case["estimate"], "variance": [s**2 for s in case["std_error"]]})
    fit = fit_mixed(frame, response="effect", fixed=[], known_variance="variance")
    relative = file["tolerance"]["relative"]
    expected = case["expected"]
    assert fit.components["residual"] == pytest.approx(expected["between_variance"], rel=relative, abs=1e-12)
    assert fit.coefficients["intercept"] == pytest.approx(expected["mean"], rel=relative)
    assert fit.reml.phi[0, 0] ** 0.5 == pytest.approx(expected["plain_std_error"], rel=relative)
    assert fit.at_bound is (expected["between_variance"] == 0)
