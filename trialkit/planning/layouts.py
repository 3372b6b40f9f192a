"""Draws a layout: which bin gets which treatment, by seed or by lot, under a redraw rule that travels with it.

Shuffles use the one stream of the standard library that is promised not to change between versions, so that a seed
gives the same layout on every machine and in every year.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.numerics.interspersion import NO_RULE, default_rule, layout_is_interspersed
from trialkit.planning.feasibility import refuse_impossible
from trialkit.planning.layout_request import LayoutRequest, control_bins, count_error_df, crossed
from trialkit.planning.squares import random_square
from trialkit.records import Bin, Layout

MOST_REDRAWS = 2_000
Item = TypeVar("Item")


@dataclass(frozen=True)
class DrawnLayout:
    """A layout as drawn. ``places`` holds the (row, column) of every bin on the map, from 0; ``error_df`` the degrees
    of freedom of the residual ("error") and, in split plots, of the whole-plot stratum ("whole plots"); ``notes`` are
    sentences to be said."""

    layout: Layout
    bins: tuple[Bin, ...]
    places: tuple[tuple[int, int], ...]
    error_df: Mapping[str, int]
    redraws: int = 0
    notes: tuple[str, ...] = ()


def draw_layout(request: LayoutRequest) -> DrawnLayout:
    """Draw the layout, or check the one drawn by lot. Raises DesignError with the nearest plan that can work."""
    refuse_impossible(request)
    if request.seed is None and not request.lot:
        raise DesignError("a layout needs a seed (any whole number, say --seed 11) or the lot that was drawn.")
    error_df = count_error_df(request)
    if request.lot:
        drawn = _take_lot(request)
    elif request.kind == "latin square":
        drawn = _draw_square(request)
    elif request.kind == "split plot":
        drawn = _draw_split_plot(request)
    else:
        drawn = _draw_rows(request)
    bins, places, rule, redraws, notes = drawn
    layout = Layout(
        kind=request.kind,
        variances=request.variances,
        seed=None if request.lot else request.seed,
        drawn="by lot" if request.lot else "by seed",
        redraw_rule=rule,
        whole_plot_factor=request.whole_plot_factor,
    )
    return DrawnLayout(layout, bins, places, error_df, redraws, (*notes, *_words_on_df(error_df)))


def shuffled(items: Sequence[Item], stream: random.Random) -> list[Item]:
    """A new list in random order (Fisher and Yates), from ``stream.random`` alone."""
    result = list(items)
    for last in range(len(result) - 1, 0, -1):
        pick = int(stream.random() * (last + 1))
        result[last], result[pick] = result[pick], result[last]
    return result


_Drawn = tuple[tuple[Bin, ...], tuple[tuple[int, int], ...], str, int, tuple[str, ...]]


def _block_of_treatments(request: LayoutRequest) -> list[str]:
    """The treatments of one block, or of the whole line, before they are shuffled."""
    each = request.bins or 1 if request.kind == "completely random" else 1
    names = []
    for name in request.treatments:
        names += [name] * (control_bins(request) if name == request.control else each)
    return names


def _draw_rows(request: LayoutRequest) -> _Drawn:
    blocks = 1 if request.kind == "completely random" else request.blocks or 1
    names = _block_of_treatments(request)
    rule = _rule(request, names, blocks)
    block = np.repeat(np.arange(blocks), len(names))

    def draw(stream: random.Random) -> list[str]:
        return [name for _ in range(blocks) for name in shuffled(names, stream)]

    assigned, redraws = _draw_until_kept(draw, request, rule, block, request.treatments)
    bins, places = _number_rows(assigned, blocks, request.kind)
    return bins, places, rule, redraws, _words_on_redraws(redraws, rule)


def _draw_square(request: LayoutRequest) -> _Drawn:
    t = len(request.treatments)
    stream = random.Random(request.seed)
    square, how = random_square(t, stream)
    order = shuffled(request.treatments, stream)
    bins, places = _number_square([order[cell] for row in square for cell in row], t)
    return bins, places, NO_RULE, 0, (how,)


def _draw_split_plot(request: LayoutRequest) -> _Drawn:
    blocks, levels = request.blocks or 1, request.whole_plot_levels
    rule = _rule(request, levels, blocks)

    def draw(stream: random.Random) -> list[str]:
        return [level for _ in range(blocks) for level in shuffled(levels, stream)]

    block = np.repeat(np.arange(blocks), len(levels))
    wholes, redraws = _draw_until_kept(draw, request, rule, block, levels)
    stream = random.Random(f"{request.seed} within whole plots")
    assigned = [crossed(name, level) for level in wholes for name in shuffled(request.treatments, stream)]
    bins, places = _number_whole_plots(assigned, blocks, len(levels), len(request.treatments))
    return bins, places, rule, redraws, _words_on_redraws(redraws, rule)


def _rule(request: LayoutRequest, names: Sequence[str], blocks: int) -> str:
    if request.redraw_rule is None:
        return default_rule(request.kind, list(Counter(names).values()), blocks)
    return request.redraw_rule


def _draw_until_kept(
    draw: Callable[[random.Random], list[str]],
    request: LayoutRequest,
    rule: str,
    block: NDArray[np.intp],
    names: tuple[str, ...],
) -> tuple[list[str], int]:
    stream = random.Random(request.seed)
    code = {name: position for position, name in enumerate(names)}
    for redraws in range(MOST_REDRAWS):
        assigned = draw(stream)
        if bool(layout_is_interspersed([code[name] for name in assigned], rule, block)):
            return assigned, redraws
    raise DesignError(
        f'none of {MOST_REDRAWS} draws was kept by the redraw rule "{rule}"; expected a rule that most layouts of this '
        'size can meet. Leave the rule out, or set it to "none".'
    )


def _take_lot(request: LayoutRequest) -> _Drawn:
    assigned = list(request.lot)
    t = len(request.treatments)
    blocks = 1
    if request.kind == "latin square":
        _refuse_lot_that_is_no_square(assigned, request.treatments)
        bins, places = _number_square(assigned, t)
    elif request.kind == "split plot":
        raise DesignError(
            "a split plot drawn by lot cannot be typed in; expected completely random, blocks or a latin square. "
            "Draw it by seed."
        )
    else:
        blocks = 1 if request.kind == "completely random" else request.blocks or 1
        _refuse_lot_that_does_not_fit(assigned, _block_of_treatments(request), blocks)
        bins, places = _number_rows(assigned, blocks, request.kind)
    code = {name: position for position, name in enumerate(request.treatments)}
    rule = default_rule(request.kind, list(Counter(assigned[: len(assigned) // blocks]).values()), blocks)
    block = np.repeat(np.arange(blocks), len(assigned) // blocks)
    notes: tuple[str, ...] = ()
    if not bool(layout_is_interspersed([code[name] for name in assigned], rule, block)):
        notes = (f'The lot fell unevenly: the rule "{rule}" would have thrown it back. It stands as drawn.',)
    return bins, places, NO_RULE, 0, notes


def _refuse_lot_that_does_not_fit(assigned: list[str], expected: list[str], blocks: int) -> None:
    size = len(expected)
    if len(assigned) != size * blocks:
        raise DesignError(f"the lot names {len(assigned)} bins; expected {size * blocks}, in the order of places.")
    for start in range(0, len(assigned), size):
        found, wanted = Counter(assigned[start : start + size]), Counter(expected)
        if found != wanted:
            where = f"block {start // size + 1}" if blocks > 1 else "the line"
            words = ", ".join(f"{count} × {name}" for name, count in wanted.items())
            seen = ", ".join(f"{count} × {name}" for name, count in found.items())
            raise DesignError(f"the lot gives {where} {seen}; expected {words}. Check the list against the lots drawn.")


def _refuse_lot_that_is_no_square(assigned: list[str], treatments: tuple[str, ...]) -> None:
    t = len(treatments)
    if len(assigned) != t * t:
        raise DesignError(f"the lot names {len(assigned)} bins; expected {t * t}, row by row.")
    for number in range(t):
        for line, words in ((assigned[number * t : number * t + t], "row"), (assigned[number::t], "column")):
            if set(line) != set(treatments):
                raise DesignError(
                    f"the lot is no latin square: {words} {number + 1} holds {', '.join(line)}; expected every "
                    "treatment once in every row and column."
                )


def _number_rows(assigned: list[str], blocks: int, kind: str) -> tuple[tuple[Bin, ...], tuple[tuple[int, int], ...]]:
    size = len(assigned) // blocks
    bins, places = [], []
    for position, name in enumerate(assigned):
        row, column = divmod(position, size if kind == "blocks" else LINE_ON_MAP)
        bins.append(Bin(f"B{position + 1}", name, block=str(row + 1) if kind == "blocks" else None))
        places.append((row, column))
    return tuple(bins), tuple(places)


LINE_ON_MAP = 6


def _number_square(assigned: list[str], t: int) -> tuple[tuple[Bin, ...], tuple[tuple[int, int], ...]]:
    places = tuple(divmod(position, t) for position in range(t * t))
    bins = tuple(
        Bin(f"B{position + 1}", assigned[position], row=str(row + 1), column=str(column + 1))
        for position, (row, column) in enumerate(places)
    )
    return bins, places


def _number_whole_plots(
    assigned: list[str], blocks: int, levels: int, size: int
) -> tuple[tuple[Bin, ...], tuple[tuple[int, int], ...]]:
    bins, places = [], []
    for position, name in enumerate(assigned):
        whole, within = divmod(position, size)
        block, plot = divmod(whole, levels)
        bins.append(Bin(f"B{position + 1}", name, block=str(block + 1), whole_plot=f"W{whole + 1}"))
        places.append((block, plot * size + within))
    assert len(bins) == blocks * levels * size
    return tuple(bins), tuple(places)


def _words_on_redraws(redraws: int, rule: str) -> tuple[str, ...]:
    if not redraws:
        return ()
    times = "once" if redraws == 1 else f"{redraws} times"
    return (f'The layout was redrawn {times} under the rule "{rule}".',)


def _words_on_df(error_df: Mapping[str, int]) -> tuple[str, ...]:
    low = [f"{df} for {'bins' if name == 'error' else name}" for name, df in error_df.items() if df < 10]
    if not low:
        return ()
    return (
        f"Error degrees of freedom: {', '.join(low)}. 10 to 20 is a common guide; with fewer the intervals are wide.",
    )
