"""What must not matter: the order of rows, names, units, a constant, and which treatment is called the control."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.contrasts import compare
from trialkit.models import fit_bins
from trialkit.records import BinValue, BinValues, Fit, Layout, Outcome, Plan, Refusal

PH = Outcome("ph", "pH", "", "identity", 0, "pH", "where read", "It cannot tell why.")
RATE = Outcome("decay_rate", "decay rate", "per day", "log", 1, "rate", "curves", "It cannot tell why.")


@st.composite
def trials(draw):
    """Bin values in blocks or completely random, two to four treatments, some bins lost."""
    arms, blocks = draw(st.integers(2, 4)), draw(st.integers(2, 6))
    kind = draw(st.sampled_from(["blocks", "completely random"]))
    variances = draw(st.sampled_from([None, "common", "by treatment"]))
    cells = [(i, j) for i in range(arms) for j in range(blocks)]
    lost = draw(st.sets(st.sampled_from(cells), max_size=3))
    generator = np.random.default_rng(draw(st.integers(0, 10**6)))
    values = tuple(
        BinValue(
            f"b{i}{j}",
            f"t{i}",
            None if (i, j) in lost else float(np.exp(generator.normal(0.3 * i + 0.2 * j, 0.3))),
            block=str(j) if kind == "blocks" else None,
        )
        for i, j in cells
    )
    return BinValues(PH, "primary", Plan("t0", layout=Layout(kind, variances)), values)


def same(one, two, names=None, factor=1.0, rtol=1e-6):
    """Two fits, or two refusals, agree; ``names`` renames the treatments of the first, ``factor`` is its unit."""
    assert type(one) is type(two)
    if isinstance(one, Refusal):
        assert len(one.reasons) == len(two.reasons)
        return
    order = [two.treatments.index((names or {}).get(t, t)) for t in one.treatments]
    grid = np.ix_(order, order)
    assert (one.method, one.df_method, one.variances) == (two.method, two.df_method, two.variances)
    size = float(np.nanmax(np.abs(two.means)))
    np.testing.assert_allclose(one.means * factor, two.means[order], rtol=rtol, atol=1e-7 * size)
    np.testing.assert_allclose(one.differences * factor, two.differences[grid], rtol=rtol, atol=1e-7 * size)
    np.testing.assert_allclose(one.std_errors * factor, two.std_errors[grid], rtol=rtol, atol=1e-9 * size)
    np.testing.assert_allclose(one.df, two.df[grid], rtol=1e-5)
    np.testing.assert_array_equal(one.counts, two.counts[grid])


@settings(max_examples=60, deadline=None)
@given(values=trials(), seed=st.integers(0, 10**6))
def test_order_of_the_bins(values, seed):
    shuffled = tuple(values.values[k] for k in np.random.default_rng(seed).permutation(len(values.values)))
    same(fit_bins(values), fit_bins(replace(values, values=shuffled)))


@settings(max_examples=60, deadline=None)
@given(values=trials())
def test_names_are_only_names(values):
    names = {f"t{i}": name for i, name in enumerate(["NA", "1e5", "Q('y')", "<script>"])}
    renamed = tuple(
        replace(v, treatment=names[v.treatment], block=None if v.block is None else f"block {v.block}!")
        for v in values.values
    )
    plan = replace(values.plan, control=names["t0"])
    same(fit_bins(values), fit_bins(replace(values, values=renamed, plan=plan)), names)


@settings(max_examples=60, deadline=None)
@given(values=trials(), factor=st.sampled_from([1e-3, 0.4535924, 7.0, 1e4]))
def test_units(values, factor):
    scaled = tuple(replace(v, value=None if v.value is None else v.value * factor) for v in values.values)
    same(fit_bins(values), fit_bins(replace(values, values=scaled)), factor=factor)


@settings(max_examples=60, deadline=None)
@given(values=trials(), factor=st.sampled_from([1e-3, 0.4535924, 7.0, 1e4]))
def test_units_do_not_touch_ratios(values, factor):
    rates = replace(values, outcome=RATE)
    scaled = tuple(replace(v, value=None if v.value is None else v.value * factor) for v in values.values)
    for one, two in zip(compare(fit_bins(rates)), compare(fit_bins(replace(rates, values=scaled))), strict=True):
        assert type(one) is type(two)
        if not isinstance(one, Refusal):
            assert one.estimate == pytest.approx(two.estimate, rel=1e-9)
            assert one.interval.low == pytest.approx(two.interval.low, rel=1e-4)
            assert one.interval.high == pytest.approx(two.interval.high, rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(values=trials(), constant=st.sampled_from([-50.0, 1000.0]))
def test_a_constant_moves_means_and_nothing_else(values, constant):
    moved = tuple(replace(v, value=None if v.value is None else v.value + constant) for v in values.values)
    one, two = fit_bins(values), fit_bins(replace(values, values=moved))
    assert type(one) is type(two)
    if isinstance(one, Fit):
        np.testing.assert_allclose(one.means + constant, two.means, rtol=1e-7)
        np.testing.assert_allclose(one.differences, two.differences, rtol=1e-5, atol=1e-8)
        np.testing.assert_allclose(one.std_errors, two.std_errors, rtol=1e-5, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(values=trials(), shift=st.floats(-5.0, 5.0))
def test_what_a_whole_block_shares_does_not_matter_where_blocks_are_fixed(values, shift):
    one = fit_bins(values)
    if not isinstance(one, Fit) or one.method == "reml" or values.plan.layout.kind != "blocks":
        return
    moved = tuple(
        replace(v, value=v.value + shift) if v.block == "1" and v.value is not None else v for v in values.values
    )
    two = fit_bins(replace(values, values=moved))
    np.testing.assert_allclose(one.differences, two.differences, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(one.std_errors, two.std_errors, rtol=1e-7, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(values=trials())
def test_swapping_control_and_treatment_inverts_the_ratio(values):
    two_arms = tuple(v for v in values.values if v.treatment in ("t0", "t1"))
    rates = replace(values, outcome=RATE, values=two_arms)
    (one,) = compare(fit_bins(rates))
    (two,) = compare(fit_bins(replace(rates, plan=replace(rates.plan, control="t1"))))
    assert type(one) is type(two)
    if isinstance(one, Refusal):
        return
    assert one.estimate == pytest.approx(1.0 / two.estimate, rel=1e-9)
    assert one.interval.low == pytest.approx(1.0 / two.interval.high, rel=1e-4)
    assert one.interval.high == pytest.approx(1.0 / two.interval.low, rel=1e-4)
    assert one.p == pytest.approx(two.p, rel=1e-4)
    assert one.bins == two.bins[::-1]
