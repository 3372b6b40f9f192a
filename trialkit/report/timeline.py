"""Every bin from filling to finish: the days it was seen unfinished, the window in which it finished, and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.records import Answer, BinValue, Comparison, FinishCurve, Trial
from trialkit.report.drawings import FAINT, INK, SOFT, Drawing, finished, look, sheet, short_name, treatment_order
from trialkit.report.passages import capitalised, counted, listed, named
from trialkit.report.rounding import between, percent, plain, together
from trialkit.report.tables import values_of
from trialkit.report.words import TIMES, noun

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STYLES = ("-", "--", "-.", ":")
KEY_ROW = 0.2  # inches
MOST_BINS = 40  # more rows than that are no longer told apart on one page


def draw_timeline(trial: Trial, answer: Answer) -> Drawing | None:
    """One row a bin, grouped by treatment, and below the share of bins still unfinished; None for other outcomes."""
    values = values_of(answer)
    watched = [v for v in values.values if v.low is not None] if values is not None and answer.name in TIMES else []
    if values is None or not watched or len(watched) > MOST_BINS:
        return None
    order = [name for name in treatment_order(trial, values) if any(v.treatment == name for v in watched)]
    rows = [v for name in order for v in sorted((w for w in watched if w.treatment == name), key=_place)]
    last = max(max(float(v.low or 0.0), float(v.high or 0.0)) for v in rows)
    curves = [curve for curve in answer.finish_curves if curve.treatment in order]
    key = KEY_ROW * len(order)  # which line is whose stands between the title and the curves
    figure, panels = sheet([0.24 * len(rows) + 0.3 * len(order), *([1.5] if curves else [])], gap=0.85 + key)
    goal = "finish" if answer.name == "days_to_finish" else "the threshold"
    _draw_rows(panels[0], rows, order, last, goal)
    if curves:
        _draw_curves(panels[1], curves, order, last)
    panels[-1].set_xlabel("Day")
    for axes in panels:
        axes.set_position((0.14, axes.get_position().y0, 0.81, axes.get_position().height))
    what = capitalised(noun(values.outcome))
    below = " Below, the share of bins not there yet; shaded where no visit tells." if curves else ""
    return finished(
        figure,
        f"timeline_{answer.name}",
        f"{what} of every bin. " + " ".join(bin_words(value, state_words(answer)) for value in rows),
        f"{what}, bin by bin. Thin: seen not there yet; thick: the visits between which it got there; an arrow: not "
        f"by the last visit.{below}",
    )


def _place(value: BinValue) -> tuple[float, float]:
    return (float("inf") if value.high is None else value.high, value.low or 0.0)


def _draw_rows(axes: Axes, rows: list[BinValue], order: list[str], last: float, goal: str) -> None:
    axes.yaxis.set_visible(False)
    axes.set_title(f"Every bin, from filling to {goal}", loc="left", fontsize=10.5, fontweight="bold", color=INK, pad=8)
    at, seen = 0.0, ""
    for value in rows:
        colour, marker = look(order.index(value.treatment))
        if value.treatment != seen:
            axes.text(0.0, at + 0.15, short_name(value.treatment), color=INK, fontsize=10, va="center")
            at, seen = at + 1.15, value.treatment
        low = float(value.low or 0.0)
        axes.plot([0.0, low], [at, at], color=colour, lw=1.0, zorder=2)
        if value.high is None:
            axes.annotate("", (low + 0.05 * last, at), (low, at), arrowprops={"arrowstyle": "->", "color": colour})
        else:
            axes.plot([low, value.high], [at, at], color=colour, lw=5.0, solid_capstyle="butt", zorder=2)
            axes.plot([value.high], [at], marker, color=colour, ms=4.5, mec="white", mew=0.4, zorder=3)
        axes.text(1.12 * last, at, value.bin, color=SOFT, fontsize=8.5, va="center", ha="right")
        at += 1.0
    axes.set_ylim(at - 0.3, -0.5)
    axes.set_xlim(0.0, 1.13 * last)


def _draw_curves(axes: Axes, curves: list[FinishCurve], order: list[str], last: float) -> None:
    axes.set_title("Share of bins not there yet", loc="left", fontsize=10.5, fontweight="bold", color=INK,
                   pad=8 + 72 * KEY_ROW * len(order))  # fmt: skip
    axes.axhline(0.5, color=FAINT, lw=0.8, zorder=0)
    for curve in curves:
        place = order.index(curve.treatment)
        colour, marker = look(place)
        style = STYLES[place % len(STYLES)]
        line = KEY_ROW / 1.5
        up = 1.0 + line * (len(order) - place - 0.35)
        axes.plot([0.0, 0.12], [up, up], color=colour, lw=1.6, ls=style, marker=marker, ms=5, clip_on=False,
                  transform=axes.transAxes)  # fmt: skip
        axes.annotate(short_name(curve.treatment), (0.15, up), xycoords="axes fraction", va="center", color=INK)
        day, left = 0.0, 1.0
        for start, end, mass in zip(curve.start, curve.end, curve.mass, strict=True):
            axes.plot([day, start], [left, left], color=colour, lw=1.6, ls=style)
            if end is None:
                day = start
                break
            axes.fill_between([start, end], [left, left], [left - mass, left - mass], color=colour, alpha=0.25, lw=0)
            axes.plot([start, end], [left, left - mass], color=colour, lw=1.6, ls=style)
            axes.plot([end], [left - mass], marker, color=colour, ms=5, mec="white", mew=0.4)
            day, left = end, max(left - mass, 0.0)
        axes.plot([day, 1.05 * last], [left, left], color=colour, ls=style, lw=1.6 if left > 0.0 else 0.0)
    axes.set_ylim(-0.03, 1.05)
    axes.set_xlim(0.0, 1.13 * last)
    axes.set_yticks([0.0, 0.5, 1.0], ["none", "half", "all"])


def state_words(answer: Answer) -> str:
    """What a bin is once it is there: "ready", or "past the threshold"."""
    return "ready" if answer.name == "days_to_finish" else "past the threshold"


def bin_words(value: BinValue, state: str = "ready") -> str:
    """ "B3 (live starter) was ready between day 24 and 31." """
    start = f"{value.bin} ({value.treatment})"
    if value.low is None:
        return f"{start} has no day: {value.reason or 'it was not watched'}."
    if value.high is None:
        return f"{start} was not {state} by day {plain(value.low)}."
    if value.low <= 0.0:
        return f"{start} was {state} by day {plain(value.high)}, its first look."
    if value.low == value.high:
        return f"{start} was {state} on day {plain(value.high)}."
    return f"{start} was {state} between day {plain(value.low)} and {plain(value.high)}."


def timeline_lines(answer: Answer) -> tuple[str, ...]:
    """One sentence a treatment: between which days its bins were ready, how many never, and the median with its range;
    then one for a comparison that has no number, with its counts.
    """
    values = values_of(answer)
    if values is None or answer.name not in TIMES:
        return ()
    lines = []
    levels = {item.treatment: item for item in answer.levels if isinstance(item, Comparison)}
    for name in dict.fromkeys(value.treatment for value in values.values):
        mine = [v for v in values.values if v.treatment == name and v.low is not None]
        if mine:
            lines.append(_treatment_line(name, mine, levels.get(name), state_words(answer)))
    return tuple(lines)


def _treatment_line(name: str, mine: list[BinValue], level: Comparison | None, state: str) -> str:
    done = [v for v in mine if v.high is not None]
    text = capitalised(named(name))
    if done:
        first, last = min(float(v.low or 0.0) for v in done), max(float(v.high or 0.0) for v in done)
        count = counted(len(done), "bin") if len(done) == len(mine) else f"{len(done)} of {len(mine)} bins"
        text += f": {count} {state} between day {plain(first)} and {plain(last)}"
    else:
        text += f": none of {counted(len(mine), 'bin')} {state}"
    never = [v for v in mine if v.high is None]
    if never:
        days = max(float(v.low or 0.0) for v in never)
        text += f"; {listed(v.bin for v in never)} not by day {plain(days)}"
    if level is None:
        return f"{text}."
    interval = level.interval
    if level.level_attained is not None:
        ends = between(*(None if end is None else plain(round(end, 1)) for end in (interval.low, interval.high)))
        return f"{text}. A bin in the middle takes {ends} days (confidence {percent(round(interval.level, 3))})."
    shown = together(level.estimate, interval.low, interval.high)
    ends = between(shown.low, shown.high)
    return f"{text}. A bin in the middle takes {shown.estimate} days, {ends} ({percent(interval.level)} range)."
