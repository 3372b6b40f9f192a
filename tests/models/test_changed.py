"""The same values with one thing changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.models import changed_values, fit_bins


def rows(kind="blocks", blocks=4):
    random = np.random.default_rng(9)
    return [
        (name, float(random.lognormal()), {"block": str(b)} if kind == "blocks" else {})
        for b in range(blocks)
        for name in "AB"
    ]


def test_every_bin_and_block_the_scale_and_the_variances(laid_out):
    fit = fit_bins(laid_out(rows(), "blocks", variances="common"))
    names = [(change.what, change.name) for change in changed_values(fit)]
    bins = [("left out", f"bin b{k}") for k in range(1, 9)]
    blocks = [("left out", f"block {b}") for b in range(4)]
    assert names == [*bins, *blocks, ("variances", "by treatment")]  # no logarithm of a pH


def test_a_bin_left_out_is_a_bin_without_a_value(laid_out):
    values = laid_out(rows(), "blocks", variances="common")
    first = changed_values(fit_bins(values))[0]
    gone = [v.bin for v in first.values.values if v.value is None]
    assert gone == ["b1"]
    assert [v for v in first.values.values if v.bin != "b1"] == [v for v in values.values if v.bin != "b1"]


def test_leaving_out_keeps_the_rule_of_variances(laid_out):
    fit = fit_bins(laid_out(rows("completely random", blocks=5), "completely random"))
    assert fit.variances == "by treatment"  # the default from five bins a treatment; with four it would be common
    left = [fit_bins(c.values, variances=c.variances) for c in changed_values(fit) if c.what == "left out"]
    assert {one.variances for one in left} == {"by treatment"}


def test_bins_without_a_value_are_not_left_out_again(laid_out):
    given = rows()
    given[3] = (given[3][0], None, given[3][2])
    fit = fit_bins(laid_out(given, "blocks", variances="common"))
    assert "bin b4" not in {change.name for change in changed_values(fit)}


def test_bins_that_never_finished_are_left_out_like_any_other(laid_out):
    windows = [(24, 27), (30, 33), (27, 30), (33, 36), (24, 27), (36, None)]
    given = laid_out(rows(blocks=3), "blocks", variances="common")
    days = replace(given.outcome, name="days_to_finish", unit="days", scale="log")
    values = tuple(
        replace(
            value,
            value=None if high is None else (low + high) / 2,
            low=float(low),
            high=None if high is None else float(high),
            censored=high is None,
        )
        for value, (low, high) in zip(given.values, windows, strict=True)
    )
    fit = fit_bins(replace(given, outcome=days, values=values))
    assert fit.method == "draws"
    changes = changed_values(fit)
    bins, blocks = [f"bin b{k}" for k in range(1, 7)], [f"block {b}" for b in range(3)]
    assert [(change.what, change.name) for change in changes] == [("left out", name) for name in (*bins, *blocks)]
    gone = changes[5].values.values[5]
    assert (gone.value, gone.low, gone.high, gone.censored) == (None, None, None, False)
    assert [v for v in changes[5].values.values if v.bin != "b6"] == [v for v in values if v.bin != "b6"]


def test_the_other_scale_where_it_makes_sense(laid_out):
    values = laid_out(rows(), "blocks", variances="common")
    for name, scale, expected in (
        ("dry_matter_loss_pct", "identity", ["log"]),
        ("decay_rate", "log", ["identity"]),
        ("peak_temp_c", "identity", []),
    ):
        outcome = replace(values.outcome, name=name, scale=scale)
        changes = changed_values(fit_bins(replace(values, outcome=outcome)))
        assert [change.name for change in changes if change.what == "scale"] == expected
    negative = replace(values, outcome=replace(values.outcome, name="nitrogen_loss_pct"))
    negative = replace(negative, values=(replace(negative.values[0], value=-1.0), *negative.values[1:]))
    assert not [change for change in changed_values(fit_bins(negative)) if change.what == "scale"]
