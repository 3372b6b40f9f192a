import json
from pathlib import Path

import pytest

from trialkit.records import BinValue, BinValues, Layout, Outcome, Plan, Treatment

PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")
REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture
def laid_out():
    """Bin values from rows of (treatment, value, {block, row, column, whole_plot, site}) and a layout."""

    def make(rows, kind, *, control="A", factors=None, outcome=PH, variances=None, whole_plot_factor="", **plan):
        names = dict.fromkeys(row[0] for row in rows)
        given = factors or {}
        treatments = tuple(Treatment(name, factors=given.get(name, {})) for name in (given or names))
        layout = Layout(kind, variances=variances, whole_plot_factor=whole_plot_factor)
        values = tuple(
            BinValue(f"b{k}", name, value, reason=None if value is not None else "it was lost", **where)
            for k, (name, value, where) in enumerate(rows, start=1)
        )
        plan = {"treatments": treatments, **plan}
        return BinValues(outcome, "primary", Plan(control, layout=layout, **plan), values)

    return make


@pytest.fixture
def oats(laid_out):
    """Yates 1935, oats: three varieties on whole plots, four amounts of nitrogen in them, six blocks."""
    data = json.loads((REFERENCE / "mixed_oats_split_plot.json").read_text(encoding="utf-8"))["data"]

    def make(lost=(), **options):
        columns = zip(data["variety"], data["nitrogen"], data["block"], data["yield"], strict=True)
        rows, factors = [], {}
        for k, (variety, nitrogen, block, y) in enumerate(columns):
            name = f"{variety} {nitrogen}"
            factors[name] = {"variety": variety, "nitrogen": nitrogen}
            where = {"block": block, "whole_plot": variety}  # the same name in every block
            rows.append((name, None if k in lost else float(y), where))
        options = {"control": "Golden Rain 0", "factors": factors, "whole_plot_factor": "variety", **options}
        return laid_out(rows, "split plot", **options)

    return make


@pytest.fixture
def maize(laid_out):
    """Gomez & Gomez 1984, Table 2.7: a Latin square of four maize hybrids."""
    case = json.loads((REFERENCE / "square_maize.json").read_text(encoding="utf-8"))
    data = case["data"]

    def make(lost=(), **options):
        columns = zip(data["treatment"], data["y"], data["row"], data["column"], strict=True)
        rows = [
            (name, None if k in lost else y, {"row": row, "column": column})
            for k, (name, y, row, column) in enumerate(columns)
        ]
        return laid_out(rows, "latin square", **{"control": case["control"], **options})

    make.expected = case["expected"]
    return make
