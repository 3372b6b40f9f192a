"""Rows of bins.csv, or what the readings carry in its place, to the bins of a trial."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from types import MappingProxyType

import numpy as np

from trialkit.intake.cells import Parsed
from trialkit.intake.columns import CARRIED
from trialkit.intake.reading import Cells
from trialkit.intake.wording import name_key, one_of, remedy_for
from trialkit.records import Bin, Finding, Plan, Severity

_LAYOUT_NEEDS = {"blocks": ("block",), "latin square": ("row", "column"), "split plot": ("whole_plot",)}


def bins_from_file(parsed: Parsed) -> tuple[tuple[Bin, ...], list[Finding]]:
    """The bins of a bins file in its order, with findings on names that stand twice or nearly so."""
    findings: list[Finding] = []
    bins: list[Bin] = []
    lines: dict[str, int] = {}
    keys: dict[str, str] = {}
    for row in range(parsed.rows):
        name, line = _text(parsed, "bin", row), int(parsed.lines[row])
        if name is None:
            continue  # said as an empty cell
        typed = parsed.typed["bin"]
        if name in lines:
            found = f'bin "{name}" stands already on line {lines[name]}'
            expected, remedy = "expected every bin once", "Give it another name, or delete the row."
            findings.append(Finding("error", "bin-twice", parsed.file, line, typed, found, expected, remedy, name))
            continue
        if name_key(name) in keys:
            other = keys[name_key(name)]
            found = f'"{name}" differs from "{other}" on line {lines[other]} only by blanks or capitals'
            findings.append(
                Finding("error", "bins-alike", parsed.file, line, typed, found, "", "Name the bins apart.", name)
            )
        lines[name], keys[name_key(name)] = line, keys.get(name_key(name), name)
        bins.append(_make_bin(parsed, row, name))
    # a day that was refused is told already
    refused = {_text(parsed, "bin", row) for row in np.flatnonzero(parsed.faulty("lost_on_day")).tolist()}
    findings.extend(_lost([item for item in bins if item.bin not in refused], parsed, lines))
    return tuple(bins), findings


def _text(parsed: Parsed, column: str, row: int) -> str | None:
    return (parsed.names[column].at(row) or None) if column in parsed.names else None


def _make_bin(parsed: Parsed, row: int, name: str) -> Bin:
    numbers = {column: float(values[row]) for column, values in parsed.numbers.items() if np.isfinite(values[row])}
    starts = {column: value for column, value in numbers.items() if column != "lost_on_day"}
    begun = parsed.dates.get("start_date")
    start = date.fromordinal(int(begun[row])) if begun is not None and np.isfinite(begun[row]) else None
    texts = {column: _text(parsed, column, row) for column in (*CARRIED[1:], "lost_reason", "code", "note")}
    return Bin(
        bin=name,
        treatment=_text(parsed, "treatment", row) or "",
        start_date=start,
        starts=MappingProxyType(starts),
        lost_on_day=numbers.get("lost_on_day"),
        **texts,
    )


def _lost(bins: Sequence[Bin], parsed: Parsed, lines: Mapping[str, int]) -> Iterator[Finding]:
    for item in bins:
        if item.lost_on_day is not None and item.lost_reason is None:
            found = f'bin "{item.bin}" was lost on day {item.lost_on_day:g} and no reason is given'
            yield Finding(
                "warning",
                "lost-without-reason",
                parsed.file,
                lines[item.bin],
                "lost_reason",
                found,
                "",
                "Say why: a loss that has to do with the treatment changes the answer.",
                item.bin,
            )
        elif item.lost_on_day is None and item.lost_reason is not None:
            found = f'bin "{item.bin}" has a reason for its loss and no day'
            yield Finding(
                "error",
                "lost-without-day",
                parsed.file,
                lines[item.bin],
                "lost_on_day",
                found,
                "expected the day from which it no longer counts",
                "Fill it in, or empty lost_reason.",
                item.bin,
            )


def bins_from_readings(files: Sequence[Parsed]) -> tuple[tuple[Bin, ...], list[Finding]]:
    """The bins named in readings, in order of appearance; each keeps one treatment, block, site … in all its rows."""
    findings: list[Finding] = []
    made: dict[str, Bin] = {}
    first: dict[tuple[str, str], tuple[str, int]] = {}
    for parsed in files:
        for name, row, values in _carried(parsed):
            line = int(parsed.lines[row])
            if name not in made:
                made[name] = Bin(name, "")
            for column, value in values.items():
                before = getattr(made[name], column) or ""
                if not before and value:
                    made[name] = replace(made[name], **{column: value})  # type: ignore[arg-type]
                    first[name, column] = (parsed.file, line)
                elif value and value != before:
                    file, at = first[name, column]
                    where = f"line {at}" if file == parsed.file else f"{file}, line {at}"
                    findings.append(
                        Finding(
                            "error",
                            "bin-changes",
                            parsed.file,
                            line,
                            column,
                            f'found "{value}"',
                            f'bin "{name}" has "{before}" on {where}',
                            f"A bin keeps one {column.replace('_', ' ')} in all its rows.",
                            name,
                        )
                    )
    findings.extend(_alike(list(made), files))
    return tuple(made.values()), findings


def _carried(parsed: Parsed) -> Iterator[tuple[str, int, dict[str, str]]]:
    """(bin, first row, carried names) of every different combination in a file, in order of appearance."""
    columns = [column for column in CARRIED if column in parsed.names]
    bins = parsed.names.get("bin")
    if bins is None or not len(bins.codes):
        return
    codes = np.stack([bins.codes, *(parsed.names[column].codes for column in columns)])
    mixed = codes[0].astype(np.int64)
    for column, extra in zip(columns, codes[1:], strict=True):
        mixed = mixed * len(parsed.names[column].texts) + extra
        _, mixed = np.unique(mixed, return_inverse=True)
    _, rows = np.unique(mixed, return_index=True)
    for row in np.sort(rows):
        name = bins.at(row)
        if name:
            yield name, int(row), {column: parsed.names[column].at(row) for column in columns}


def _alike(names: Sequence[str], files: Sequence[Parsed]) -> Iterator[Finding]:
    """Names that differ only by blanks or capitals, at the first row of the one that occurs later."""
    keys: dict[str, str] = {}
    twins = {name: keys[name_key(name)] for name in names if keys.setdefault(name_key(name), name) != name}
    for parsed in files:
        cells = parsed.names.get("bin")
        if cells is None:
            continue
        for row in cells.rows_with([text in twins for text in cells.texts]):
            name = cells.at(row)
            yield Finding(
                "error",
                "bin-unknown",
                parsed.file,
                int(parsed.lines[row]),
                parsed.typed["bin"],
                f'found "{name}"',
                f'other rows have "{twins[name]}"',
                remedy_for(name, [twins[name]], ""),
                name,
            )


def judge_treatments(
    bins: Sequence[Bin], declared: Sequence[str], files: Sequence[Parsed], cells_of: str = "treatment"
) -> Iterator[Finding]:
    """Treatments that the trial file does not declare, or that differ only by blanks or capitals."""
    keys: dict[str, str] = {}
    known = list(declared)
    if not known:
        for item in bins:
            if item.treatment and keys.setdefault(name_key(item.treatment), item.treatment) == item.treatment:
                known.append(item.treatment)
    for parsed in files:
        cells: Cells | None = parsed.names.get(cells_of)
        if cells is None:
            continue
        for row in cells.rows_with([bool(text) and text not in known for text in cells.texts]):
            name = cells.at(row)
            yield Finding(
                "error",
                "treatment-unknown",
                parsed.file,
                int(parsed.lines[row]),
                parsed.typed[cells_of],
                f'found "{name}"',
                f"expected {one_of(sorted(set(known), key=known.index))}",
                remedy_for(name, known, "Correct it, or declare it in trial.toml."),
                _text(parsed, "bin", int(row)),
            )


def judge_layout(bins: Sequence[Bin], plan: Plan, parsed: Parsed | None, first_file: str) -> Iterator[Finding]:
    """Bins that lack what their layout is built from, or that stand where it allows no such bin."""
    kind, file = plan.layout.kind, parsed.file if parsed is not None else first_file

    def say(item: Bin, column: str, severity: Severity, found: str, expected: str, remedy: str) -> Finding:
        line = None
        if parsed is not None and "bin" in parsed.names:
            cells = parsed.names["bin"]
            line = int(parsed.lines[cells.rows_with([text == item.bin for text in cells.texts])[0]])
        return Finding(severity, "layout-contradicts", file, line, column, found, expected, remedy, item.bin)

    if kind == "latin square":
        yield from _square(bins, say)
    elif kind == "split plot":
        yield from _whole_plots(bins, plan, say)
    for column in _LAYOUT_NEEDS.get(kind, ()):
        lacking = [item.bin for item in bins if getattr(item, column) is None]
        if lacking:
            shown = ", ".join(lacking[:6]) + (f" and {len(lacking) - 6} more" if len(lacking) > 6 else "")
            yield Finding(
                "error",
                "layout-incomplete",
                file,
                None,
                column,
                f"no {column.replace('_', ' ')} for {shown}",
                f'every bin of a layout "{kind}" has one',
                "Fill in the column.",
            )


def _square(bins: Sequence[Bin], say: Callable[..., Finding]) -> Iterator[Finding]:
    """Places of a square that hold two bins, and lines of it that hold a treatment twice."""
    places: dict[tuple[str | None, ...], Bin] = {}
    for item in bins:
        if item.row is None or item.column is None:
            continue
        other = places.setdefault((item.site, item.row, item.column), item)
        if other is not item:
            found = f'row "{item.row}", column "{item.column}" holds bin "{other.bin}" and bin "{item.bin}"'
            expected = "a place of a Latin square holds one bin"
            yield say(item, "column", "error", found, expected, "Correct it, or give each square its site.")
    for line in ("row", "column"):
        held: dict[tuple[str | None, ...], Bin] = {}
        for item in bins:
            where = getattr(item, line)
            if where is None or not item.treatment:
                continue
            other = held.setdefault((item.site, where, item.treatment), item)
            if other is not item:
                found = f'bins "{other.bin}" and "{item.bin}" of {line} "{where}" have one treatment'
                expected = f"a Latin square has every treatment once in each {line}"
                yield say(item, line, "warning", found, expected, "Check it; the bins are analysed as they stand.")


def _whole_plots(bins: Sequence[Bin], plan: Plan, say: Callable[..., Finding]) -> Iterator[Finding]:
    """Whole plots whose bins stand at several levels of the factor that is set per whole plot."""
    factor = plan.layout.whole_plot_factor
    levels = {item.name: item.factors.get(factor) for item in plan.treatments}
    first: dict[tuple[str | None, ...], Bin] = {}
    for item in bins:
        level = levels.get(item.treatment)
        if item.whole_plot is None or level is None:
            continue
        other = first.setdefault((item.site, item.whole_plot), item)
        if levels[other.treatment] != level:
            found = f'bins "{other.bin}" and "{item.bin}" of whole plot "{item.whole_plot}" differ in {factor}'
            expected = "a whole plot has one level of it"
            yield say(item, "whole_plot", "error", found, expected, "Correct the whole plot or the treatment.")


def judge_agreement(bins: Sequence[Bin], parsed: Parsed) -> Iterator[Finding]:
    """Treatments, blocks … that readings repeat beside a bins file and that differ from it."""
    by_name = {item.bin: item for item in bins}
    for name, row, values in _carried(parsed):
        for column, value in values.items():
            planned = getattr(by_name[name], column) if name in by_name else None
            if name in by_name and value and value != (planned or ""):
                yield Finding(
                    "error",
                    "bin-changes",
                    parsed.file,
                    int(parsed.lines[row]),
                    column,
                    f'found "{value}"',
                    f'the bins file has "{planned or ""}" for bin "{name}"',
                    "Correct one of the two.",
                    name,
                )
