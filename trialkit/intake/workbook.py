"""A workbook as sheets of typed cells, and a sheet as a table of text cells with the rows a spreadsheet shows.

The reader of cells leaves error cells and formulas without a value empty, and lays out every row up to the last cell.
So the file is looked through first: nothing is lost in silence, and one stray cell far off does not fill the memory.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.etree import ElementTree

from trialkit.intake.numbers import looks_grouped
from trialkit.intake.reading import Table, TableBuilder
from trialkit.records import Finding

Cell = str | float | bool | date | datetime | time | timedelta
PLAN_SHEETS = ("trial", "treatments", "claims")
SHEETS = (*PLAN_SHEETS, "bins", "readings")

_MOST_BYTES = 1 << 30
_MOST_CELLS = 30_000_000
_CELL = re.compile(rb'<c\b(?=[^>]*?\br="([A-Z]{1,3})(\d{1,7})")([^>]*)>.*?(?=</c>|<c\b|</row>)', re.S)
_HAS_VALUE = re.compile(rb"<v>[^<]|<is>")
_ODD_CELL = re.compile(rb'\bt="e"|<f\b')


@dataclass(frozen=True)
class Sheet:
    """One sheet: its place in words, and its ``rows`` of cells; the first is row 1, the first cell column A."""

    file: str
    rows: list[list[Cell]]

    @property
    def is_empty(self) -> bool:
        """Whether no cell below the first filled row says anything."""
        filled = [row for row in self.rows if any(as_text(cell).strip() for cell in row)]
        return len(filled) < 2


@dataclass(frozen=True)
class Book:
    """A workbook: the sheets that a trial knows, by name, and the names of all others."""

    file: str
    sheets: dict[str, Sheet] = field(default_factory=dict)
    others: tuple[str, ...] = ()


def read_workbook(raw: bytes, file: str, only: str = "") -> tuple[Book | None, list[Finding]]:
    """The sheets of a workbook, or None and why it cannot be read. A workbook whose one sheet has a name of its own
    holds the sheet ``only``, where that is given.
    """
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError, XmlError, ZipError

    findings: list[Finding] = []

    def refuse(found: str, remedy: str) -> tuple[None, list[Finding]]:
        return None, [Finding("error", "workbook", file, None, None, found, "", remedy)]

    again = "Open it in a spreadsheet and save it again as a workbook (.xlsx)."
    if not raw.startswith(b"PK"):
        return refuse("the file is no workbook, whatever its name says", again)
    try:
        parts = dict(_parts(raw))
        with CalamineWorkbook.from_filelike(io.BytesIO(raw)) as book:
            names = list(book.sheet_names)
            known = {name.strip().casefold(): name for name in reversed(names)}
            chosen = {sheet: known[sheet] for sheet in SHEETS if sheet in known}
            if not chosen and only and len(names) == 1:
                chosen = {only: names[0]}
            sheets: dict[str, Sheet] = {}
            for sheet, name in chosen.items():
                place = f"{file}, sheet {name}"
                odd = list(_odd_cells(parts.get(name, b""), place))
                findings += odd
                if not any(finding.code == "cell-far-off" for finding in odd):
                    sheets[sheet] = Sheet(place, book.get_sheet_by_name(name).to_python(skip_empty_area=False))
    except PasswordError:
        return refuse("the workbook is locked by a password", "Save it without one.")
    except (
        CalamineError, ZipError, XmlError, zipfile.BadZipFile, ElementTree.ParseError, KeyError, ValueError, OSError,
        zipfile.LargeZipFile, NotImplementedError, RuntimeError, EOFError,
    ) as problem:  # fmt: skip
        if isinstance(problem, _TooLarge):
            return refuse("the workbook unpacks to more than a gigabyte", "Save its sheets as CSV (UTF-8).")
        return refuse("the workbook is damaged", again)
    others = tuple(name for name in names if name not in chosen.values())
    return Book(file, sheets, others), findings


class _TooLarge(ValueError):
    pass


def _parts(raw: bytes) -> Iterator[tuple[str, bytes]]:
    """(name of a sheet, its XML) of every sheet."""
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        if sum(item.file_size for item in archive.infolist()) > _MOST_BYTES:
            raise _TooLarge
        root = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        targets = {link.get("Id"): str(link.get("Target")) for link in links}
        for sheet in root.iter():
            if sheet.tag.endswith("}sheet"):
                link = next((value for key, value in sheet.attrib.items() if key.endswith("}id")), "")
                target = targets.get(link, "")
                path = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
                if path in archive.namelist():
                    yield str(sheet.get("name")), archive.read(path)


def _odd_cells(xml: bytes, place: str) -> Iterator[Finding]:
    """Cells that hold an error or a formula without a value, and one that stands too far off to be meant."""
    rows = columns = 0
    for match in _CELL.finditer(xml):
        row, column = int(match[2]), _column_number(match[1].decode())
        rows, columns = max(rows, row), max(columns, column)
        if rows * columns > _MOST_CELLS:
            found = f"cell {match[1].decode()}{row} stands far from all others"
            yield Finding("error", "cell-far-off", place, row, None, found, "", "Delete its row and column.")
            return
        whole = match[0]
        if not _ODD_CELL.search(whole):
            continue
        name = f"{match[1].decode()}{row}"
        if b't="e"' in match[3]:
            found, remedy = f"cell {name} holds an error of the spreadsheet", "Correct or empty it."
        elif not _HAS_VALUE.search(whole) and b't="str"' not in match[3]:
            found, remedy = f"cell {name} holds a formula without a value", "Open the workbook and save it again."
        else:
            continue
        yield Finding("error", "cell-without-value", place, row, None, found, "expected a value", remedy)


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number


def as_text(cell: Any) -> str:
    """A cell as the spreadsheet shows it, numbers with a decimal point."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, (int, float)):
        text = str(int(cell)) if float(cell).is_integer() and abs(cell) < 1e15 else repr(float(cell))
        # a number typed as such has one reading only: 1.234 is not a thousand
        return f"{text}0" if looks_grouped(text) else text
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == time() else cell.isoformat(" ", "seconds")
    return cell.isoformat() if isinstance(cell, (date, time)) else str(cell)


def sheet_table(sheet: Sheet) -> tuple[Table, list[Finding]]:
    """A sheet of bins or readings as a Table."""
    builder = TableBuilder(sheet.file)
    builder.take(iter([as_text(cell) for cell in row] for row in sheet.rows))
    findings = list(builder.findings(""))
    return builder.table(""), findings
