"""Every bin of one outcome, and below it each estimate with its range. Receives numbers; computes no statistics."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from trialkit.records import Analysis, Answer, BinValue, BinValues, Claim, Comparison, Fit, Outcome
from trialkit.report import rounding
from trialkit.report.drawings import FAINT, INK, PLATE, Drawing, finished, look, sheet, short_name, treatment_order
from trialkit.report.effect_axes import claim_places, effect_label, limits, neutral_of, on_log_axis, size_label
from trialkit.report.passages import capitalised, named
from trialkit.report.tables import values_of
from trialkit.report.words import claimed_size, noun, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_outcome(answer: Answer, analysis: Analysis) -> Drawing | None:
    """Every bin by treatment above, estimate and range below; None where no bin has a value."""
    values = values_of(answer)
    if values is None or not any(value.value is not None for value in values.values):
        return None
    order = treatment_order(analysis.trial, values)
    found = [item for item in answer.comparisons if isinstance(item, Comparison)]
    claims = [verdict.claim for verdict in analysis.verdicts if verdict.claim.outcome == answer.name]
    fit = answer.fit if isinstance(answer.fit, Fit) and answer.fit.method != "permutation" else None
    rows, effects = len(order), len(found)
    heights = [0.55 * rows + 0.25] + ([(0.72 if claims else 0.55) * effects + 0.3] if effects else [])
    figure, panels = sheet(heights)
    _draw_bins(panels[0], values, order, fit)
    if effects:
        _draw_effects(panels[1], found, claims, order)
    alt = alt_text(values, found, claims)
    return finished(figure, answer.name, alt, caption_text(values, found, claims, fitted=fit is not None))


def _bare(axes: Axes, title: str) -> None:
    axes.yaxis.set_visible(False)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold", color=INK, pad=8, y=1.0)
    for side in ("left", "top", "right"):
        axes.spines[side].set_visible(False)


def _draw_bins(axes: Axes, values: BinValues, order: tuple[str, ...], fit: Fit | None) -> None:
    outcome = values.outcome
    _bare(axes, "Every bin")
    place = {name: row for row, name in enumerate(order)}
    have = [value for value in values.values if value.value is not None and value.treatment in place]
    by_block: dict[str, list[BinValue]] = {}
    for value in have:
        if value.block is not None:
            by_block.setdefault(value.block, []).append(value)
    for members in by_block.values():
        members = sorted(members, key=lambda value: place[value.treatment])
        axes.plot(
            [float(v.value or 0.0) for v in members],
            [place[v.treatment] for v in members],
            color=FAINT,
            lw=0.9,
            zorder=1,
        )
    for row, name in enumerate(order):
        colour, marker = look(row)
        mine = [float(value.value or 0.0) for value in have if value.treatment == name]
        axes.plot(mine, [row] * len(mine), marker, color=colour, ms=6.5, mec="white", mew=0.6, zorder=3, ls="none")
        axes.annotate(short_name(name), (0, row), xycoords=("axes fraction", "data"), xytext=(0, 9),
                      textcoords="offset points", color=INK, va="bottom", bbox=PLATE, zorder=4)  # fmt: skip
        axes.axhline(row, color=FAINT, lw=0.5, zorder=0)
        if fit is not None and name in fit.treatments:
            mean = float(fit.means[fit.treatments.index(name)])
            shown = float(np.exp(mean)) if outcome.scale == "log" else mean
            axes.plot([shown, shown], [row - 0.22, row + 0.22], color=colour, lw=2.2, zorder=2)
    axes.set_ylim(len(order) - 0.65, -0.75)
    axes.margins(x=0.06)
    axes.set_xlabel(_axis_label(outcome))
    axes.locator_params(axis="x", nbins=5)


def _axis_label(outcome: Outcome) -> str:
    return f"{capitalised(noun(outcome))}, {shown_unit(outcome)}" if shown_unit(outcome) else capitalised(noun(outcome))


def _draw_effects(axes: Axes, found: list[Comparison], claims: list[Claim], order: tuple[str, ...]) -> None:
    log = on_log_axis(found)
    against = list(dict.fromkeys(item.against for item in found if item.against))
    _bare(axes, f"Compared with {named(short_name(against[0]))}" if len(against) == 1 else "Comparisons")
    if log:
        axes.set_xscale("log")
    neutral = neutral_of(found[0])
    marks = [(row, mark) for row, item in enumerate(found) for mark in claim_places(claims, item)]
    ends = [end for item in found for end in (item.estimate, item.interval.low, item.interval.high) if end is not None]
    ends += [neutral] if neutral is not None else []
    limits(axes, [*ends, *(mark for _, mark in marks)], log)
    if neutral is not None:
        axes.axvline(neutral, color=INK, lw=1, zorder=1)
    for row, mark in dict.fromkeys(marks):
        axes.plot([mark, mark], [row - 0.12, row + 0.26], color=INK, lw=1.5, ls=(0, (2.5, 1.8)), zorder=5)
        axes.annotate("claimed", (mark, row + 0.26), xytext=(0, -2), fontsize=9.5, textcoords="offset points",
                      ha="center", va="top", color=INK, zorder=5)  # fmt: skip
    for row, item in enumerate(found):
        spot = order.index(item.treatment) if item.treatment in order else row
        colour, marker = look(spot)
        low = axes.get_xlim()[0] if item.interval.low is None else item.interval.low
        high = axes.get_xlim()[1] if item.interval.high is None else item.interval.high
        if item.kind != "superiority" or item.interval.low is not None:  # scores have no range
            axes.plot([low, high], [row, row], color=colour, lw=2.6, solid_capstyle="butt", zorder=2)
        for end in (item.interval.low, item.interval.high):
            if end is not None:
                axes.plot([end, end], [row - 0.1, row + 0.1], color=colour, lw=1.6, zorder=2)
        axes.plot([item.estimate], [row], marker, color=colour, ms=7.5, mec="white", mew=0.8, zorder=3)
        beside = f" beside {item.against}" if len(against) > 1 and item.against else ""
        axes.annotate(f"{short_name(item.treatment + beside)}: {effect_label(item)}", (0, row), fontsize=10,
                      xycoords=("axes fraction", "data"), xytext=(0, 9), textcoords="offset points", va="bottom",
                      color=INK, bbox=PLATE, zorder=4)  # fmt: skip
    axes.set_ylim(len(found) - (0.35 if marks else 0.6), -0.8)
    axes.set_xlabel(size_label(found[0]))


def alt_text(values: BinValues, found: Sequence[Comparison], claims: Sequence[Claim] = ()) -> str:
    """What the figure shows, for readers who hear it: the bins of each treatment, then each estimate and range."""
    groups: dict[str, list[float]] = {}
    for value in values.values:
        if value.value is not None:
            groups.setdefault(value.treatment, []).append(value.value)
    unit = f" {shown_unit(values.outcome)}" if shown_unit(values.outcome) else ""
    parts = [f"{capitalised(noun(values.outcome))} of every bin."]
    for name, numbers in groups.items():
        low, high = rounding.figures(min(numbers), 3), rounding.figures(max(numbers), 3)
        span = f"{low}{unit}" if low == high else f"{low} to {high}{unit}"
        parts.append(f"{name}: {len(numbers)} {'bin' if len(numbers) == 1 else 'bins'}, {span}.")
    for item in found:
        beside = f" beside {item.against}" if item.against else ""
        parts.append(f"{item.treatment}{beside}: {effect_label(item)}.")
    parts += [f"Claimed: {claimed_size(claim, values.outcome)}." for claim in claims]
    return " ".join(parts)


def caption_text(
    values: BinValues, found: Sequence[Comparison], claims: Sequence[Claim] = (), *, fitted: bool = True
) -> str:
    """The caption: what a mark, a line and a bar are."""
    outcome = values.outcome
    blocks = any(value.block is not None for value in values.values)
    text = f"{capitalised(noun(outcome))}. Above, every bin is one mark"
    text += ", thin lines join bins of one block" if blocks else ""
    text += ", and the upright stroke is the adjusted mean." if fitted else "."
    if not found:
        return text.replace("Above, every", "Every")
    if all(item.kind == "superiority" for item in found):
        return f"{text} Below, the share of all pairs of bins in which one treatment stands above the other."
    text += f" Below, the estimate and its {rounding.percent(found[0].interval.level)} range"
    text += "; the dashed stroke is what was claimed." if claims else "."
    return text
