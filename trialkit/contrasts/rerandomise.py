"""Re-randomisation of the layout that was drawn: for each pair of treatments, and for all of them together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.contrasts.drawn_again import Drawn, drawn_bins
from trialkit.contrasts.shown import shown
from trialkit.errors import DesignError
from trialkit.numerics.interspersion import NO_RULE
from trialkit.numerics.rerandomisation import (
    NO_TEST,
    DrawnLayouts,
    Labels,
    LayoutTest,
    compare_all,
    compare_two,
    compare_two_studentised,
)
from trialkit.numerics.rerandomisation_squares import (
    chains,
    compare_all_in_square,
    compare_two_in_square,
    shuffled_squares,
)
from trialkit.numerics.rerandomised_shifts import (
    Shifts,
    shifts_in_square,
    shifts_of_two,
    shifts_of_two_studentised,
)
from trialkit.numerics.superiority import standings
from trialkit.records import Comparison, Fit, Interval, Refusal, Rerandomisation, Scale

Compared = tuple[Comparison | Refusal, ...]
MOST_BINS = 255


def rerandomise(
    fit: Fit | Refusal, comparisons: Sequence[Comparison | Refusal]
) -> tuple[Compared, Rerandomisation | None]:
    """The comparisons with ``rerandomisation_p``, ``rerandomisation_floor`` and, where the floor allows one at the
    level of the plan, the interval ``rerandomised``; and the test of all together.

    Labels are exchanged as the layout was drawn: anywhere (completely random), inside blocks, along rows and columns
    (Latin square), inside whole plots, or whole plots inside blocks (treatments at different levels of the whole-plot
    factor). Bins without a value keep their label, and so do all other treatments when two are compared; only layouts
    that the redraw rule of the plan would have kept count. A layout drawn by hand has no such test, nor has a fit of
    censored times: comparisons come back as they are, beside None. p is None where only one layout, or one and its
    mirror image, is possible. Of scores, standings inside the strata are compared instead of values.

    All treatments together in a split plot means the treatments inside whole plots.
    """
    compared = tuple(comparisons)
    if isinstance(fit, Refusal) or fit.method == "draws" or fit.values.plan.layout.drawn == "by hand":
        return compared, None
    drawn = drawn_bins(fit)
    reason = why_untested(drawn)
    if reason:
        return compared, _untested(reason)
    tested = tuple(_with_test(fit, drawn, one) for one in compared)
    together = _all_together(drawn)
    note = ""
    if not fit.values.plan.layout.drawn:
        note = "How the layout was drawn is not stated; the test takes it as drawn at random."
    reason = "" if together.p is not None else "Only one layout was possible here, or one and its mirror image."
    return tested, Rerandomisation(together.p, together.floor, together.layouts, together.exact, reason, note)


def p_of_pairs(fit: Fit, pairs: Sequence[tuple[str, str]]) -> tuple[float | None, ...]:
    """The p of each pair by itself, as ``rerandomise`` gives it; None where there is no such test."""
    if fit.values.plan.layout.drawn == "by hand":
        return (None,) * len(pairs)
    drawn = drawn_bins(fit)
    if why_untested(drawn):
        return (None,) * len(pairs)
    return tuple(_pair(drawn, *(fit.treatments.index(name) for name in pair))[0].p for pair in pairs)


def why_untested(drawn: Drawn) -> str:
    """Why this layout is not drawn again, as a sentence; empty where it is."""
    if drawn.kind == "latin square" and drawn.rule != NO_RULE:
        return f'Latin squares are drawn again without a redraw rule only; found "{drawn.rule}".'
    if drawn.y.size > MOST_BINS:
        return f"Layouts of more than {MOST_BINS} bins are not drawn again."
    try:
        broken = drawn.breaks_its_rule()
    except DesignError as error:
        return str(error)
    if not broken:
        return ""
    return (
        f'The layout is one that its own redraw rule ("{drawn.rule}") would have thrown back, so there is nothing to '
        "compare it with."
    )


def _untested(reason: str) -> Rerandomisation:
    return Rerandomisation(None, 1.0, 1, True, reason)


def _with_test(fit: Fit, drawn: Drawn, one: Comparison | Refusal) -> Comparison | Refusal:
    if isinstance(one, Refusal) or one.against not in fit.treatments or one.treatment not in fit.treatments:
        return one
    places = fit.treatments.index(one.treatment), fit.treatments.index(one.against)
    return with_answer(one, *_pair(drawn, *places, level=one.plan.level))


def with_answer(one: Comparison, test: LayoutTest, shifts: Shifts | None) -> Comparison:
    """The comparison with its test by drawing again and the interval that goes with it (analysis scale)."""
    return replace(
        one,
        rerandomisation_p=test.p,
        rerandomisation_floor=test.floor,
        rerandomised=None if shifts is None else _interval(shifts, one.outcome.scale),
    )


def _interval(shifts: Shifts, scale: Scale) -> Interval:
    low, high = shown(shifts.low, scale), shown(shifts.high, scale)
    return Interval(low, high, shifts.level, level_attained=shifts.level_attained)


def _pair(
    drawn: Drawn, treatment: int, against: int, *, level: float | None = None
) -> tuple[LayoutTest, Shifts | None]:
    """The test of two treatments, and with a level the shifts of the first that it does not reject."""
    if drawn.kind == "latin square":
        return turned_square(drawn, [(treatment, against)], level)
    stratum = drawn.block
    if drawn.kind == "split plot" and drawn.level[treatment] == drawn.level[against]:
        stratum = drawn.plot
    here = drawn.measured & np.isin(drawn.treatment, [treatment, against])
    here &= holds_both(stratum, here & (drawn.treatment == treatment), here & (drawn.treatment == against))
    if not here.any():
        return NO_TEST, None
    layouts = drawn.within(here, stratum)
    # Labels follow the treatments' positions, so the later one of the two carries label 1.
    later = drawn.treatment[here] == max(treatment, against)
    if drawn.by_order:
        return compare_two(layouts, standings(drawn.y[here], stratum[here]), later, stratum[here]), None
    test, shifts = exchanged(drawn, layouts, drawn.y[here], later, stratum[here], level)
    return test, shifts if treatment > against else opposite(shifts)


def exchanged(
    drawn: Drawn,
    layouts: DrawnLayouts | None,
    y: NDArray[np.float64],
    later: NDArray[np.bool_],
    stratum: NDArray[np.intp],
    level: float | None,
) -> tuple[LayoutTest, Shifts | None]:
    """Label 1 beside label 0, studentised where the layout is completely random and in one stratum. All arrays (n,)."""
    alone = np.unique(stratum).size == 1 and drawn.kind == "completely random"
    if alone and min(later.sum(), (~later).sum()) >= 2:
        test = compare_two_studentised(layouts, y, later)
        return test, None if level is None else shifts_of_two_studentised(layouts, y, later, level=level)
    test = compare_two(layouts, y, later, stratum)
    return test, None if level is None else shifts_of_two(layouts, y, later, stratum, level=level)


def turned_square(
    drawn: Drawn, pairs: Sequence[tuple[int, int]], level: float | None
) -> tuple[LayoutTest, Shifts | None]:
    """Treatments of a Latin square exchanged along closed chains, those of several pairs together."""
    lost = ~drawn.measured
    whole = []
    for one, other in pairs:
        closed = chains(drawn.treatment == one, drawn.treatment == other, drawn.row, drawn.column)
        whole += [chain for chain in closed if not lost[chain].any()]
    first = np.isin(drawn.treatment, [one for one, _ in pairs])
    test = compare_two_in_square(drawn.y, first, whole)
    return test, None if level is None else shifts_in_square(drawn.y, first, whole, level=level)


def opposite(shifts: Shifts | None) -> Shifts | None:
    """Of label 0 beside label 1."""
    return None if shifts is None else replace(shifts, low=-shifts.high, high=-shifts.low)


def holds_both(stratum: NDArray[np.intp], one: NDArray[np.bool_], other: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) whether a bin stands in a stratum with bins of both kinds."""
    return np.isin(stratum, np.intersect1d(stratum[one], stratum[other]))


