"""Re-randomisation of what each factor does: its levels exchanged among bins that are alike in every other factor."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trialkit.contrasts.drawn_again import Drawn, drawn_bins
from trialkit.contrasts.rerandomise import exchanged, holds_both, turned_square, why_untested, with_answer
from trialkit.numerics.rerandomisation import NO_TEST, LayoutTest, compare_sums, from_stratum_means
from trialkit.numerics.rerandomised_shifts import Shifts, shifts_of_sums
from trialkit.numerics.superiority import standings
from trialkit.records import Comparison, Fit, Refusal

Codes = NDArray[np.intp]
Compared = tuple[Comparison | Refusal, ...]


def rerandomise_factors(fit: Fit | Refusal, factors: Sequence[Comparison | Refusal]) -> Compared:
    """Main effects, as ``compare_factors`` gives them, with their test by drawing the layout again.

    Two levels of a factor are exchanged inside blocks (inside whole plots for a factor set per bin there, whole plots
    inside blocks for the factor set per whole plot), among the bins that have the same levels of all other factors: if
    the factor does nothing at all, every such layout could as well have been drawn. There is no exact test of an
    interaction, whose hypothesis leaves open what the factors do: interactions come back as they are, as does
    everything where a layout has no such test (see ``rerandomise``).
    """
    found = tuple(factors)
    if isinstance(fit, Refusal) or fit.method == "draws" or fit.values.plan.layout.drawn == "by hand":
        return found
    main = {
        (label, against): term.factors[0]
        for term in fit.factor_terms
        if len(term.factors) == 1
        for label, against in zip(term.labels, term.against, strict=True)
    }
    drawn = drawn_bins(fit)
    if not main or why_untested(drawn):
        return found
    return tuple(
        with_answer(one, *_main_effect(fit, drawn, main[one.treatment, one.against], one.treatment, one.against))
        if isinstance(one, Comparison) and one.against is not None and (one.treatment, one.against) in main
        else one
        for one in found
    )


def _main_effect(fit: Fit, drawn: Drawn, factor: str, label: str, against: str) -> tuple[LayoutTest, Shifts | None]:
    given = {item.name: item.factors for item in fit.values.plan.treatments}
    own = [f"{factor}: {given[name][factor]}" for name in fit.treatments]
    others = [tuple(sorted(part for part in given[name].items() if part[0] != factor)) for name in fit.treatments]
    kinds = list(dict.fromkeys(others))
    other = np.array([kinds.index(kind) for kind in others], dtype=np.intp)  # (T,)
    later, earlier = (np.array([one == which for one in own]) for which in (label, against))  # (T,)
    level = fit.values.plan.level
    become = np.array(
        [[np.flatnonzero(side & (other == kind))[0] for side in (earlier, later)] for kind in range(len(kinds))],
        dtype=np.intp,
    )
    if drawn.kind == "latin square":
        return turned_square(drawn, [(int(up), int(down)) for down, up in become], level)
    if drawn.kind == "split plot" and factor == fit.values.plan.layout.whole_plot_factor:
        return _whole_plots(drawn, other, later, earlier, level)
    inside = drawn.kind == "split plot"
    stratum = _joined(drawn.plot if inside else drawn.block, other[drawn.treatment])
    here = drawn.measured & (later | earlier)[drawn.treatment]
    here &= holds_both(stratum, here & later[drawn.treatment], here & earlier[drawn.treatment])
    if not here.any():
        return NO_TEST, None
    bins = np.flatnonzero(here)
    codes = later[drawn.treatment[bins]].astype(np.intp)
    layouts = drawn.exchanging(bins, codes, stratum[bins], become[other[drawn.treatment[bins]]], inside_plots=inside)
    y = standings(drawn.y[bins], stratum[bins]) if drawn.by_order else drawn.y[bins]
    return exchanged(drawn, layouts, y, codes == 1, stratum[bins], None if drawn.by_order else level)


def _whole_plots(
    drawn: Drawn, other: Codes, later: NDArray[np.bool_], earlier: NDArray[np.bool_], level: float
) -> tuple[LayoutTest, Shifts | None]:
    """Whole plots exchanged inside blocks. A bin counts by how far it stands from the bins of its block that are alike
    in all other factors, so that a lost bin does not turn the difference into one of the other factors."""
    up = later[drawn.treatment]
    here = drawn.measured & (later | earlier)[drawn.treatment]
    stratum = _joined(drawn.block, other[drawn.treatment])
    if drawn.by_order or not here.any():
        return NO_TEST, None
    deviation, label = np.zeros(drawn.y.size), np.zeros(drawn.y.size)
    deviation[here] = from_stratum_means(drawn.y[here], stratum[here])
    label[here] = from_stratum_means(up[here].astype(float), stratum[here])
    first = drawn.first_of_plots()
    plots = np.unique(drawn.plot[holds_both(stratum, here & up, here & ~up) & here])
    if not plots.size:
        return NO_TEST, None
    codes = up[first[plots]].astype(np.intp)
    levels = np.array([drawn.level[np.flatnonzero(which)[0]] for which in (earlier, later)], dtype=np.intp)
    layouts = drawn.exchanging_plots(plots, codes, levels)
    sums, labels = (np.bincount(drawn.plot, weights=part)[plots] for part in (deviation, label))
    return (
        compare_sums(layouts, sums, codes == 1),
        shifts_of_sums(layouts, sums, labels, codes == 1, level=level),
    )


def _joined(one: Codes, other: Codes) -> Codes:
    return one * (int(other.max()) + 1) + other
