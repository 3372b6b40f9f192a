"""Trials over several sites: block within site."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trialkit.models import fit_bins
from trialkit.records import Refusal


def two_sites(laid_out, kind, blocks=3, bins=1, seed=1, **options):
    random = np.random.default_rng(seed)
    rows = [
        (name, float(random.normal()) + 50.0 * (site == "south"), {"block": str(b), "site": site})
        for site in ("north", "south")
        for b in range(blocks)
        for name in "AB"
        for _ in range(bins)
    ]
    return laid_out(rows, kind, **options)


def test_blocks_of_one_name_at_two_sites_are_two_blocks(laid_out):
    values = two_sites(laid_out, "blocks", variances="common")
    fit = fit_bins(values)
    renamed = tuple(replace(v, block=f"{v.site} {v.block}", site=None) for v in values.values)
    expected = fit_bins(replace(values, values=renamed))
    assert fit.df[1, 0] == 5.0
    assert fit.differences[1, 0] == pytest.approx(expected.differences[1, 0])
    assert fit.std_errors[1, 0] == pytest.approx(expected.std_errors[1, 0])
    assert fit.blocks_used == ("0 at north", "1 at north", "2 at north", "0 at south", "1 at south", "2 at south")
    assert fit.notes == (
        "The bins stand at 2 sites (north and south). What sites differ by is taken out, and the answer is an average "
        "over these sites; how much other sites would differ it cannot tell.",
    )


def test_completely_random_at_two_sites_takes_the_sites_out(laid_out):
    fit = fit_bins(two_sites(laid_out, "completely random"))
    assert fit.df[1, 0] == 12 - 2 - 1
    assert set(fit.components) == {"site", "residual"}
    assert fit.components["site"] > 1000.0 > fit.components["residual"]


def test_a_treatment_at_one_site_only(laid_out):
    values = two_sites(laid_out, "completely random")
    moved = tuple(replace(v, site="north" if v.treatment == "A" else "south") for v in values.values)
    refusal = fit_bins(replace(values, values=moved))
    assert isinstance(refusal, Refusal)
    assert refusal.reasons[0].startswith("All bins of A stand in site north, which holds nothing else")


def test_a_bin_without_a_site(laid_out):
    values = two_sites(laid_out, "blocks")
    values = replace(values, values=(replace(values.values[0], site=None), *values.values[1:]))
    assert fit_bins(values).reasons == (
        "The bins stand at several sites (north and south), but bin b1 has no site. Fill in the site of every bin.",
    )


def test_one_site_needs_no_word(laid_out):
    values = two_sites(laid_out, "blocks", variances="common")
    one = replace(values, values=tuple(v for v in values.values if v.site == "north"))
    fit = fit_bins(one)
    assert fit.notes == () and fit.blocks_used == ("0", "1", "2")
