"""Every bin's course over time, one panel a treatment."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.records import Answer, BinValues, Trial
from trialkit.report.drawings import FAINT, INK, Drawing, finished, look, sheet, short_name, treatment_order
from trialkit.report.passages import capitalised
from trialkit.report.rounding import figures, plain
from trialkit.report.tables import values_of

WORDS = {"respired_c": "respired carbon", "core_temp": "core temperature", "ec": "electrical conductivity"}


def draw_courses(trial: Trial, answer: Answer) -> Drawing | None:
    """Small multiples: every bin's readings over time, one panel a treatment, the other bins in grey behind."""
    values = values_of(answer)
    column = source_column(trial, values)
    if column is None:
        return None
    readings = trial.readings.columns[column]
    order = treatment_order(trial, values)
    lines: dict[str, list[tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]]] = {name: [] for name in order}
    for place, item in enumerate(trial.bins):
        mine = (trial.readings.bin == place) & np.isfinite(readings)
        if mine.any():
            lines[item.treatment].append((trial.readings.day[mine], readings[mine]))
    if not any(len(days) > 1 for group in lines.values() for days, _ in group):
        return None
    shown = [name for name in order if lines[name]][:8]
    figure, panels = sheet([1.15] * len(shown), gap=0.6)
    label = column_label(column)
    for row, name in enumerate(shown):
        axes, (colour, marker) = panels[row], look(order.index(name))
        for other in order:
            for days, level in lines[other] if other != name else ():
                axes.plot(days, level, color=FAINT, lw=0.8, zorder=1)
        for days, level in lines[name]:
            axes.plot(days, level, color=colour, marker=marker, ms=3.2, lw=1.2, mec="white", mew=0.3, zorder=2)
        axes.set_title(short_name(name), loc="left", fontsize=10, color=INK, fontweight="bold", pad=5, y=1.0)
        axes.locator_params(axis="y", nbins=4)
        axes.set_position((0.13, axes.get_position().y0, 0.82, axes.get_position().height))
    panels[-1].set_xlabel(f"Day (up the side: {label})")
    what = label.split(",")[0]
    unit = label.partition(", ")[2]
    alt = f"{capitalised(what)} of every bin over time, one panel for each treatment. " + " ".join(
        _told(name, lines[name], unit) for name in shown
    )
    return finished(
        figure,
        f"courses_{answer.name}",
        alt,
        f"{capitalised(what)} of every bin over time. Grey: the bins of the other treatments.",
    )


def _told(name: str, bins: list[tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]], unit: str) -> str:
    """The course of a treatment in words: where its bins began and where they ended."""
    first, last = [float(level[0]) for _, level in bins], [float(level[-1]) for _, level in bins]
    start, end = min(float(days[0]) for days, _ in bins), max(float(days[-1]) for days, _ in bins)
    return (
        f"{name}: {_span(first)} {unit} at first (day {plain(start)}), {_span(last)} {unit} at last (day {plain(end)})."
    )


def _span(numbers: list[float]) -> str:
    low, high = figures(min(numbers), 3), figures(max(numbers), 3)
    return low if low == high else f"{low} to {high}"


def source_column(trial: Trial, values: BinValues | None) -> str | None:
    """The readings column an outcome came from, as its settings say or as its name does."""
    if values is None:
        return None
    asked = str(values.settings.get("from", ""))
    usual = {"degree_days": "core_temp_c", "cn_ratio": "cn_ratio", "wet mass": "wet_mass_kg", "dry mass": "wet_mass_kg"}
    for name in (asked, usual.get(asked, ""), values.outcome.name, usual.get(values.outcome.name, ""),
                 "volume_l" if "volume" in values.outcome.name else ""):  # fmt: skip
        column = trial.readings.columns.get(name)
        if column is not None and np.isfinite(column).any():
            return name
    return None


def column_label(column: str) -> str:
    """A readings column in words with its unit: "volume, L"."""
    units = {"_l": "L", "_cm": "cm", "_kg": "kg", "_pct": "%", "_c": "°C", "_ds_m": "dS/m", "_g_kg": "g/kg"}
    for ending, unit in sorted(units.items(), key=lambda pair: -len(pair[0])):
        if column.endswith(ending):
            what = column[: -len(ending)]
            return f"{WORDS.get(what, what).replace('_', ' ')}, {unit}"
    return column.replace("_", " ")
