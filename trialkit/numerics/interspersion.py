"""Which layouts a redraw rule keeps: the same function when a layout is drawn and when it is re-randomised.

A layout drawn at random can put all bins of a treatment on the sunny side. A rule, fixed in the trial file before the
draw, says which draws are thrown back; the re-randomisation test then runs over the layouts that the rule would have
kept, and over no other. Places are counted along the bins in the order of their ids (B1, B2, … B10, B11).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import ceil, comb, log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError

NO_RULE = "none"
_LINE = re.compile(r"both halves of the line, runs up to (\d+)")
_PLACES = re.compile(r"no treatment at one place in more than (\d+) blocks")
_WHOLE_PLOTS = re.compile(r"no whole-plot level at one place in more than (\d+) blocks")


def default_rule(kind: str, counts: Sequence[int], blocks: int = 1) -> str:
    """The rule the planner declares for a kind of layout, as the text of the trial file.

    ``counts`` holds the bins of each treatment in the line or in one block (whole plots of each level in a block for
    split plots). Only the worst draws go: a stricter rule would leave too few layouts for the re-randomisation test.
    A run may be as long as log(size) / log(1/share), 3 at least, the share being that of the treatment with most bins:
    about one longer run is expected in a line. Up to five blocks a treatment may not keep one place in all of them,
    from six in no more than three quarters; where a treatment fills so much of a block that more than 0.9 such places
    are expected, the number rises, and where it reaches that of the blocks there is no rule.
    """
    largest, size = max(counts), sum(counts)
    share = largest / size
    if kind == "completely random":
        longest = max(3, ceil(log(size) / log(1 / share))) if share < 1 else size
        return f"both halves of the line, runs up to {longest}"
    if kind not in ("blocks", "split plot"):
        return NO_RULE
    most = max(1, blocks - 1 if blocks < 6 else ceil(0.75 * blocks))
    while most < blocks and size * _chance_above(most, blocks, share) > 0.9:
        most += 1
    what = "treatment" if kind == "blocks" else "whole-plot level"
    return NO_RULE if most >= blocks else f"no {what} at one place in more than {most} blocks"


def _chance_above(most: int, trials: int, chance: float) -> float:
    """Probability of more than ``most`` successes (binomial)."""
    return sum(comb(trials, k) * chance**k * (1 - chance) ** (trials - k) for k in range(most + 1, trials + 1))


def layout_is_interspersed(labels: ArrayLike, rule: str, block: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Whether the rule keeps a layout, for one layout (n,) or many at once (…, n).

    ``labels`` holds the treatment codes in the order of places (for the whole-plot rule: one code of the whole-plot
    level per whole plot); ``block`` (n,) the block of each place, needed by the rules that speak of blocks. Returns a
    boolean of shape (…). Raises DesignError for a rule that is not known.

    - "both halves of the line, runs up to N": every treatment of two bins or more stands in the first and in the
      second half of the line (the middle place of an odd number counts for both), and nowhere in more than N
      neighbouring places.
    - "no treatment at one place in more than N blocks": the first, second, … place of the blocks taken in turn.
    """
    codes = np.asarray(labels)
    if rule == NO_RULE:
        return np.ones(codes.shape[:-1], dtype=bool)
    if found := _LINE.fullmatch(rule):
        return _line_is_mixed(codes, int(found[1]))
    if found := _PLACES.fullmatch(rule) or _WHOLE_PLOTS.fullmatch(rule):
        if block is None:
            raise DesignError(f'the redraw rule "{rule}" needs the block of every bin; none was given.')
        return _places_are_mixed(codes, np.asarray(block), int(found[1]))
    raise DesignError(
        f'found the redraw rule "{rule}"; expected "none", "both halves of the line, runs up to N", "no treatment at '
        'one place in more than N blocks" or "no whole-plot level at one place in more than N blocks".'
    )


def order_of_places(bins: Sequence[str]) -> list[int]:
    """Positions of the bin ids in the order of places: digits count as numbers, so B2 comes before B10."""

    def key(position: int) -> list[tuple[int, int, str]]:
        parts = re.findall(r"\d+|\D+", bins[position])
        return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts]

    return sorted(range(len(bins)), key=key)


def _line_is_mixed(codes: NDArray[np.generic], longest: int) -> NDArray[np.bool_]:
    n = codes.shape[-1]
    half = ceil(n / 2)
    kept = np.ones(codes.shape[:-1], dtype=bool)
    for code in np.unique(codes):
        here = codes == code
        split = here[..., :half].any(axis=-1) & here[..., n - half :].any(axis=-1)
        kept &= split | (here.sum(axis=-1) < 2)
    if n > longest:
        same = codes[..., 1:] == codes[..., :-1]
        windows = np.lib.stride_tricks.sliding_window_view(same, longest, axis=-1)
        kept &= ~windows.all(axis=-1).any(axis=-1)
    return kept


def _places_are_mixed(codes: NDArray[np.generic], block: NDArray[np.generic], most: int) -> NDArray[np.bool_]:
    place = np.zeros(block.size, dtype=int)
    for name in np.unique(block):
        inside = block == name
        place[inside] = np.arange(inside.sum())
    kept = np.ones(codes.shape[:-1], dtype=bool)
    for spot in np.unique(place):
        at_spot = codes[..., place == spot]
        for code in np.unique(codes):
            kept &= (at_spot == code).sum(axis=-1) <= most
    return kept