def _all_together(drawn: Drawn) -> LayoutTest:
    if drawn.kind == "latin square":
        return _square(drawn)
    stratum = drawn.plot if drawn.kind == "split plot" else drawn.block
    here = drawn.measured
    layouts = drawn.within(here, stratum)
    labels = np.unique(drawn.treatment[here], return_inverse=True)[1]
    y = standings(drawn.y[here], stratum[here]) if drawn.by_order else drawn.y[here]
    return compare_all(layouts, y, labels, stratum[here])


def _square(drawn: Drawn) -> LayoutTest:
    size = int(drawn.row.max()) + 1
    t = np.unique(drawn.treatment).size
    if not drawn.y.size == size**2 == t**2 or int(drawn.column.max()) + 1 != size:
        return NO_TEST  # several squares, or bins that were never there
    order = np.lexsort((drawn.column, drawn.row))
    labels = np.unique(drawn.treatment, return_inverse=True)[1][order].astype(np.uint8)
    y = drawn.y[order].reshape(size, size)
    squares, exact, floor = _squares(labels.tobytes(), np.isnan(y).tobytes(), size)
    return compare_all_in_square(y, labels.reshape(size, size), squares, exact, floor)


@lru_cache(maxsize=8)
def _squares(labels: bytes, lost: bytes, size: int) -> tuple[Labels, bool, float]:
    square = np.frombuffer(labels, dtype=np.uint8).reshape(size, size)
    return shuffled_squares(square, np.frombuffer(lost, dtype=bool).reshape(size, size))
