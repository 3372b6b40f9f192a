"""The panel of every bin: one mark a bin, a row a treatment, block lines, means, and claims counted in days."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from trialkit.records import BinValue, BinValues, Claim, Fit, Outcome
from trialkit.report.drawings import FAINT, INK, PLATE, look, short_name
from trialkit.report.facts import is_longer
from trialkit.report.passages import capitalised
from trialkit.report.words import noun, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BIN_ROW = 0.55  # inches a treatment
NEAR = 0.025  # of the axis: marks closer than that would hide each other
STEP = 0.17  # of a row: how far a mark moves aside, away from the name above it first


def bare(axes: Axes, title: str) -> None:
    axes.yaxis.set_visible(False)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold", color=INK, pad=8, y=1.0)
    for side in ("left", "top", "right"):
        axes.spines[side].set_visible(False)


def draw_claim(axes: Axes, mark: float, row: int) -> None:
    """The dashed stroke of a claim in its row, with its word."""
    axes.plot([mark, mark], [row - 0.12, row + 0.26], color=INK, lw=1.5, ls=(0, (2.5, 1.8)), zorder=5)
    axes.annotate("claimed", (mark, row + 0.26), xytext=(0, -2), fontsize=9.5, textcoords="offset points",
                  ha="center", va="top", color=INK, zorder=5)  # fmt: skip


def claimed_days(claims: Sequence[Claim], order: tuple[str, ...]) -> list[tuple[float, int]]:
    """Days within which a treatment was claimed to be there, each with the row of the treatment."""
    return [(c.amount, order.index(c.treatment)) for c in claims if c.size == "within_days" and c.treatment in order]


def draw_bins(
    axes: Axes, values: BinValues, order: tuple[str, ...], fit: Fit | None, claims: Sequence[Claim] = ()
) -> None:
    """Every bin at its value, or, where it was not there by its last visit, open and with an arrow at that visit."""
    outcome = values.outcome
    bare(axes, "Every bin")
    shown = [
        (value, float(place))
        for value in values.values
        if value.treatment in order and (place := value.low if is_longer(value, values) else value.value) is not None
    ]
    spots = _spots(shown, order)
    _join_blocks(axes, shown, spots, order)
    for row, name in enumerate(order):
        colour, marker = look(row)
        for value, x in shown:
            if value.treatment != name:
                continue
            open_end = is_longer(value, values)
            axes.plot([x], [spots[value.bin]], marker, ms=6.5, zorder=3, mfc="white" if open_end else colour,
                      mec=colour if open_end else "white", mew=1.3 if open_end else 0.6)  # fmt: skip
            if open_end:
                axes.annotate("", (x, spots[value.bin]), xytext=(20, 0), textcoords="offset points", zorder=2,
                              arrowprops={"arrowstyle": "<-", "color": colour}, annotation_clip=False)  # fmt: skip
        axes.annotate(short_name(name), (0, row), xycoords=("axes fraction", "data"), xytext=(0, 9),
                      textcoords="offset points", color=INK, va="bottom", bbox=PLATE, zorder=4)  # fmt: skip
        axes.axhline(row, color=FAINT, lw=0.5, zorder=0)
        if fit is not None and name in fit.treatments:
            mean = float(fit.means[fit.treatments.index(name)])
            at = float(np.exp(mean)) if outcome.scale == "log" else mean
            axes.plot([at, at], [row - 0.22, row + 0.22], color=colour, lw=2.2, zorder=2)
    for mark, row in claimed_days(claims, order):
        draw_claim(axes, mark, row)
    axes.set_ylim(len(order) - (0.25 if claimed_days(claims, order) else 0.65), -0.75)
    axes.margins(x=0.1 if any(is_longer(value, values) for value, _ in shown) else 0.06)
    axes.set_xlabel(_axis_label(outcome))
    axes.locator_params(axis="x", nbins=5)


def _spots(shown: list[tuple[BinValue, float]], order: tuple[str, ...]) -> dict[str, float]:
    """The height of every mark: its row, or a step aside where the one before it stands too near."""
    near = NEAR * (max((x for _, x in shown), default=0.0) - min((x for _, x in shown), default=0.0))
    spots: dict[str, float] = {}
    for row, name in enumerate(order):
        before, aside = -np.inf, 0
        for value, x in sorted((pair for pair in shown if pair[0].treatment == name), key=lambda pair: pair[1]):
            aside = aside + 1 if x - before <= near else 0
            spots[value.bin] = row + STEP * -((-1) ** aside) * ((aside + 1) // 2)
            before = x
    return spots


def _join_blocks(
    axes: Axes, shown: list[tuple[BinValue, float]], spots: dict[str, float], order: tuple[str, ...]
) -> None:
    by_block: dict[str, list[tuple[BinValue, float]]] = {}
    for value, x in shown:
        if value.block is not None:
            by_block.setdefault(f"{value.site or ''}\0{value.block}", []).append((value, x))
    for members in by_block.values():
        members.sort(key=lambda pair: order.index(pair[0].treatment))
        axes.plot([x for _, x in members], [spots[value.bin] for value, _ in members], color=FAINT, lw=0.9, zorder=1)


def _axis_label(outcome: Outcome) -> str:
    return f"{capitalised(noun(outcome))}, {shown_unit(outcome)}" if shown_unit(outcome) else capitalised(noun(outcome))
