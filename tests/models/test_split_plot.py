"""Split plots from bin values to a fit, or a refusal."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.models import fit_bins
from trialkit.models.second import second_opinions
from trialkit.records import Refusal

REFERENCE = Path(__file__).parents[1] / "reference"


def terms(fit):
    return {term.factors: term for term in fit.factor_terms}


def pair(fit, treatment, against):
    i, j = fit.treatments.index(treatment), fit.treatments.index(against)
    return fit.differences[i, j], fit.std_errors[i, j], fit.df[i, j]


def test_published_strata(oats):
    """Yates 1935: F of varieties 1.4853 on 2 and 10 df, nitrogen 37.686 on 3 and 45, interaction 0.3028 on 6 and 45."""
    fit = fit_bins(oats())
    found = terms(fit)
    for factors, f, df_num, df_den, p in (
        (("variety",), 1.48534, 2, 10, 0.2724),
        (("nitrogen",), 37.68565, 3, 45, 2.458e-12),
        (("variety", "nitrogen"), 0.30282, 6, 45, 0.9322),
    ):
        test = found[factors].f_test
        assert test["f"] == pytest.approx(f, abs=5.1e-6)
        assert (test["df_num"], test["df_den"]) == (df_num, df_den)
        assert test["p"] == pytest.approx(p, rel=3e-4)
    assert found["variety",].stratum == "whole plots" and found["nitrogen",].stratum == "bins"
    # judged by bins, varieties would get F = 893.18/177.08 = 5.04: the classic mistake
    assert found["variety",].f_test["f"] < 2.0


def test_variances_are_those_of_the_mixed_model(oats):
    """R 4.2.2, lme4 1.1-31, REML; in complete layouts the strata give the same numbers."""
    expected = json.loads((REFERENCE / "mixed_oats_split_plot.json").read_text(encoding="utf-8"))["expected"][
        "components"
    ]
    fit = fit_bins(oats())
    assert fit.components["block"] == pytest.approx(expected["block"], rel=1e-6)
    assert fit.components["whole plot"] == pytest.approx(expected["variety within block"], rel=1e-6)
    assert fit.components["residual"] == pytest.approx(expected["residual"], rel=1e-6)


def test_comparisons_by_stratum(oats):
    fit = fit_bins(oats())
    estimate, std_error, df = pair(fit, "Golden Rain 0.2", "Golden Rain 0")
    assert (estimate, df) == (pytest.approx(18.5), 45.0)
    assert std_error == pytest.approx(np.sqrt(2 * 177.0833 / 6), rel=1e-6)
    estimate, std_error, df = pair(fit, "Victory 0", "Golden Rain 0")
    assert estimate == pytest.approx(-8.5)
    assert std_error == pytest.approx(np.sqrt(2 * (106.0618 + 177.0833) / 6), rel=1e-6)
    whole, inside = 601.3306 / 4, 0.75 * 177.0833  # Satterthwaite on the two mean squares
    assert df == pytest.approx((whole + inside) ** 2 / (whole**2 / 10 + inside**2 / 45), rel=1e-5)
    assert fit.strata["Golden Rain 0.2", "Golden Rain 0"] == "bins"
    assert fit.strata["Victory 0", "Golden Rain 0"] == "bins and whole plots, Satterthwaite"
    assert fit.strata["Victory 0.2", "Victory 0"] == "bins"


def test_lost_bins_leave_comparisons_inside_whole_plots_exact(oats):
    """General least squares with whole plots fixed."""
    lost = (0, 17, 40)
    values = oats(lost=lost)
    fit = fit_bins(values)
    used = [v for v in values.values if v.value is not None]
    y = np.array([v.value for v in used])
    x = np.array([[v.treatment == name for name in fit.treatments] for v in used], dtype=float)
    plots = sorted({(v.block, v.whole_plot) for v in used})
    z = np.array([[(v.block, v.whole_plot) == plot for plot in plots] for v in used], dtype=float)
    both = np.hstack([x, z])
    beta = np.linalg.lstsq(both, y, rcond=None)[0]
    df = y.size - np.linalg.matrix_rank(both)
    error = np.sum((y - both @ beta) ** 2) / df
    inverse = np.linalg.pinv(both.T @ both, rcond=1e-10)
    for treatment in ("Golden Rain 0.2", "Golden Rain 0.4", "Golden Rain 0.6"):
        c = np.zeros(both.shape[1])
        c[fit.treatments.index(treatment)], c[fit.treatments.index("Golden Rain 0")] = 1.0, -1.0
        expected = (c @ beta, np.sqrt(c @ inverse @ c * error), df)
        assert pair(fit, treatment, "Golden Rain 0") == pytest.approx(expected, rel=1e-8)


def test_lost_bins_between_whole_plots_agree_with_the_mixed_model_of_any_table(oats):
    """The same model through the general fit: blocks fixed, whole plots random and bounded, Kenward–Roger."""
    from trialkit.models import fit_mixed

    values = oats(lost=(0, 17, 40))
    fit = fit_bins(values)
    used = [v for v in values.values if v.value is not None]
    table = {
        "y": [v.value for v in used],
        "treatment": [v.treatment for v in used],
        "block": [v.block for v in used],
        "plot": [f"{v.block} {v.whole_plot}" for v in used],
    }
    mixed = fit_mixed(table, response="y", fixed=[["treatment"], ["block"]], random=[["plot"]], bounded=True)
    expected = mixed.difference({"treatment": "Victory 0.2"}, {"treatment": "Golden Rain 0"})
    found = pair(fit, "Victory 0.2", "Golden Rain 0")
    assert found == pytest.approx((expected.estimate, expected.std_error, expected.df), rel=1e-5)
    assert fit.strata["Victory 0.2", "Golden Rain 0"].endswith("(conservative)")
    assert fit.bounded
    mean = mixed.mean({"treatment": "Victory 0.2"})
    place = fit.treatments.index("Victory 0.2")
    assert fit.means[place] == pytest.approx(mean.estimate, rel=1e-6)
    assert fit.mean_std_error[place] == pytest.approx(mean.std_error, rel=1e-5)
    assert fit.notes[-1] == (
        "Bins are missing, so treatments that stand in different whole plots are compared by a mixed model whose "
        "intervals are a little too wide rather than too narrow."
    )


def turned(laid_out, blocks=4, plots=1, seed=1, lost=(), factors=True, **options):
    """Turning per whole plot, starter or water per bin."""
    random = np.random.default_rng(seed)
    rows, given = [], {}
    for b in range(blocks):
        for turning in ("weekly", "never"):
            for p in range(plots):
                for starter in ("water", "starter"):
                    name = f"{starter}, {turning}"
                    given[name] = {"turning": turning, **({"treatment": starter} if factors else {})}
                    value = None if len(rows) in lost else float(random.normal())
                    rows.append((name, value, {"block": str(b), "whole_plot": f"{turning}{p}"}))
    options = {"control": "water, weekly", "factors": given, "whole_plot_factor": "turning", **options}
    return laid_out(rows, "split plot", **options)


def test_few_whole_plots_are_told(laid_out):
    fit = fit_bins(turned(laid_out))
    assert fit.notes == (
        "What turning does is judged by 8 whole plots, with 3 degrees of freedom, not by the bins in them.",
    )
    assert terms(fit)["turning",].df.tolist() == [3.0]


def test_two_whole_plots_a_level_in_every_block(laid_out):
    fit = fit_bins(turned(laid_out, blocks=2, plots=2))
    assert terms(fit)["turning",].df.tolist() == [5.0]
    assert pair(fit, "starter, weekly", "water, weekly")[2] == 6.0


def test_one_whole_plot_a_level_cannot_tell_the_factor(laid_out):
    """Many bins in one turned and one unturned group are one replicate of turning each."""
    fit = fit_bins(turned(laid_out, blocks=1, plots=1, seed=2, **{"comparisons": "with control"}))
    assert isinstance(fit, Refusal)  # nor is anything left inside two whole plots of two bins
    random = np.random.default_rng(5)
    rows, given = [], {}
    for turning in ("weekly", "never"):
        for starter in ("water", "starter", "water", "starter"):
            given[f"{starter}, {turning}"] = {"turning": turning, "treatment": starter}
            rows.append((f"{starter}, {turning}", float(random.normal()), {"whole_plot": turning}))
    fit = fit_bins(laid_out(rows, "split plot", control="water, weekly", factors=given, whole_plot_factor="turning"))
    assert pair(fit, "starter, weekly", "water, weekly")[2] == 4.0
    assert np.isnan(pair(fit, "water, never", "water, weekly")[0])
    reason = (
        "What turning does is judged by whole plots, and these 2 whole plots leave nothing to show how much whole "
        "plots treated alike differ, however many bins stand in each. One more whole plot of each level would be "
        "needed."
    )
    assert fit.refused["water, never", "water, weekly"] == (
        f"water, never and water, weekly stand in different whole plots. {reason}"
    )
    assert terms(fit)["turning",].refused == reason
    assert terms(fit)["turning", "treatment"].refused == ""  # the interaction lies inside whole plots


def test_a_combination_that_is_lost_whole(laid_out):
    lost = [k for k in range(16) if k % 4 == 3]  # starter, never
    fit = fit_bins(turned(laid_out, lost=lost))
    assert isinstance(fit, Refusal) or "no bin of starter, never" in terms(fit)["turning", "treatment"].refused
    assert fit.refused["starter, never", "water, weekly"].startswith("No bin of starter, never has a value of pH")
    assert "do not connect all treatments" in terms(fit)["turning",].refused


def test_what_the_layout_must_say(laid_out):
    values = turned(laid_out, whole_plot_factor="")
    assert (
        fit_bins(values).reasons[0].startswith("A split plot needs the name of the factor that is set per whole plot")
    )
    values = turned(laid_out, whole_plot_factor="insulation")
    assert fit_bins(values).reasons[0].startswith('The factor "insulation" is set per whole plot, but')


def test_a_whole_plot_with_two_levels(laid_out):
    given = {f"{s}, {t}": {"turning": t, "treatment": s} for t in ("weekly", "never") for s in ("water", "starter")}
    rows = [(name, float(k), {"whole_plot": str(k % 2)}) for k, name in enumerate([*given, *given])]
    refusal = fit_bins(
        laid_out(rows, "split plot", control="water, weekly", factors=given, whole_plot_factor="turning")
    )
    assert refusal.reasons == (
        "Bins b1, b3, b5 and b7 share a whole plot but stand at several levels of turning (weekly and never); a whole "
        "plot has one. Correct the whole plots or the treatments.",
    )


def test_bins_without_a_whole_plot(laid_out):
    given = {"water": {"turning": "weekly"}, "starter": {"turning": "never"}}
    rows = [("water", 1.0, {"whole_plot": "1"}), ("starter", 2.0, {}), ("water", 1.5, {"whole_plot": "1"})]
    refusal = fit_bins(laid_out(rows, "split plot", control="water", factors=given, whole_plot_factor="turning"))
    assert refusal.reasons == (
        "The layout is a split plot, but b2 has no whole plot. Fill in the whole plot of every bin.",
    )


def test_subplot_treatments_without_a_factor_of_their_own(laid_out):
    fit = fit_bins(turned(laid_out, factors=False))
    assert fit.factor_terms == ()
    assert np.isfinite(pair(fit, "starter, never", "water, weekly")[0])


def test_second_opinion_of_a_complete_split_plot(oats):
    fit = fit_bins(oats())
    rows = second_opinions(fit)[0].rows
    for name, ours, theirs in rows:
        assert theirs == pytest.approx(ours, rel=1e-3, abs=1e-3), name
