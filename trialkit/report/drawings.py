"""What every figure shares: one narrow column, colours and markers for treatments, and the drawing as a value.

One column, wide enough for a phone: text stays readable when the picture is shown at 360 px. Each treatment has a
colour of seaborn's colour-blind palette *and* a marker of its own, and is labelled where it stands.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

from trialkit.records import BinValues, Trial
from trialkit.report.passages import Passage

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# seaborn 0.13 color_palette("colorblind"), its lightest tones last; a test holds it to seaborn
PALETTE = ("#0173b2", "#de8f05", "#029e73", "#d55e00", "#cc78bc", "#ca9161", "#56b4e9", "#949494", "#ece133", "#fbafe4")
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p", "h", "*")
INK, SOFT, FAINT = "#26221d", "#6b6257", "#d9d2c7"
PLATE = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}  # keeps a label readable where a line runs behind it
WIDTH = 4.0  # inches: 288 points, so 10-point text is 11 px high on a phone 360 px wide
DPI = 200
STYLE: Any = {
    "font.size": 10,
    "axes.labelsize": 10,
    "xtick.labelsize": 10,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "trialkit",
    "path.simplify": True,
    "text.parse_math": False,
}


@dataclass(frozen=True)
class Drawing:
    """A figure as a value: SVG and PNG, what it shows in words for those who do not see it, and its caption."""

    name: str
    svg: str
    png: bytes = field(repr=False)
    alt: str
    caption: str

    def passage(self) -> Passage:
        """The figure for a page: one self-contained element with alternative text and caption."""
        data = base64.b64encode(self.svg.encode()).decode()
        return Passage(
            f'<figure><img src="data:image/svg+xml;base64,{data}" alt="{escape(self.alt)}">'
            f"<figcaption>{escape(self.caption)}</figcaption></figure>",
            self.alt,
        )

    def _repr_html_(self) -> str:
        return self.passage().html

    def __repr__(self) -> str:
        return self.alt


def treatment_order(trial: Trial, values: BinValues | None = None) -> tuple[str, ...]:
    """Treatments in the plan's order, control first, with those only the bins name behind."""
    named = [treatment.name for treatment in trial.plan.treatments]
    named += [value.treatment for value in values.values] if values is not None else []
    named += [item.treatment for item in trial.bins]
    order = list(dict.fromkeys(named))
    if trial.plan.control in order:
        order.remove(trial.plan.control)
        order.insert(0, trial.plan.control)
    present = {item.treatment for item in trial.bins} | ({v.treatment for v in values.values} if values else set())
    return tuple(name for name in order if name in present)


def look(place: int) -> tuple[str, str]:
    """Colour and marker of the treatment at that place of the order; they repeat only after ten."""
    return PALETTE[place % len(PALETTE)], MARKERS[place % len(MARKERS)]


def sheet(
    heights: Sequence[float], gap: float = 0.95, *, above: float = 0.35, below: float = 0.52
) -> tuple[Figure, list[Axes]]:
    """Panels of these heights in inches, one under the other; ``above`` and ``below`` leave room for title and axis."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    total = sum(heights) + gap * (len(heights) - 1) + above + below
    with rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, total))
        panels, top = [], total - above
        for height in heights:
            panels.append(figure.add_axes((0.05, (top - height) / total, 0.9, height / total)))
            top -= height + gap
    return figure, panels


def finished(figure: Figure, name: str, alt: str, caption: str) -> Drawing:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    svg, png = io.StringIO(), io.BytesIO()
    with rc_context(STYLE):
        FigureCanvasSVG(figure).print_svg(svg, metadata={"Date": None})
        figure.set_dpi(DPI)
        FigureCanvasAgg(figure).print_png(png)
    text = svg.getvalue()
    return Drawing(name=name, svg=text[text.index("<svg") :], png=png.getvalue(), alt=alt, caption=caption)


def broken(*parts: str, most: int = 42) -> str:
    """Parts of a label on as few lines as hold them, a new line only between parts or between words; nothing is cut
    but a single word that no line holds."""
    lines = [""]
    for part in parts:
        if lines[-1] and len(lines[-1]) + 1 + len(part) > most:
            lines.append("")
        for word in part.split(" "):
            if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
                lines.append("")
            lines[-1] = f"{lines[-1]} {short_name(word, most)}".strip()
    return "\n".join(lines)


def short_name(name: str, most: int = 34) -> str:
    return name if len(name) <= most else f"{name[: most - 1]}…"
