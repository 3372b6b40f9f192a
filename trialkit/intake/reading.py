"""Bytes to text cells with line numbers. Nothing is converted, dropped or guessed in silence.

Every column is kept as the texts that occur in it and, for each row, the position of its text: a column of 100,000
readings is judged on its few thousand different cells, and memory stays near the size of the file.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, islice, zip_longest

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.wording import column_letters
from trialkit.records import Finding

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
_CHUNK = 512
_LONGEST_CELL = 131_072
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1f]")
_KNOWN_STARTS = (
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"\xd0\xcf\x11\xe0", "an old workbook"),
    (b"%PDF", "a PDF"),
    (b"\x1f\x8b", "a packed file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
)
SAVE_AS_CSV = "Open it in the spreadsheet it came from and save each sheet as CSV (UTF-8)."


@dataclass(frozen=True, eq=False)
class Cells:
    """One column: ``codes`` (n,) positions into ``texts``, the different cells with outer blanks trimmed."""

    codes: NDArray[np.int32]
    texts: tuple[str, ...]

    def at(self, row: int) -> str:
        """The text of one row."""
        return self.texts[int(self.codes[row])]

    def rows_with(self, wanted: Sequence[bool] | NDArray[np.bool_]) -> NDArray[np.intp]:
        """Rows whose text is marked in ``wanted``, one mark a text."""
        return np.flatnonzero(np.asarray(wanted, dtype=bool)[self.codes]) if len(self.codes) else np.empty(0, np.intp)


@dataclass(frozen=True, eq=False)
class Table:
    """A file as text. ``lines`` (n,) counts as a spreadsheet does; ``columns`` one Cells per heading, in order."""

    file: str
    headings: tuple[str, ...]
    lines: NDArray[np.int32]
    columns: tuple[Cells, ...]
    separator: str

    @property
    def rows(self) -> int:
        """Data rows, blank lines left out."""
        return len(self.lines)


def find_encoding(raw: bytes, file: str) -> tuple[str | None, list[Finding]]:
    """The encoding of a file and what is to be said about it; None where it is not text."""

    def refuse(found: str, remedy: str) -> tuple[None, list[Finding]]:
        expected = "expected plain text, such as a CSV file"
        return None, [Finding("error", "not-text", file, None, None, found, expected, remedy)]

    for start, what in _KNOWN_STARTS:
        if raw.startswith(start):
            return refuse(f"the file is {what}", SAVE_AS_CSV)
    if raw.startswith((b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")):
        return refuse("the file is UTF-32 text", "Save it again as CSV (UTF-8).")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            raw.decode("utf-16")
        except UnicodeDecodeError:
            return refuse("the file begins as UTF-16 text but does not go on so", "Save it again as CSV (UTF-8).")
        return "utf-16", []
    if _CONTROL.search(raw):
        return refuse("the file holds bytes that are not text", SAVE_AS_CSV)
    try:
        raw.decode("utf-8")
        return "utf-8-sig", []
    except UnicodeDecodeError:
        pass
    try:
        raw.decode("cp1252")
    except UnicodeDecodeError:
        return refuse("the letters are in no encoding that could be told", "Save it again as CSV (UTF-8).")
    said = "the file is not UTF-8 and was read as Windows-1252"
    remedy = "Look whether ä, é, ° and the like are right; if not, save it as CSV (UTF-8)."
    return "cp1252", [Finding("note", "read-as-windows-1252", file, None, None, said, "", remedy)]


def read_table(raw: bytes, file: str, known: Iterable[str] = ()) -> tuple[Table | None, list[Finding]]:
    """A CSV file as a Table and what was noticed; None where it cannot be read at all.

    ``known`` headings decide between separators. Decoding happens piece by piece, so the text is never held whole.
    """
    encoding, findings = find_encoding(raw, file)
    if encoding is None:
        return None, findings
    separator, skipped = _separator(raw, encoding, frozenset(known))
    builder = TableBuilder(file)
    with _usual_limit():
        try:
            with _open(raw, encoding) as text:
                builder.take(_records(text, separator, skipped))
        except csv.Error as problem:
            findings.append(_word_csv_error(problem, file, _failing_record(raw, encoding, separator, skipped)))
            return None, findings
    if other := _other_separator(builder.headings, frozenset(known)):
        found, expected = f"the cells of the first row are set apart by {other}", "expected a comma, semicolon or tab"
        findings.append(Finding("error", "separator", file, None, "header", found, expected, SAVE_AS_CSV))
        return None, findings
    findings.extend(builder.findings(separator))
    return builder.table(separator), findings


def _other_separator(headings: Sequence[str], known: frozenset[str]) -> str:
    """What else sets the headings apart, where they stand in one cell and only so become known; else nothing."""
    if len(headings) != 1 or headings[0] in known:
        return ""
    for mark, name in (("|", "vertical bars"), (":", "colons"), (None, "blanks")):
        if sum(part.strip().casefold() in known for part in headings[0].split(mark)) > 1:
            return name
    return ""


@contextlib.contextmanager
def _usual_limit() -> Iterator[None]:
    """Cells up to the length that is usual, whatever other libraries of this process have set."""
    before = csv.field_size_limit(_LONGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _open(raw: bytes, encoding: str) -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(raw), encoding=encoding, newline="")


def _separator(raw: bytes, encoding: str, known: frozenset[str]) -> tuple[str, int]:
    """The separator of the heading line, and how many lines come before the first that counts (``sep=;``)."""
    with _open(raw, encoding) as text:
        first = text.readline(100_000)
        declared = re.fullmatch(r'"?sep=([,;\t])"?\s*', first, re.IGNORECASE)
        if declared:
            return declared[1], 1
        while first and not first.strip():
            first = text.readline(100_000)

    def fit(separator: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([first], delimiter=separator), [])
        except csv.Error:
            cells = []
        return sum(cell.strip().casefold() in known for cell in cells), len(cells)

    return max(SEPARATORS, key=fit), 0


def _records(text: io.TextIOWrapper, separator: str, skipped: int) -> Iterator[list[str]]:
    for _ in range(skipped):
        text.readline()
    return csv.reader(text, delimiter=separator, strict=True)


def _failing_record(raw: bytes, encoding: str, separator: str, skipped: int) -> int:
    """The row, as a spreadsheet counts, that cannot be read; rows may run over several lines of text."""
    line = 1
    with _open(raw, encoding) as text, contextlib.suppress(csv.Error):
        for _ in _records(text, separator, skipped):
            line += 1
    return line


def _word_csv_error(problem: csv.Error, file: str, line: int) -> Finding:
    text = str(problem)
    if "unexpected end" in text:
        found, remedy = "a quotation mark is opened and never closed", 'Close it, or remove the "'
    elif "field larger" in text:
        found = "a cell is longer than 131 072 letters"
        remedy = "A quotation mark may be missing a few lines above"
    else:
        found, remedy = "a quotation mark stands inside a quoted cell", 'Double it ("") or remove it'
    return Finding("error", "quotation-mark", file, line, None, found, "", f"{remedy}.")


class TableBuilder:
    """Takes records, a few thousand at a time, and encodes each column by its different texts."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.line = 0
        self.headings: list[str] = []
        self.width = 0
        self.trimmed = False
        self.codes: list[list[NDArray[np.int32]]] = []
        self.seen: list[defaultdict[str, int]] = []
        self.lines: list[NDArray[np.int32]] = []
        self.too_long: list[tuple[int, int, str]] = []
        self.short: list[int] = []

    def take(self, records: Iterator[list[str]]) -> None:
        for record in records:
            self.line += 1
            if any(cell.strip() for cell in record):
                self._head(record)
                break
        while rows := list(islice(records, _CHUNK)):
            lines = np.arange(self.line + 1, self.line + 1 + len(rows), dtype=np.int32)
            self.line += len(rows)
            # a line of blanks, or of separators alone, is a blank line
            doubtful = [index for index, row in enumerate(rows) if not row or not row[0] or row[0].isspace()]
            blank = {index for index in doubtful if not any(map(str.strip, rows[index]))}
            if blank:
                rows = [row for index, row in enumerate(rows) if index not in blank]
                lines = np.delete(lines, sorted(blank))
            if rows:
                self._add(rows, lines)

    def _head(self, record: list[str]) -> None:
        self.width = len(record)
        while record and not record[-1].strip():
            record = record[:-1]
        self.headings = [cell.strip() for cell in record]
        self.trimmed = self.headings != record
        self.seen = [defaultdict(count().__next__) for _ in self.headings]
        self.codes = [[] for _ in self.headings]

    def _add(self, rows: list[list[str]], lines: NDArray[np.int32]) -> None:
        width = len(self.headings)
        if set(map(len, rows)) != {width}:
            for row, line in zip(rows, lines.tolist(), strict=True):
                if len(row) > self.width:
                    # an empty one counts too: it is what an unquoted decimal comma leaves behind at the end
                    beyond = (place for place in range(self.width, len(row)) if row[place].strip())
                    place = next(beyond, self.width)
                    self.too_long.append((line, place, row[place].strip()))
                elif any(cell.strip() for cell in row[width:]):
                    place = next(place for place in range(width, len(row)) if row[place].strip())
                    self.too_long.append((line, place, row[place].strip()))  # under an empty heading at the end
                elif len(row) < width:
                    self.short.append(line)
        columns = list(zip_longest(*rows, fillvalue=""))
        for index, (codes, seen) in enumerate(zip(self.codes, self.seen, strict=True)):
            cells = columns[index] if index < len(columns) else ("",) * len(rows)
            codes.append(np.fromiter(map(seen.__getitem__, cells), np.int32, len(cells)))
        self.lines.append(lines)

    def table(self, separator: str) -> Table:
        lines = np.concatenate(self.lines) if self.lines else np.empty(0, np.int32)
        columns = []
        for codes, seen in zip(self.codes, self.seen, strict=True):
            whole = np.concatenate(codes) if codes else np.empty(0, np.int32)
            codes.clear()
            columns.append(Cells(whole, tuple(text.strip() for text in seen)))
        return Table(self.file, tuple(self.headings), lines, tuple(columns), separator)

    def findings(self, separator: str) -> Iterator[Finding]:
        for line, place, text in self.too_long:
            remedy = "Move it under its heading, or put the cell in quotation marks."
            if separator == "," and re.fullmatch(r"\d*", text):
                remedy = "If decimal commas were typed, save the file with semicolons between the cells."
            what = f'"{text}"' if text else "an empty cell"
            found = f"{what} stands in column {column_letters(place)}, beyond the last heading"
            yield Finding(
                "error",
                "cell-too-many",
                self.file,
                line,
                None,
                found,
                f"expected at most {len(self.headings)} cell{'s' if len(self.headings) > 1 else ''} in a row",
                remedy,
            )
        if self.short:
            more = f"; so do {len(self.short) - 1} more" if len(self.short) > 1 else ""
            found = f"the row ends before the last heading, and what is missing counts as empty{more}"
            remedy = "Check that no cell was left out in the middle of a row."
            yield Finding("warning", "row-too-short", self.file, self.short[0], None, found, "", remedy)
        if self.trimmed or any(text != text.strip() for seen in self.seen for text in seen):
            found = "blanks before or after the text of cells were trimmed"
            yield Finding("note", "outer-blanks", self.file, None, None, found)
