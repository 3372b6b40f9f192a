"""The layout map with results: where each bin stood, what it got, and its value."""

from __future__ import annotations

from trialkit.records import Analysis, Answer, Bin
from trialkit.report.drawings import (
    INK,
    PALETTE,
    SOFT,
    WIDTH,
    Drawing,
    broken,
    finished,
    look,
    sheet,
    short_name,
    treatment_order,
)
from trialkit.report.facts import is_longer
from trialkit.report.passages import capitalised, counted, listed
from trialkit.report.rounding import figures
from trialkit.report.tables import values_of
from trialkit.report.words import noun, shown_unit

MOST_ACROSS, MOST_DOWN = 8, 14
HEAD = 9  # letters of a head that stand on one line
Cell = tuple[int, int]


def draw_layout(answer: Answer, analysis: Analysis) -> Drawing | None:
    """The bins at their rows and columns, or block by block; None where neither is known or the map is too large."""
    values = values_of(answer)
    placed = placing(analysis.trial.bins)
    if values is None or placed is None:
        return None
    cells, heads, told = placed
    across, down = 1 + max(x for x, _ in cells.values()), 1 + max(y for _, y in cells.values())
    if across > MOST_ACROSS or down > MOST_DOWN:
        return None
    order = treatment_order(analysis.trial, values)
    found = {value.bin: value.value for value in values.values if value.value is not None}
    longer = {value.bin: f"> {figures(value.low, 3)}" for value in values.values if is_longer(value, values)}
    low, high = (min(found.values()), max(found.values())) if found else (0.0, 0.0)
    legend = 0.24 * len(order)
    figure, (axes,) = sheet([0.62 * down + legend + 0.1], above=0.05, below=0.05)
    heads = [head if len(head) <= HEAD else head.removeprefix("block ") for head in heads]
    wide = 0.11 * min(max(len(head) for head in heads), 2 * HEAD)
    box = axes.get_position()
    axes.set_position((wide / WIDTH + 0.02, box.y0, 0.96 - wide / WIDTH, box.height))
    axes.set_xlim(0.0, across)
    axes.set_ylim(down + (legend + 0.1) / 0.62, -0.15)
    axes.axis("off")
    for item in analysis.trial.bins:
        x, y = cells[item.bin]
        value = found.get(item.bin)
        share = 0.0 if value is None or high == low else (value - low) / (high - low)
        colour, marker = look(order.index(item.treatment)) if item.treatment in order else (PALETTE[0], "o")
        shade = f"{0.97 - 0.27 * share:.3f}"
        axes.fill([x + 0.03, x + 0.97, x + 0.97, x + 0.03], [y + 0.04, y + 0.04, y + 0.96, y + 0.96],
                  color=shade if value is not None else "white", ec=SOFT, lw=0.6, zorder=1)  # fmt: skip
        axes.plot([x + 0.2], [y + 0.3], marker, color=colour, ms=7, mec="white", mew=0.6, zorder=2)
        axes.annotate(short_name(item.bin, max(12 - across, 5)), (x + 0.36, y + 0.31), va="center", fontsize=9,
                      color=INK)  # fmt: skip
        level = longer.get(item.bin, "no value") if value is None else figures(value, 3)
        axes.annotate(level, (x + 0.5, y + 0.72), ha="center", va="center", fontsize=9.5, color=INK)
    for y, head in enumerate(heads):
        axes.annotate(
            broken(head, most=HEAD + 3),
            (-0.03, y + 0.5),
            ha="right",
            annotation_clip=False,
            va="center",
            fontsize=9,
            color=INK,
        )
    for place, name in enumerate(order):
        colour, marker = look(place)
        y = down + 0.3 + 0.24 / 0.62 * place
        axes.plot([0.1], [y], marker, color=colour, ms=7, mec="white", mew=0.6)
        axes.annotate(short_name(name), (0.3, y), va="center", color=INK)
    shown = {name: figures(value, 3) for name, value in found.items()} | longer
    unit = f", {shown_unit(values.outcome)}" if shown_unit(values.outcome) else ""
    name = capitalised(noun(values.outcome))
    alt = f"Map of {counted(len(cells), 'bin')} {told}. " + " ".join(_line(head, y, cells, analysis.trial.bins, shown)
                                                                    for y, head in enumerate(heads))  # fmt: skip
    caption = f"{name}{unit}, of every bin {told}. The mark is the treatment; the darker the field, the higher."
    return finished(figure, f"layout_{answer.name}", alt, caption)


def placing(bins: tuple[Bin, ...]) -> tuple[dict[str, Cell], list[str], str] | None:
    """Column and line of every bin, the head of every line, and how the map is to be read."""
    if all(item.row and item.column for item in bins) and len({(b.site, b.row, b.column) for b in bins}) == len(bins):
        rows = _in_order({f"{item.site or ''}\0{item.row}" for item in bins})
        columns = _in_order({str(item.column) for item in bins})
        cells = {b.bin: (columns.index(str(b.column)), rows.index(f"{b.site or ''}\0{b.row}")) for b in bins}
        heads = [f"{site} {row}".strip() if site else f"row {row}" for site, row in (key.split("\0") for key in rows)]
        return cells, heads, "where it stood"
    if bins and all(item.block for item in bins):
        blocks = list(dict.fromkeys(f"{item.site or ''}\0{item.block}" for item in bins))
        cells, filled = {}, dict.fromkeys(blocks, 0)
        for item in bins:
            key = f"{item.site or ''}\0{item.block}"
            cells[item.bin] = (filled[key], blocks.index(key))
            filled[key] += 1
        heads = [f"{site} {block}".strip() if site else f"block {block}" for site, block in
                 (key.split("\0") for key in blocks)]  # fmt: skip
        return cells, heads, "by block, in the order of the file"
    return None


def _in_order(names: set[str]) -> list[str]:
    """Numbers by size, other names by letter."""
    return sorted(names, key=lambda name: (*_number_last(name), name))


def _number_last(name: str) -> tuple[str, float]:
    site, _, rest = name.rpartition("\0")
    return site, float(rest) if rest.isdecimal() else 0.0


def _line(head: str, y: int, cells: dict[str, Cell], bins: tuple[Bin, ...], shown: dict[str, str]) -> str:
    members = sorted((item for item in bins if cells[item.bin][1] == y), key=lambda item: cells[item.bin][0])
    return f"{head}: " + listed(f"{b.bin} {b.treatment} {shown.get(b.bin, 'without a value')}" for b in members) + "."
