"""What a trial can be expected to tell, drawn for people who have not run it yet. Receives numbers, computes none.

Chances are drawn as stacked areas labelled where they stand; the interval to expect is drawn to scale beside the claim.
Sentences that say a chance say it in trials out of a hundred.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.report.precision_words import CALL_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# colour-blind safe, stacked in the order of CALL_WORDS
CALL_COLOURS: Mapping[str, str] = {
    "support": "#029e73",
    "less_than_claimed": "#56b4e9",
    "no_difference": "#ece133",
    "contradict": "#d55e00",
    "cannot_tell": "#949494",
    "not_answerable": "#26221d",
}
INK = "#26221d"
_LABELLED_FROM = 0.07  # of the height: thinner areas have no room for a word


def draw_call_chances(
    bins_per_treatment: Sequence[int], chances: Sequence[Mapping[str, float]], truth: str, axes: Axes | None = None
) -> Figure:
    """Chance of each verdict (stacked, 0 to 100 of 100 trials) against bins per treatment.

    chances: for each number of bins, the chance of each call by its name; truth: what the title says is true, a clause
    such as "the claim is true". Returns the figure. ValueError where the two lists differ in length.
    """
    if len(bins_per_treatment) != len(chances) or len(chances) < 2:
        raise ValueError(
            f"found {len(bins_per_treatment)} numbers of bins and {len(chances)} sets of chances; expected two or "
            "more, one set a number."
        )
    from matplotlib.ticker import MaxNLocator

    figure, axes = _axes(axes, (6.4, 4.2))
    below = [0.0] * len(chances)
    for name, words in CALL_WORDS.items():
        colour = CALL_COLOURS[name]
        share = [100.0 * row[name] for row in chances]
        above = [low + height for low, height in zip(below, share, strict=True)]
        axes.fill_between(bins_per_treatment, below, above, color=colour, linewidth=0)
        axes.plot(bins_per_treatment, above, color="white", linewidth=1.0)
        widest = max(range(len(share)), key=lambda i: share[i])
        if share[widest] >= 100.0 * _LABELLED_FROM:
            side = "left" if widest == 0 else "right" if widest == len(share) - 1 else "center"
            dark = colour in ("#26221d", "#d55e00", "#029e73")
            axes.text(
                bins_per_treatment[widest],
                0.5 * (below[widest] + above[widest]),
                f" {words} ",
                ha=side,
                va="center",
                color="white" if dark else INK,
            )
        below = above
    axes.set_xlim(min(bins_per_treatment), max(bins_per_treatment))
    axes.set_ylim(0, 100)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("bins per treatment")
    axes.set_ylabel("of 100 such trials")
    axes.set_title(f"What 100 trials would say if {truth}", loc="left", color=INK)
    return figure


def draw_expected_interval(
    rows: Sequence[tuple[str, float, float, float]], claim: float, axes: Axes | None = None
) -> Figure:
    """The interval to expect, to scale on a ratio axis, beside the claim and no effect.

    rows: (label such as "4 bins", low, estimate, high), ratios above 0, top row first. claim: the claimed ratio.
    ValueError for an empty list or ends out of order.
    """
    if not rows or any(not 0.0 < low <= estimate <= high for _, low, estimate, high in rows):
        raise ValueError("expected one row or more of label, low ≤ estimate ≤ high, all above 0.")
    from matplotlib.ticker import FuncFormatter, NullFormatter

    figure, axes = _axes(axes, (6.4, 1.4 + 0.45 * len(rows)))
    for position, (_, low, estimate, high) in enumerate(rows):
        axes.plot([low, high], [position, position], color="#0173b2", linewidth=6, solid_capstyle="butt")
        axes.plot(estimate, position, marker="o", color="white", markeredgecolor=INK, markersize=7)
    axes.axvline(1.0, color=INK, linewidth=1.0)
    axes.axvline(claim, color="#d55e00", linewidth=2.0, linestyle="--")
    axes.set_xscale("log")
    ends = [1.0, claim, *(low for _, low, _, _ in rows), *(high for _, _, _, high in rows)]
    axes.set_xlim(min(ends) / 1.35, max(ends) * 1.15)
    nice = (0.1, 0.2, 0.25, 0.33, 0.5, 0.67, 0.8, 1, 1.25, 1.5, 2, 3, 4, 5, 10, 20)
    axes.set_xticks([tick for tick in nice if min(ends) / 1.35 <= tick <= max(ends) * 1.15])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _position: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_yticks(range(len(rows)), [label for label, *_ in rows])
    axes.set_ylim(len(rows) - 0.4, -1.0)
    axes.text(1.0, -0.95, "no effect ", ha="right" if claim > 1.0 else "left", va="top", color=INK)
    axes.text(claim, -0.95, " the claim", ha="left" if claim > 1.0 else "right", va="top", color="#d55e00")
    axes.set_xlabel("times as much as the control")
    axes.set_title("The range to expect if the claim is true", loc="left", color=INK)
    return figure


def describe_call_chances(bins_per_treatment: int, chances: Mapping[str, float], truth: str) -> str:
    """One sentence for people who do not see the figure, chances in trials out of a hundred."""
    parts = [f"{words} {_in_hundred(chances[name])}" for name, words in CALL_WORDS.items() if chances[name] >= 0.005]
    verdicts = "; ".join(parts)
    return f"With {bins_per_treatment} bins per treatment, if {truth}, the verdicts of 100 such trials: {verdicts}."


def _in_hundred(chance: float) -> str:
    return f"{100.0 * chance:.0f}"


def _axes(axes: Axes | None, size: tuple[float, float]) -> tuple[Figure, Axes]:
    if axes is not None:
        figure = axes.get_figure(root=True)
        assert figure is not None
        return figure, axes
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained")
    return figure, figure.add_subplot()


def write_precision_figures(
    found: Mapping[str, object], curve: Sequence[Mapping[str, object]], folder: Path
) -> tuple[Path, ...]:
    """Draw a precision (its fields) and, where there are two numbers of bins or more, the chances over them, as SVG.

    Returns the files written. OSError where the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows = [
        (f"{one['bins_per_treatment']} bins", one["expected_low"], one["ratio"], one["expected_high"])
        for one in (curve or [found])
    ]
    drawn = {"expected-range.svg": draw_expected_interval(rows, found["ratio"])}  # type: ignore[arg-type]
    if len(curve) > 1:
        bins = [one["bins_per_treatment"] for one in curve]
        for truth, clause in (("claim true", "the claim is true"), ("nothing", "nothing happens")):
            chances = [one["calls"][truth] for one in curve]  # type: ignore[index]
            drawn[f"chances-{truth.replace(' ', '-')}.svg"] = draw_call_chances(bins, chances, clause)  # type: ignore[arg-type]
    paths = []
    for name, figure in drawn.items():
        figure.savefig(folder / name)
        paths.append(folder / name)
    return tuple(paths)
