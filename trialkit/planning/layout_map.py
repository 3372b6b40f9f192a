"""The layout as a picture (SVG): where every bin stands and what it gets."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from textwrap import wrap

from trialkit.planning.layouts import LINE_ON_MAP, DrawnLayout

_WIDTH, _HEIGHT, _GAP, _LEFT, _TOP = 118, 74, 10, 78, 44
# light tints, told apart by people who see colours differently; the words in the cell say the same
_TINTS = ("#ffffff", "#cfe6f5", "#fbe3b8", "#cdeadb", "#f3d3e3", "#e4e4e4", "#f6f2a9", "#dcd6f2", "#f8d3c4", "#c9e9ee")


def draw_map(drawn: DrawnLayout, shown: Mapping[str, str], *, title: str = "") -> str:
    """An SVG of the layout. ``shown`` maps a bin to the words in its cell: its treatment, or its letter."""
    words = list(dict.fromkeys(shown[bin_.bin] for bin_ in sorted(drawn.bins, key=lambda item: shown[item.bin])))
    tint = {name: _TINTS[number % len(_TINTS)] for number, name in enumerate(words)}
    columns = 1 + max(column for _, column in drawn.places)
    rows = 1 + max(row for row, _ in drawn.places)
    width = _LEFT + columns * (_WIDTH + _GAP) + _GAP
    # wide letters too, for the machine that prints may lack the typeface asked for
    foot_lines = _foot(drawn, longest=width // 8)
    height = _TOP + rows * (_HEIGHT + _GAP) + 18 + 16 * len(foot_lines)
    name = escape(" ".join(title.split()) or "Layout")
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-label="{name}: map of the bins" font-family="Helvetica, Arial, sans-serif">',
        f"<title>{name}: map of the bins</title>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        *_headings(drawn, rows, columns),
    ]
    for bin_, (row, column) in zip(drawn.bins, drawn.places, strict=True):
        x, y = _LEFT + column * (_WIDTH + _GAP), _TOP + row * (_HEIGHT + _GAP)
        text = shown[bin_.bin]
        parts.append(
            f'<rect x="{x}" y="{y}" width="{_WIDTH}" height="{_HEIGHT}" rx="6" fill="{tint[text]}" stroke="#333333"/>'
            f'<text x="{x + 9}" y="{y + 22}" font-size="17" font-weight="bold">{escape(bin_.bin)}</text>'
        )
        parts += [
            f'<text x="{x + 9}" y="{y + 42 + 15 * number}" font-size="12.5">{escape(line)}</text>'
            for number, line in enumerate(_wrapped(text))
        ]
    parts += _whole_plots(drawn)
    foot = _TOP + rows * (_HEIGHT + _GAP) + 16
    for number, line in enumerate(foot_lines):
        parts.append(f'<text x="{_GAP}" y="{foot + 16 * number}" font-size="12">{escape(line)}</text>')
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _headings(drawn: DrawnLayout, rows: int, columns: int) -> list[str]:
    kind = drawn.layout.kind
    side = {"blocks": "Block", "split plot": "Block", "latin square": "Row"}.get(kind)
    lines = []
    for row in range(rows):
        y = _TOP + row * (_HEIGHT + _GAP) + _HEIGHT // 2 + 5
        word = f"{side} {row + 1}" if side else ("Line" if row == 0 else "… on")
        lines.append(f'<text x="{_GAP}" y="{y}" font-size="14" font-weight="bold">{word}</text>')
    if kind == "latin square":
        lines += [
            f'<text x="{_LEFT + column * (_WIDTH + _GAP) + 9}" y="{_TOP - 8}" font-size="14" font-weight="bold">'
            f"Column {column + 1}</text>"
            for column in range(columns)
        ]
    return lines


def _whole_plots(drawn: DrawnLayout) -> list[str]:
    boxes: dict[str, list[tuple[int, int]]] = {}
    for bin_, place in zip(drawn.bins, drawn.places, strict=True):
        if bin_.whole_plot is not None:
            boxes.setdefault(bin_.whole_plot, []).append(place)
    lines = []
    for name, places in boxes.items():
        row, first = places[0][0], min(column for _, column in places)
        x, y = _LEFT + first * (_WIDTH + _GAP) - 4, _TOP + row * (_HEIGHT + _GAP) - 4
        wide = len(places) * (_WIDTH + _GAP) - _GAP + 8
        lines.append(
            f'<rect x="{x}" y="{y}" width="{wide}" height="{_HEIGHT + 8}" rx="8" fill="none" stroke="#000000" '
            f'stroke-width="2.5"/><text x="{x + wide - 8}" y="{y + 20}" font-size="13" text-anchor="end" '
            f'font-weight="bold">{escape(name)}</text>'
        )
    return lines


def _foot(drawn: DrawnLayout, longest: int) -> list[str]:
    layout = drawn.layout
    how = f"drawn by seed {layout.seed}" if layout.seed is not None else "drawn by lot"
    words = f"{layout.kind.capitalize()}, {how}; redraw rule: {layout.redraw_rule}."
    if layout.kind == "completely random" and len(drawn.bins) > LINE_ON_MAP:
        words += " The bins stand in one line; the map breaks it."
    return wrap(words, longest)


def _wrapped(text: str, longest: int = 17, most: int = 2) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > longest:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [piece if len(piece) <= longest + 1 else piece[:longest] + "…" for piece in lines]
