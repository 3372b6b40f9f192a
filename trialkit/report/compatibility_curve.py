"""The curve of compatibility: how well each size of the effect fits the bins. The numbers come from numerics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.numerics.compatibility import compatibility, fit_of, widening
from trialkit.records import Analysis, Answer, Claim, Comparison
from trialkit.report.drawings import FAINT, INK, Drawing, broken, finished, look, sheet, treatment_order
from trialkit.report.effect_axes import claim_places, effect_label, limits, neutral_of, on_log_axis, size_label
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.rounding import percent
from trialkit.report.tables import values_of
from trialkit.report.words import noun

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PANELS = 4
LINE = 0.17  # inches of one more line of a title
Points = NDArray[np.float64]


def draw_compatibility(answer: Answer, analysis: Analysis) -> Drawing | None:
    """One panel a comparison; None where no comparison has a standard error and a whole range."""
    found = [c for c in answer.comparisons if isinstance(c, Comparison) and _has_curve(c)]
    claims = [verdict.claim for verdict in analysis.verdicts if verdict.claim.outcome == answer.name]
    found = sorted(found, key=lambda item: not claim_places(claims, item))[:MOST_PANELS]
    if not found:
        return None
    order = treatment_order(analysis.trial, values_of(answer))
    titles = [broken(f"{c.treatment} beside {named(c.against or '')}:", effect_label(c), most=38) for c in found]
    extra = LINE * max(title.count("\n") for title in titles)
    figure, panels = sheet([0.95] * len(found), gap=0.75 + extra, above=0.35 + extra)
    curves = [_curve(item) for item in found]
    ends = [float(end) for effect, _ in curves for end in (effect[0], effect[-1])]
    ends += [mark for item in found for mark in (*claim_places(claims, item), neutral_of(item)) if mark is not None]
    for axes, item, curve, title in zip(panels, found, curves, titles, strict=True):
        colour = look(order.index(item.treatment) if item.treatment in order else 0)[0]
        _draw_curve(axes, item, claims, curve, ends, colour)
        axes.set_title(title, loc="left", fontsize=10, fontweight="bold", color=INK, pad=6, y=1.0, x=-0.1)
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
        beyond = mark >= item.estimate  # the word stands on the far side of the peak, where the curve is low
        room = axes.transAxes.inverted().transform(axes.transData.transform((mark, 0.0)))[0]
        right = beyond if 0.2 < room < 0.8 else room <= 0.5
        axes.annotate("claimed", (mark, 0.72), xytext=(3 if right else -3, 0), textcoords="offset points", va="top",
                      ha="left" if right else "right", fontsize=9.5, color=INK, zorder=5)  # fmt: skip
    axes.set_ylim(0, 1.05)
    axes.set_yticks([0, 1], ["badly", "best"], fontsize=9.5)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color=FAINT, lw=0.5)
    axes.set_axisbelow(True)
    box = axes.get_position()
    axes.set_position((0.13, box.y0, 0.83, box.height))


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
