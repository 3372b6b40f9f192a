"""What is wanted of a layout, how many bins that makes, and how many degrees of freedom it leaves for error."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Literal

Kind = Literal["completely random", "blocks", "latin square", "split plot"]
KINDS: tuple[Kind, ...] = ("completely random", "blocks", "latin square", "split plot")


@dataclass(frozen=True)
class LayoutRequest:
    """What is wanted of a layout.

    ``treatments`` in the plan's order, ``control`` one of them. ``bins`` is the number of bins an arm (completely
    random), ``blocks`` the number of blocks (blocks, split plot), ``bins_per_block`` what a block can hold, if that
    is limited. ``control_replication`` is how many bins the control gets for each bin of another arm, in a block or
    in all: "equal", "square root" (√ of the number of other arms, rounded) or a number. For a split plot
    ``treatments`` are crossed with ``whole_plot_levels`` of the factor ``whole_plot_factor``. ``lot`` holds the
    treatments in the order of places where the layout was drawn by lot. ``redraw_rule`` None means the default rule.
    """

    kind: Kind
    treatments: tuple[str, ...]
    control: str
    bins: int | None = None
    blocks: int | None = None
    bins_per_block: int | None = None
    control_replication: Literal["equal", "square root"] | int = "equal"
    whole_plot_factor: str = ""
    whole_plot_levels: tuple[str, ...] = ()
    seed: int | None = None
    lot: tuple[str, ...] = ()
    redraw_rule: str | None = None
    variances: Literal["common", "by treatment"] | None = None


def arms_of(request: LayoutRequest) -> tuple[str, ...]:
    """The treatments as they stand in bins.csv: in a split plot every treatment at every whole-plot level."""
    if request.kind != "split plot":
        return request.treatments
    return tuple(crossed(name, level) for level in request.whole_plot_levels for name in request.treatments)


def crossed(treatment: str, level: str) -> str:
    """The name of a treatment at a level of the whole-plot factor."""
    return f"{treatment}, {level}"


def control_bins(request: LayoutRequest) -> int:
    """Bins of the control in a block, or in the whole trial where there are no blocks (√ rule: Dunnett 1955, JASA 50).

    For k other arms of n bins the control gets n·√k, rounded.
    """
    others = len(request.treatments) - 1
    base = request.bins or 1 if request.kind == "completely random" else 1
    if request.control_replication == "equal":
        return base
    if request.control_replication == "square root":
        return round(base * sqrt(others))
    return base * request.control_replication


def count_error_df(request: LayoutRequest) -> dict[str, int]:
    """Degrees of freedom of the error strata of a layout, complete and additive in blocks, rows and columns."""
    t = len(request.treatments)
    if request.kind == "completely random":
        return {"error": (t - 1) * (request.bins or 0) + control_bins(request) - t}
    blocks = request.blocks or 0
    if request.kind == "blocks":
        return {"error": blocks * (t - 1 + control_bins(request)) - blocks - t + 1}
    if request.kind == "latin square":
        return {"error": (t - 1) * (t - 2)}
    levels = len(request.whole_plot_levels)
    return {"error": levels * (blocks - 1) * (t - 1), "whole plots": (blocks - 1) * (levels - 1)}
