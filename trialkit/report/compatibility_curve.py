"""The curve of compatibility: how well each size of the effect fits the bins. The numbers come from numerics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.numerics.compatibility import compatibility, fit_of, widening
from trialkit.records import Analysis, Answer, Claim, Comparison
from trialkit.report.drawings import FAINT, INK, PLATE, Drawing, finished, look, sheet, short_name, treatment_order
from trialkit.report.effect_axes import claim_places, effect_label, limits, neutral_of, on_log_axis, size_label
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.rounding import percent
from trialkit.report.tables import values_of
from trialkit.report.words import noun

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PANELS = 4
Points = NDArray[np.float64]


def draw_compatibility(answer: Answer, analysis: Analysis) -> Drawing | None:
    """One panel a comparison; None where no comparison has a standard error and a whole range."""
    found = [c for c in answer.comparisons if isinstance(c, Comparison) and _has_curve(c)]
    claims = [verdict.claim for verdict in analysis.verdicts if verdict.claim.outcome == answer.name]
    found = sorted(found, key=lambda item: not claim_places(claims, item))[:MOST_PANELS]
    if not found:
        return None
    order = treatment_order(analysis.trial, values_of(answer))
    figure, panels = sheet([0.95] * len(found), gap=0.75)
    curves = [_curve(item) for item in found]
    ends = [float(end) for effect, _ in curves for end in (effect[0], effect[-1])]
    ends += [mark for item in found for mark in (*claim_places(claims, item), neutral_of(item)) if mark is not None]
    for axes, item, curve in zip(panels, found, curves, strict=True):
        colour = look(order.index(item.treatment) if item.treatment in order else 0)[0]
        _draw_curve(axes, item, claims, curve, ends, colour)
    panels[-1].set_xlabel(size_label(found[-1]))
    name, level = capitalised(noun(found[0].outcome)), found[0].interval.level
    alt = f"{name}: how well each size of the effect fits. " + " ".join(_told(item, claims) for item in found)
    caption = (
        f"{name}: how well each size of the effect fits these bins. The peak is the estimate; the bar, "
        f"where the curve is still above {percent(1 - level)} of its height, is the {percent(level)} range. Sizes far "
        "down the slopes are not ruled out, they fit badly."
    )
    return finished(figure, f"curve_{answer.name}", alt, caption)


def _has_curve(item: Comparison) -> bool:
    low, high = item.interval.low, item.interval.high
    if low is None or high is None or item.kind not in ("ratio", "difference"):
        return False
    return bool(item.std_error and item.df) and (item.kind != "ratio" or min(low, item.estimate) > 0)


def _on_scale(value: float, item: Comparison) -> float:
    return math.log(value) if item.kind == "ratio" else value


def _widened(item: Comparison) -> float:
    estimate, high = _on_scale(item.estimate, item), _on_scale(item.interval.high or 0.0, item)
    return widening(estimate, high, float(item.std_error or 0.0), float(item.df or 0.0), item.interval.level)


def _curve(item: Comparison) -> tuple[Points, Points]:
    """Effects on the scale shown, and how well each fits."""
    estimate, std_error, df = _on_scale(item.estimate, item), float(item.std_error or 0.0), float(item.df or 0.0)
    curve = compatibility(estimate, std_error, df, widened=_widened(item), least=0.005, points=121)
    return (np.exp(curve.effect) if item.kind == "ratio" else curve.effect), curve.fits


def _draw_curve(
    axes: Axes, item: Comparison, claims: list[Claim], curve: tuple[Points, Points], ends: list[float], colour: str
) -> None:
    effect, fits = curve
    log = on_log_axis([item])
    if log:
        axes.set_xscale("log")
    marks, neutral = claim_places(claims, item), neutral_of(item)
    limits(axes, ends, log)
    axes.fill_between(effect, fits, color=colour, alpha=0.18, lw=0, zorder=1)
    axes.plot(effect, fits, color=colour, lw=1.8, zorder=3)
    alpha = 1 - item.interval.level
    axes.plot([item.interval.low, item.interval.high], [alpha, alpha], color=colour, lw=3.2, solid_capstyle="butt",
              zorder=4)  # fmt: skip
    if neutral is not None:
        axes.axvline(neutral, color=INK, lw=1, zorder=2)
    for mark in dict.fromkeys(marks):
        axes.plot([mark, mark], [0, 0.72], color=INK, lw=1.5, ls=(0, (2.5, 1.8)), zorder=5)
        axes.annotate("claimed", (mark, 0.74), ha="center", va="bottom", fontsize=9.5, color=INK, bbox=PLATE, zorder=5)
    axes.set_ylim(0, 1.05)
    axes.set_yticks([0, 1], ["badly", "best"], fontsize=9.5)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color=FAINT, lw=0.5)
    axes.set_axisbelow(True)
    box = axes.get_position()
    axes.set_position((0.13, box.y0, 0.83, box.height))
    title = f"{short_name(item.treatment, 20)} beside {named(short_name(item.against or '', 20))}"
    axes.set_title(f"{title}: {effect_label(item).split(' ')[0]}", loc="left", fontsize=10, fontweight="bold",
                   color=INK, pad=6, y=1.0, x=-0.1)  # fmt: skip


def _told(item: Comparison, claims: list[Claim]) -> str:
    """The curve in words: where it peaks, where it leaves the range, and how well claim and no effect fit."""
    places = [("no effect", neutral_of(item)), *(("what was claimed", mark) for mark in claim_places(claims, item))]
    fits = [f"{name} fits at {_height(_share(mark, item))}" for name, mark in places if mark is not None]
    return f"{item.treatment} beside {item.against}: best {effect_label(item)}; {listed(fits)} of the peak."


def _share(mark: float, item: Comparison) -> float:
    estimate, std_error, df = _on_scale(item.estimate, item), float(item.std_error or 0.0), float(item.df or 0.0)
    return fit_of(_on_scale(mark, item), estimate, std_error, df, widened=_widened(item))


def _height(share: float) -> str:
    return "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"
