"""The tables of a report as CSV files, full numbers."""

from __future__ import annotations

from pathlib import Path

from trialkit.records import Analysis
from trialkit.report.effect_tables import effects_table
from trialkit.report.maturity_words import maturity_rows
from trialkit.report.robustness import all_repeats_table
from trialkit.report.tables import all_bins_table, all_means_table, fits_table, set_aside_table


def write_tables(analysis: Analysis, folder: str | Path) -> tuple[Path, ...]:
    """Writes effects, bins, means, fits, repeats and set-aside rows as CSV into ``folder``; returns the paths.

    The names of bins (maturity.csv) stand beside them where there are any.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made = [effects_table, all_bins_table, all_means_table, fits_table, all_repeats_table, set_aside_table]
    if analysis.maturity:
        made.append(maturity_rows)
    paths = []
    for make in made:
        sheet = make(analysis)
        path = folder / f"{sheet.name}.csv"
        path.write_text(sheet.csv(), encoding="utf-8")
        paths.append(path)
    return tuple(paths)
