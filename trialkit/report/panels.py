"""Every bin of one outcome, and below it each estimate with its range. Receives numbers; computes no statistics."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.records import Analysis, Answer, BinValues, Claim, Comparison, Fit
from trialkit.report import rounding
from trialkit.report.bin_panel import BIN_ROW, bare, claimed_days, draw_bins, draw_claim
from trialkit.report.drawings import INK, PLATE, Drawing, broken, finished, look, sheet, short_name, treatment_order
from trialkit.report.effect_axes import claim_places, effect_label, limits, neutral_of, on_log_axis, size_label
from trialkit.report.facts import is_longer
from trialkit.report.passages import capitalised, counted, named
from trialkit.report.tables import values_of
from trialkit.report.words import claimed_size, noun, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


LINE = 0.17  # inches of one more line of a label


def draw_outcome(answer: Answer, analysis: Analysis) -> Drawing | None:
    """Every bin by treatment above, estimate and range below; None where no bin has a value."""
    values = values_of(answer)
    if values is None or not any(value.value is not None for value in values.values):
        return None
    order = treatment_order(analysis.trial, values)
    found = [item for item in answer.comparisons if isinstance(item, Comparison)]
    claims = [verdict.claim for verdict in analysis.verdicts if verdict.claim.outcome == answer.name]
    fit = answer.fit if isinstance(answer.fit, Fit) and answer.fit.method != "permutation" else None
    labels = effect_labels(found)
    deepest = max((label.count("\n") for label in labels), default=0)
    row = (0.72 if claims else 0.55) + LINE * deepest
    bins_high = BIN_ROW * (len(order) + (0.4 if claimed_days(claims, order) else 0.0)) + 0.25
    figure, panels = sheet([bins_high] + ([row * len(found) + 0.3] if found else []))
    draw_bins(panels[0], values, order, fit, claims)
    if found:
        _draw_effects(panels[1], found, claims, order, labels)
    alt = alt_text(values, found, claims)
    return finished(figure, answer.name, alt, caption_text(values, found, claims, fitted=fit is not None))


def effect_labels(found: Sequence[Comparison]) -> list[str]:
    """What stands above each bar: who beside whom, estimate and range, on as few lines as hold it."""
    several = len({item.against for item in found if item.against}) > 1
    return [
        broken(
            f"{item.treatment}{f' beside {named(item.against)}' if several and item.against else ''}:",
            effect_label(item),
        )
        for item in found
    ]


def _draw_effects(
    axes: Axes, found: list[Comparison], claims: list[Claim], order: tuple[str, ...], labels: list[str]
) -> None:
    log = on_log_axis(found)
    against = list(dict.fromkeys(item.against for item in found if item.against))
    bare(axes, f"Compared with {named(short_name(against[0]))}" if len(against) == 1 else "Comparisons")
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
        draw_claim(axes, mark, row)
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
        axes.annotate(labels[row], (0, row), fontsize=10, xycoords=("axes fraction", "data"), xytext=(0, 9),
                      textcoords="offset points", va="bottom", color=INK, bbox=PLATE, zorder=4)  # fmt: skip
    axes.set_ylim(len(found) - (0.35 if marks else 0.6), -0.8)
    axes.set_xlabel(size_label(found[0]))


def alt_text(values: BinValues, found: Sequence[Comparison], claims: Sequence[Claim] = ()) -> str:
    """What the figure shows, for readers who hear it: the bins of each treatment, then each estimate and range."""
    groups: dict[str, list[float]] = {}
    longer: dict[str, int] = {}
    for value in values.values:
        if value.value is not None:
            groups.setdefault(value.treatment, []).append(value.value)
        elif is_longer(value, values):
            longer[value.treatment] = longer.get(value.treatment, 0) + 1
    unit = f" {shown_unit(values.outcome)}" if shown_unit(values.outcome) else ""
    parts = [f"{capitalised(noun(values.outcome))} of every bin."]
    for name, numbers in groups.items():
        low, high = rounding.figures(min(numbers), 3), rounding.figures(max(numbers), 3)
        span = f"{low}{unit}" if low == high else f"{low} to {high}{unit}"
        more = f"; {counted(longer[name], 'bin')} not by the last visit" if name in longer else ""
        parts.append(f"{name}: {counted(len(numbers), 'bin')}, {span}{more}.")
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
    longer = any(is_longer(value, values) for value in values.values)
    text = f"{capitalised(noun(outcome))}. Above, every bin is one mark"
    text += ", thin lines join bins of one block" if blocks else ""
    text += ", an open mark with an arrow was not there by its last visit" if longer else ""
    text += ", and the upright stroke is the adjusted mean." if fitted else "."
    if not found:
        return text.replace("Above, every", "Every")
    if all(item.kind == "superiority" for item in found):
        return f"{text} Below, the share of all pairs of bins in which one treatment stands above the other."
    text += f" Below, the estimate and its {rounding.percent(found[0].interval.level)} range"
    text += "; the dashed stroke is what was claimed." if claims else "."
    return text
