"""Opens the files of a trial, CSV and workbook alike, and puts their tables and their plan on the desk."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from trialkit.intake.both_forms import choose_bins, choose_plan, choose_readings
from trialkit.intake.cells import Parsed, parse_table
from trialkit.intake.columns import FileKind, columns_of, headings_of
from trialkit.intake.desk import Desk
from trialkit.intake.folder import WORKBOOK, read_bytes
from trialkit.intake.headings import match_headings
from trialkit.intake.plansheets import read_plan_sheets, says_plan
from trialkit.intake.reading import Table, read_table
from trialkit.intake.trialfile import read_trial_file
from trialkit.intake.wording import column_letters
from trialkit.intake.workbook import SHEETS, Sheet, read_workbook, sheet_table
from trialkit.records import Finding, Source


def open_books(desk: Desk) -> None:
    """Every workbook among the files; one that cannot be read is a finding and left out."""
    files = desk.files
    for path, only in (
        (files.workbook, "readings" if files.single else ""),
        (files.bins, "bins"),
        *((item, "readings") for item in files.readings),
    ):
        if path is None or path.suffix.lower() != WORKBOOK:
            continue
        raw, findings = read_bytes(path)
        desk.findings += findings
        if raw is None:
            continue
        book, findings = read_workbook(raw, path.name, only)
        desk.findings += findings
        if book is None:
            continue
        desk.books[path] = book
        desk.digests[path] = hashlib.sha256(raw).hexdigest()
        wanted = SHEETS if path == files.workbook else (only,)
        if not any(name in book.sheets for name in wanted) and not desk.has_errors():
            found, expected = "no sheet of a known name", f"expected {' or '.join(wanted)}"
            desk.findings.append(
                Finding("error", "sheet-missing", path.name, None, None, found, expected, "Rename it.")
            )
        for name in book.others:
            if path != files.workbook or name.strip().casefold() not in ("instructions", "lists"):
                said = f'the sheet "{name}" is no part of the trial'
                desk.findings.append(Finding("note", "not-read", path.name, None, None, said))
    whole = desk.books.get(files.workbook) if files.workbook is not None else None
    bins = whole.sheets.get("bins") if whole is not None else None
    desk.with_bins = files.bins is not None or (bins is not None and not bins.is_empty)
    desk.with_plan = files.trial is not None or (whole is not None and says_plan(whole))


def take_plan(desk: Desk) -> None:
    """The plan: that of trial.toml, or that of the workbook; where it stands in both, the two must agree."""
    book = desk.books.get(desk.files.workbook) if desk.files.workbook is not None else None
    in_book = None
    if book is not None and says_plan(book):
        desk.sources.append(Source(book.file, desk.digests[desk.files.workbook], 0))  # type: ignore[index]
        in_book, findings = read_plan_sheets(book)
        desk.findings += findings
        if desk.files.trial is None:
            # keys without a single value plan nothing
            desk.with_plan = in_book is not None or bool(findings)
    desk.trial_file = in_book
    if desk.files.trial is None:
        return
    raw, findings = read_bytes(desk.files.trial)
    desk.findings += findings
    desk.trial_file = None
    if raw is not None:
        name = desk.files.trial.name
        desk.sources.append(Source(name, hashlib.sha256(raw).hexdigest(), 0))
        desk.trial_file, findings = read_trial_file(raw, name)
        desk.findings += findings
    if desk.trial_file is not None and in_book is not None:
        desk.trial_file, findings = choose_plan(desk.trial_file, in_book)
        desk.findings += findings


def take_tables(desk: Desk) -> None:
    """Bins and readings, from wherever they stand; what stands twice is taken once."""
    files = desk.files
    book = desk.books.get(files.workbook) if files.workbook is not None else None
    sheets = book.sheets if book is not None else {}
    bins: list[Parsed | None] = []
    if files.bins is not None:
        bins.append(_read_file(desk, files.bins, "bins"))
    if "bins" in sheets and not sheets["bins"].is_empty:
        bins.append(_take_sheet(desk, files.workbook, sheets["bins"], "bins"))  # type: ignore[arg-type]
    tables = [parsed for parsed in bins if parsed is not None]
    desk.bins_table = tables[0] if tables else None
    if len(tables) == 2:
        desk.bins_table, findings = choose_bins(*tables)
        desk.findings += findings
        _put_away(desk, [table for table in tables if table is not desk.bins_table])
    if desk.bins_table is not None:
        desk.bins_file = desk.bins_table.file
    readings = [_read_file(desk, item, "readings") for item in files.readings]
    texts = [parsed for parsed in readings if parsed is not None]
    used: Sequence[Parsed] = texts
    if "readings" in sheets and (files.single or not sheets["readings"].is_empty):
        parsed = _take_sheet(desk, files.workbook, sheets["readings"], "readings")  # type: ignore[arg-type]
        used = texts if parsed is None else [*texts, parsed]
        if texts and parsed is not None:
            start = desk.trial_file.part.start if desk.trial_file is not None else None
            used, findings = choose_readings(texts, parsed, start)
            desk.findings += findings
            _put_away(desk, [table for table in (*texts, parsed) if all(table is not kept for kept in used)])
    places = {source.file: index for index, source in enumerate(desk.sources)}
    desk.readings = list(used)
    desk.reading_sources = [places[parsed.file] for parsed in used]


def _put_away(desk: Desk, tables: Sequence[Parsed]) -> None:
    """Tables of which nothing is used are no sources and their rows are not counted."""
    unused = {table.file for table in tables}
    desk.sources = [source for source in desk.sources if source.file not in unused]
    for name in unused:
        desk.rows.pop(name, None)


def _read_file(desk: Desk, path: Path, kind: FileKind) -> Parsed | None:
    if path.suffix.lower() == WORKBOOK:
        book = desk.books.get(path)
        sheet = book.sheets.get(kind) if book is not None else None
        return None if sheet is None else _take_sheet(desk, path, sheet, kind)
    raw, findings = read_bytes(path)
    desk.findings += findings
    if raw is None:
        return None
    digest = hashlib.sha256(raw).hexdigest()
    known = headings_of(columns_of(kind, with_bins=desk.with_bins))
    table, findings = read_table(raw, path.name, known)
    del raw
    desk.findings += findings
    return _take_table(desk, table, path.name, digest, kind)


def _take_sheet(desk: Desk, path: Path, sheet: Sheet, kind: FileKind) -> Parsed | None:
    table, findings = sheet_table(sheet)
    desk.findings += findings
    desk.letters[sheet.file] = {name: column_letters(index) for index, name in enumerate(table.headings) if name}
    return _take_table(desk, table, sheet.file, desk.digests[path], kind)


def _take_table(desk: Desk, table: Table | None, name: str, digest: str, kind: FileKind) -> Parsed | None:
    desk.sources.append(Source(name, digest, table.rows if table else 0))
    if table is None:
        return None
    desk.rows[name] = table.rows
    if kind == "bins":
        desk.bins_file = name

    def say(code: str, found: str, expected: str, remedy: str) -> None:
        desk.findings.append(Finding("error", code, name, None, None, found, expected, remedy))

    if not table.headings:
        what = "sheet" if name in desk.letters else "file"
        say("file-empty", f"the {what} is empty", "expected a row of headings", "Copy the headings from the template.")
        return None
    used, findings = match_headings(table, kind, with_bins=desk.with_bins)
    desk.findings += findings
    parsed, findings = parse_table(table, used)
    desk.findings += findings
    if not table.rows and (kind == "bins" or desk.files.single):
        say("no-rows", "the file has headings and not one row of data", "", "Fill it in.")
    return parsed
