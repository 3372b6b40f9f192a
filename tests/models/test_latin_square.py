"""Latin squares from bin values to a fit, or a refusal."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.models import fit_bins
from trialkit.models.second import second_opinions
from trialkit.records import Refusal


def small(laid_out, lost=(), values=None, **options):
    y = values or [5.0, 7.0, 9.5, 6.0, 9.0, 4.0, 8.0, 5.5, 7.5]
    rows = [
        ("ABC"[(i + j) % 3], None if 3 * i + j in lost else y[3 * i + j], {"row": str(i), "column": str(j)})
        for i in range(3)
        for j in range(3)
    ]
    return laid_out(rows, "latin square", **options)


def test_published_square(maize):
    """Gomez & Gomez, Table 2.7."""
    fit = fit_bins(maize())
    expected = maize.expected
    assert (fit.method, fit.df_method) == ("least squares in strata", "rows and columns taken out")
    assert fit.f_test["f"] == pytest.approx(expected["f"], abs=5.1e-4)
    assert fit.f_test["df_den"] == 6.0
    means = dict(zip(fit.treatments, fit.means, strict=True))
    assert means == pytest.approx(expected["means"])
    assert fit.components["residual"] == pytest.approx(expected["error_ss"] / 6, abs=1e-6)
    assert fit.components["row"] < 0.0 < fit.components["column"]
    assert fit.std_errors[0, 1] == pytest.approx(np.sqrt(2 * fit.components["residual"] / 4))
    assert fit.notes == ()


def test_a_lost_plot_is_predicted_as_by_the_missing_plot_formula(maize):
    """Yates' formula for a Latin square, X = (t(R + C + T) − 2G)/((t − 1)(t − 2)), first cell of Gomez & Gomez lost."""
    fit = fit_bins(maize(lost=(0,)))
    values = {(v.row, v.column): v for v in maize(lost=(0,)).values if v.value is not None}
    row = sum(v.value for (r, _), v in values.items() if r == "1")
    column = sum(v.value for (_, c), v in values.items() if c == "1")
    own = sum(v.value for v in values.values() if v.treatment == "B")
    total = sum(v.value for v in values.values())
    predicted = (4 * (row + column + own) - 2 * total) / 6
    means = dict(zip(fit.treatments, fit.means, strict=True))
    assert means["B"] - means["A"] == pytest.approx((own + predicted) / 4 - maize.expected["means"]["A"])
    assert fit.f_test["df_den"] == 5.0
    assert "Bin b1 (B) has no value and is left out: it was lost." in fit.notes


def test_two_degrees_of_freedom_are_allowed_and_told(laid_out):
    fit = fit_bins(small(laid_out))
    assert fit.df[1, 0] == 2.0
    assert fit.notes == (
        "Rows, columns and treatments leave 2 degrees of freedom to show how much bins treated alike differ, so the "
        "intervals are wide.",
    )


def test_one_degree_of_freedom_takes_rows_and_columns_as_random(laid_out):
    fit = fit_bins(small(laid_out, lost=(4,)))
    assert (fit.method, fit.df_method, fit.bounded) == ("reml", "Kenward–Roger, a tenth fewer df", True)
    assert set(fit.components) == {"row", "column", "residual"}
    assert fit.notes[-1].startswith("One degree of freedom is left once rows and columns are taken out")


def test_nothing_left(laid_out):
    refusal = fit_bins(small(laid_out, lost=(0, 1)))
    assert isinstance(refusal, Refusal)
    assert refusal.reasons == (
        "After rows, columns and treatments are taken out, these 7 bins leave nothing to show how much bins treated "
        "alike differ. A larger square, or a second one at another site, would be needed.",
    )


def test_a_treatment_lost_whole_is_refused_and_the_others_stay(maize):
    lost = [k for k, v in enumerate(maize().values) if v.treatment == "C"]
    fit = fit_bins(maize(lost=lost))
    assert fit.refused["C", "D"] == "No bin of C has a value of pH. Two bins or more would be needed."
    assert np.isfinite(fit.differences[fit.treatments.index("A"), fit.treatments.index("D")])


def test_no_spread(laid_out):
    values = [1.0 + 3.0 * i + 5.0 * j + 7.0 * ((i + j) % 3) for i in range(3) for j in range(3)]
    refusal = fit_bins(small(laid_out, values=values))
    assert "of a treatment, once rows and columns are taken out, all have exactly the same pH" in refusal.reasons[0]


def test_bins_without_a_place(laid_out):
    rows = [("A", 1.0, {"row": "1", "column": "1"}), ("B", 2.0, {"row": "1"}), ("B", 2.5, {}), ("A", 1.5, {"row": "2"})]
    assert fit_bins(laid_out(rows, "latin square")).reasons == (
        "The layout is a Latin square, but b3 has no row. Fill in the row of every bin.",
        "The layout is a Latin square, but b2, b3 and b4 have no column. Fill in the column of every bin.",
    )


def test_two_bins_in_one_place(laid_out):
    rows = [(name, 1.0 + k, {"row": "1", "column": "1"}) for k, name in enumerate("AABB")]
    assert (
        fit_bins(laid_out(rows, "latin square"))
        .reasons[0]
        .startswith("Bins b1, b2, b3 and b4 share their row and column with another bin")
    )


def test_variances_by_treatment_are_not_had(maize):
    fit = fit_bins(maize(variances="by treatment"))
    assert fit.variances == "common"
    assert fit.notes[0].startswith("In a Latin square every bin stands in a row and a column of its own")


def test_two_squares_at_two_sites(laid_out):
    random = np.random.default_rng(3)
    rows = [
        ("ABC"[(i + j) % 3], float(random.normal()), {"row": str(i), "column": str(j), "site": site})
        for site in ("north", "south")
        for i in range(3)
        for j in range(3)
    ]
    fit = fit_bins(laid_out(rows, "latin square"))
    assert fit.df[1, 0] == 18 - 6 - 6 + 2 - 2  # rows and columns within sites, two sites, two treatment contrasts
    assert fit.notes[-1].startswith("The bins stand at 2 sites (north and south).")


def test_a_second_opinion_takes_rows_and_columns_out_too(maize):
    fit = fit_bins(maize())
    rows = second_opinions(fit)[0].rows
    for name, ours, theirs in rows:
        assert theirs == pytest.approx(ours, rel=1e-8), name
