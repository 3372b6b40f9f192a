"""The tables of a folder as CSV text wherever they stand, and a workbook filled in from such text."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trialkit.errors import DesignError
from trialkit.intake.columns import columns_of, headings_of
from trialkit.intake.folder import find_files, read_bytes
from trialkit.intake.form_look import packed
from trialkit.intake.workbook import as_text, read_workbook
from trialkit.records import Finding


def table_texts(folder: str | Path) -> dict[str, str]:
    """``bins.csv`` and ``readings.csv`` of a planned folder as CSV text by these names: the files where they are there,
    else the sheets of trial.xlsx. What stands in neither is left out.

    Raises DesignError where a file cannot be read, or where the readings stand in several files.
    """
    files, _ = find_files(folder)
    texts = {} if files.workbook is None else sheet_texts(files.workbook)
    if len(files.readings) > 1:
        names = ", ".join(path.name for path in files.readings)
        raise DesignError(f"{folder} holds readings in {names}; expected one readings.csv, as trialkit plan makes it.")
    for path in (files.bins, *files.readings):
        if path is not None and path.suffix.lower() == ".csv":
            texts[path.name] = _bytes(path).decode("utf-8-sig")
    return texts


def sheet_texts(path: Path) -> dict[str, str]:
    """The sheets bins and readings of a workbook as ``bins.csv`` and ``readings.csv``. Raises DesignError."""
    book, findings = read_workbook(_bytes(path), path.name)
    if book is None:
        raise DesignError(_first(findings))
    texts = {}
    for kind in ("bins", "readings"):
        sheet = book.sheets.get(kind)
        if sheet is not None and sheet.rows:
            rows = [[as_text(cell) for cell in row] for row in sheet.rows]
            texts[f"{kind}.csv"] = _csv(row for row in rows if any(cell.strip() for cell in row))
    return texts


def fill_workbook(raw: bytes, texts: Mapping[str, str], title: str) -> bytes:
    """The workbook with a new ``title`` and every cell that ``texts`` (as of ``table_texts``) fill in; what they leave
    empty stays as it is. Rows are found by bin, in the readings by bin and day. Other sheets are kept.
    """
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(raw))
    sheets = {name.strip().casefold(): book[name] for name in book.sheetnames}
    for file, text in texts.items():
        kind = file.removesuffix(".csv")
        if kind in sheets:
            _fill_sheet(sheets[kind], kind, list(csv.DictReader(io.StringIO(text))))
    if "trial" in sheets:
        _say_title(sheets["trial"], title)
    return packed(book)


def _fill_sheet(sheet: Any, kind: str, rows: Sequence[Mapping[str, str]]) -> None:
    by_place = {_place(kind, row): row for row in rows}
    heads = [as_text(cell.value or "").strip() for cell in sheet[1]]
    known = headings_of(columns_of("bins" if kind == "bins" else "readings"))
    wanted = [name for name in (rows[0] if rows else ()) if name not in heads and any(row[name] for row in rows)]
    for name in wanted:
        while heads and not heads[-1]:
            heads.pop()
        heads.append(name)
        sheet.cell(1, len(heads), name)
    for number in range(2, sheet.max_row + 1):
        cells = {name: as_text(value) for index, name in enumerate(heads, start=1)
                 if name and (value := sheet.cell(number, index).value) is not None}  # fmt: skip
        row = by_place.get(_place(kind, cells)) if cells.get("bin") else None
        for name, text in (row or {}).items():
            if text and name not in ("bin", "treatment", "day", "date"):
                heading = known.get(name)
                numeric = heading is not None and heading.column.holds_numbers
                sheet.cell(number, heads.index(name) + 1, float(text) if numeric else text)


def _place(kind: str, row: Mapping[str, str]) -> tuple[str, ...]:
    if kind == "bins":
        return (row.get("bin", ""),)
    day = row.get("day", "")
    return row.get("bin", ""), f"{float(day):g}" if day else "", row.get("date", "")


def _say_title(sheet: Any, title: str) -> None:
    heads = [as_text(cell.value or "").strip().casefold() for cell in sheet[1]]
    if "key" not in heads or "value" not in heads:
        return
    key, value = heads.index("key") + 1, heads.index("value") + 1
    rows = [row for row in range(2, sheet.max_row + 1) if as_text(sheet.cell(row, key).value or "").strip() == "title"]
    row = rows[0] if rows else sheet.max_row + 1
    sheet.cell(row, key, "title")
    sheet.cell(row, value, title)


def _bytes(path: Path) -> bytes:
    raw, findings = read_bytes(path)
    if raw is None:
        raise DesignError(_first(findings))
    return raw


def _first(findings: Sequence[Finding]) -> str:
    return f"{findings[0].file}: {findings[0].found}. {findings[0].remedy}"


def _csv(rows: Any) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()
