"""The figure of repeats: estimate and range with each bin or block left out, on the other scale, by the other rule."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.records import Analysis, Answer, Comparison, Sensitivity, Trial
from trialkit.report.drawings import (
    FAINT,
    INK,
    SOFT,
    Drawing,
    broken,
    finished,
    look,
    sheet,
    short_name,
    treatment_order,
)
from trialkit.report.effect_axes import limits, neutral_of, on_log_axis, size_label
from trialkit.report.passages import capitalised, counted, named
from trialkit.report.robustness import changed_words, repeats_of
from trialkit.report.rounding import figures, is_shown
from trialkit.report.tables import values_of
from trialkit.report.words import noun

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_ROWS = 24  # a panel for one screen of a phone
ROW_HEIGHT = 0.21


def draw_repeats(answer: Answer, analysis: Analysis) -> Drawing | None:
    """One panel a claimed comparison, else the first of the outcome; None where nothing was repeated."""
    shown = [(item, calls) for item, calls in _pairs(answer, analysis) if _drawable(item, answer)]
    if not shown:
        return None
    rows = [_chosen(_drawable(item, answer), item) for item, _ in shown]
    titles = [broken(f"{item.treatment} beside {named(item.against or '')}", most=38) for item, _ in shown]
    extra = 0.17 * max(title.count("\n") for title in titles)
    figure, panels = sheet([ROW_HEIGHT * (len(part) + 1.6) for part in rows], gap=0.95 + extra, above=0.35 + extra)
    order = treatment_order(analysis.trial, values_of(answer))
    changed = 0
    for axes, (item, call), part, title in zip(panels, shown, rows, titles, strict=True):
        colour, marker = look(order.index(item.treatment) if item.treatment in order else 0)
        words = [_row_words(repeat, analysis.trial) for repeat in part]
        turned = [repeat.call is not None and call is not None and repeat.call != call for repeat in part]
        changed += sum(turned)
        _draw_rows(axes, item, part, words, turned, (colour, marker))
        axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold", color=INK, pad=8, y=1.0, x=-0.7)
    name = capitalised(noun(shown[0][0].outcome))
    left = sum(len(_drawable(item, answer)) for item, _ in shown) - sum(len(part) for part in rows)
    alt = f"{name} with one thing changed at a time. " + " ".join(
        f"{item.treatment} beside {item.against}: {figures(item.estimate, 3)} as analysed; "
        f"{figures(min(r.estimate for r in part), 3)} to {figures(max(r.estimate for r in part), 3)} "
        f"in {counted(len(part), 'repeat')}."
        for (item, _), part in zip(shown, rows, strict=True)
    )
    caption = f"{name} with one thing changed at a time; the band is the range as analysed."
    caption += " Open marks: the answer to the claim changes." if changed else ""
    caption += f" The {left} repeats that move the estimate least are in the appendix only." if left else ""
    return finished(figure, f"repeats_{answer.name}", alt, caption)


def _pairs(answer: Answer, analysis: Analysis) -> list[tuple[Comparison, str | None]]:
    claimed = [
        (verdict.comparison, str(verdict.call))
        for verdict in analysis.verdicts
        if verdict.claim.outcome == answer.name and verdict.comparison is not None
    ]
    if claimed:
        return list({(item.treatment, item.against): (item, call) for item, call in reversed(claimed)}.values())[::-1]
    return [(item, None) for item in answer.comparisons if isinstance(item, Comparison)][:1]


def _drawable(item: Comparison, answer: Answer) -> list[Sensitivity]:
    """The repeats of a comparison, turned as it is, that came to an estimate; none of scores, which have no range."""
    if item.kind == "superiority":
        return []
    return [
        repeat
        for repeat in repeats_of(item, answer)
        if repeat.treatment == item.treatment and is_shown(repeat.estimate)
    ]


def _chosen(repeats: list[Sensitivity], item: Comparison) -> list[Sensitivity]:
    """All of them, or those that move the estimate most, in their order."""
    if len(repeats) <= MOST_ROWS:
        return repeats
    kept = sorted(repeats, key=lambda repeat: -abs(repeat.estimate - item.estimate))[:MOST_ROWS]
    return [repeat for repeat in repeats if repeat in kept]


def _row_words(repeat: Sensitivity, trial: Trial) -> str:
    if repeat.what == "variances":
        return "Own variances" if repeat.name == "by treatment" else "One variance"
    return capitalised(changed_words(repeat, trial))


def _draw_rows(
    axes: Axes,
    item: Comparison,
    repeats: list[Sensitivity],
    words: list[str],
    turned: list[bool],
    style: tuple[str, str],
) -> None:
    colour, marker = style
    box = axes.get_position()
    axes.set_position((0.42, box.y0, 0.55, box.height))
    log = on_log_axis([item])
    if log:
        axes.set_xscale("log")
    rows = [("As analysed", item.estimate, item.interval.low, item.interval.high, False)]
    rows += [
        (word, repeat.estimate, repeat.low, repeat.high, flag)
        for word, repeat, flag in zip(words, repeats, turned, strict=True)
    ]
    neutral = neutral_of(item)
    ends = [end for row in rows for end in row[1:4] if end is not None]
    limits(axes, [*ends, *([neutral] if neutral is not None else [])], log)
    left, right = axes.get_xlim()
    low = left if item.interval.low is None else item.interval.low
    high = right if item.interval.high is None else item.interval.high
    axes.axvspan(low, high, color=FAINT, alpha=0.45, lw=0, zorder=0)
    if neutral is not None:
        axes.axvline(neutral, color=INK, lw=1, zorder=1)
    starts = [left if row[2] is None else row[2] for row in rows]
    stops = [right if row[3] is None else row[3] for row in rows]
    axes.hlines(range(len(rows)), starts, stops, color=colour, lw=[2.6] + [1.6] * len(repeats), zorder=2)
    for flag in (False, True):  # one drawing for all marks of a kind
        mine = [place for place, row in enumerate(rows) if row[4] == flag]
        fill, edge, thick = ("white", colour, 1.2) if flag else (colour, "white", 0.5)
        axes.plot([rows[place][1] for place in mine], mine, marker, ms=6, mfc=fill, mec=edge, mew=thick, ls="none",
                  zorder=3)  # fmt: skip
    for place, (word, _, _, _, flag) in enumerate(rows):
        axes.annotate(short_name(word, 22), (0, place), xycoords=("axes fraction", "data"), xytext=(-7, 0),
                      textcoords="offset points", ha="right", va="center", fontsize=9.5, color=INK,
                      fontweight="bold" if not place or flag else "normal", annotation_clip=False)  # fmt: skip
    axes.set_ylim(len(rows) - 0.4, -0.8)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(size_label(item), loc="right")
    axes.tick_params(axis="x", colors=INK)
    axes.spines["bottom"].set_color(SOFT)
