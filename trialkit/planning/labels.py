"""Labels for the bins, with a QR code of the bin id."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from trialkit.records import Bin

NO_CODES = "The labels carry no QR codes: the package segno is missing. Install it (pip install segno) and plan again."


def draw_labels(bins: Sequence[Bin], words: Mapping[str, str], title: str) -> str:
    """A page grid of labels. ``words`` maps a bin to what its label says beside the id: treatment or code."""
    cells = []
    for bin_ in bins:
        code = qr_code(bin_.bin)
        picture = f'<div class="qr">{code}</div>' if code else ""
        places = [
            f"{name} {value}"
            for name, value in (
                ("block", bin_.block), ("whole plot", bin_.whole_plot), ("row", bin_.row), ("column", bin_.column),
            )
            if value
        ]  # fmt: skip
        cells.append(
            f'<div class="label">{picture}<div class="label-words"><div class="label-bin">{escape(bin_.bin)}</div>'
            f"<div>{escape(words[bin_.bin])}</div><div class='small'>{escape(', '.join(places))}</div>"
            f"<div class='small label-title'>{escape(title)}</div></div></div>"
        )
    return f'<div class="labels">{"".join(cells)}</div>'


def can_draw_codes() -> bool:
    """Whether the library that draws QR codes is there."""
    try:
        import segno  # noqa: F401
    except ImportError:
        return False
    return True


def qr_code(text: str) -> str | None:
    """The QR code of a text as inline SVG, or None where no library is there."""
    try:
        import segno
    except ImportError:
        return None
    svg: str = segno.make(text, micro=False, error="m").svg_inline(
        border=2, omitsize=True, svgclass=None, lineclass=None
    )
    return svg
