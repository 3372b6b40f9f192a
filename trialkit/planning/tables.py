"""The tables of a planned trial as CSV text: bins, readings with a row for every planned visit, key."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from trialkit.records import Bin

KEY_FILE = "key.csv"
# columns of bins.csv that are there to be filled in by hand
TO_FILL = ("start_wet_mass_kg", "start_moisture_pct", "start_volume_l", "lost_on_day", "lost_reason", "note")


def write_bins(bins: Sequence[Bin], letters: Mapping[str, str] | None = None) -> str:
    """bins.csv. Columns of the layout stand only where the layout has them; ``letters`` stand for treatments."""
    placed = [name for name in ("block", "whole_plot", "row", "column") if any(getattr(bin_, name) for bin_ in bins)]
    capacity = any("capacity_l" in bin_.starts for bin_ in bins)
    heads = ["bin", "treatment", *placed, "code", *(["capacity_l"] if capacity else []), *TO_FILL]

    def row(bin_: Bin) -> list[str]:
        treatment = letters[bin_.treatment] if letters else bin_.treatment
        cells = [bin_.bin, treatment, *(getattr(bin_, name) or "" for name in placed), bin_.code or ""]
        if capacity:
            cells.append(f"{bin_.starts['capacity_l']:g}")
        return cells + [""] * len(TO_FILL)

    return _write(heads, map(row, bins))


def write_readings(bins: Sequence[Bin], days: Sequence[int], columns: Sequence[str]) -> str:
    """readings.csv with an empty row for every bin at every planned visit."""
    empty = [""] * len(columns)
    rows = ([bin_.bin, f"{day:g}", *empty] for day in days for bin_ in bins)
    return _write(["bin", "day", *columns], rows)


def write_key(letters: Mapping[str, str]) -> str:
    """key.csv of a blinded trial: letter, treatment."""
    return _write(["letter", "treatment"], sorted([letter, name] for name, letter in letters.items()))


def _write(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows(rows)
    return text.getvalue()
