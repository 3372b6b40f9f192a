"""The plan in a workbook: the sheets trial (key, value), treatments and claims, as what trial.toml would have said."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from trialkit.errors import nearest_name
from trialkit.intake.dates import read_date
from trialkit.intake.numbers import NotANumber, NumberStyle, read_number
from trialkit.intake.parts import AMOUNTS, SIZES, ClaimPart, TreatmentPart
from trialkit.intake.places import Path, SheetPlaces
from trialkit.intake.trialfile import TrialFile, judge_shape
from trialkit.intake.wording import column_letters
from trialkit.intake.workbook import Book, Sheet, as_text
from trialkit.records import Finding

MARGIN = ("equivalence.low", "equivalence.high")
FACTOR = "factors."
TREATMENT_HEADINGS = tuple(name for name in TreatmentPart.model_fields if name != "factors")
CLAIM_HEADINGS = (*(name for name in ClaimPart.model_fields if name != "equivalence"), *MARGIN)

_TABLES = ("layout", "outcome", "finish")  # keys with a point: layout.kind, outcome.decay_rate.from
_DATES = ("start", "stated_on")
_LISTS = ("secondary", "materials")
_YES_NO = {"pupils", "finished"}
_TEXTS = (
    "title", "question", "control", "comparisons", "primary", "name", "role", "text", "treatment", "against",
    "outcome", "family", "kind", "variances", "drawn", "redraw_rule", "whole_plot_factor", "from", "rule",
)  # fmt: skip
_STYLE = NumberStyle(commas=False, points=False, commas_shown=False)

Typed = dict[str, Any]
Cells = dict[Path, tuple[str, int, str | None]]


def read_plan_sheets(book: Book) -> tuple[TrialFile | None, list[Finding]]:
    """The plan of a workbook; None with findings where its shape is wrong, None without where it says nothing."""
    data: Typed = {}
    cells: Cells = {}
    findings: list[Finding] = []
    if "trial" in book.sheets:
        findings += _read_keys(book.sheets["trial"], data, cells)
    for name, table, headings in (
        ("treatments", "treatment", TREATMENT_HEADINGS),
        ("claims", "claim", CLAIM_HEADINGS),
    ):
        if name in book.sheets:
            findings += _read_rows(book.sheets[name], table, headings, data, cells)
    if any(finding.severity == "error" for finding in findings):
        return None, findings
    if not data:
        return None, findings
    trial, more = judge_shape(data, SheetPlaces(book.file, cells))
    return trial, [*findings, *more]


def says_plan(book: Book) -> bool:
    """Whether any of the plan's sheets is filled in."""
    return any(name in book.sheets and not book.sheets[name].is_empty for name in ("trial", "treatments", "claims"))


def _filled(sheet: Sheet) -> Iterator[tuple[int, list[Any]]]:
    for number, row in enumerate(sheet.rows, start=1):
        if any(as_text(cell).strip() for cell in row):
            yield number, row


def _read_keys(sheet: Sheet, data: Typed, cells: Cells) -> Iterator[Finding]:
    rows = list(_filled(sheet))
    if not rows:
        return
    top, heads = rows[0][0], [as_text(cell).strip().casefold() for cell in rows[0][1]]
    if "key" not in heads or "value" not in heads:
        found = "the first row does not say key and value"
        yield Finding("error", "heading-missing", sheet.file, top, None, found, "", "Write them over the two columns.")
        return
    at_key, at_value = heads.index("key"), heads.index("value")
    seen: dict[str, int] = {}
    label = f"value (column {column_letters(at_value)})"
    for number, row in rows[1:]:
        key = as_text(row[at_key]).strip() if at_key < len(row) else ""
        value = row[at_value] if at_value < len(row) else ""
        if not key:
            if as_text(value).strip():
                found = f'the value "{as_text(value)}" stands beside no key'
                yield Finding("error", "key-missing", sheet.file, number, label, found, "", "Fill in the key.")
            continue
        if key in seen:
            found = f'"{key}" stands already on line {seen[key]}'
            yield Finding("error", "key-twice", sheet.file, number, label, found, "", "Keep one of the two.")
            continue
        seen[key] = number
        if not as_text(value).strip():
            continue
        path = _path_of(key)
        place = data
        for step in path[:-1]:
            place = place.setdefault(str(step), {})
        place[str(path[-1])] = _fit(str(path[-1]), value)
        cells[path] = (sheet.file, number, label)
        for length in range(1, len(path)):
            cells.setdefault(path[:length], (sheet.file, number, label))


def _path_of(key: str) -> Path:
    parts = key.split(".", 2 if key.startswith("outcome.") else 1)
    if parts[0] in _TABLES and len(parts) == (3 if parts[0] == "outcome" else 2):
        return tuple(part.strip() for part in parts)
    return (key,)


def _read_rows(sheet: Sheet, table: str, headings: tuple[str, ...], data: Typed, cells: Cells) -> Iterator[Finding]:
    rows = list(_filled(sheet))
    if not rows:
        return
    names: dict[int, str] = {}
    for index, cell in enumerate(rows[0][1]):
        name = as_text(cell).strip()
        if not name:
            if any(as_text(row[index]).strip() for _, row in rows[1:] if index < len(row)):
                found = f"column {column_letters(index)} has cells but no heading"
                yield _heading(sheet, "heading-missing", found, "", "Name it, or empty it.")
        elif name in names.values():
            yield _heading(sheet, "heading-twice", f'"{name}" stands over two columns', "", "Keep one of the two.")
        elif name in headings or (table == "treatment" and name.startswith(FACTOR) and name != FACTOR):
            names[index] = name
        else:
            near = nearest_name(name, headings)
            expected = f'nearest is "{near}"' if near else f"expected one of {', '.join(headings)}"
            remedy = "Rename it." if near else "Remove the column."
            yield _heading(sheet, "heading-unknown", f'column "{name}" is not known', expected, remedy)
    for number, row in rows[1:]:
        entry = data.setdefault(table, [])
        entry.append({})
        path: Path = (table, len(entry) - 1)
        cells[path] = (sheet.file, number, None)
        for index, name in names.items():
            cell = row[index] if index < len(row) else ""
            place = (sheet.file, number, f"{name} (column {column_letters(index)})")
            if name.startswith(FACTOR):
                where: Path = (*path, "factors", name.removeprefix(FACTOR))
            else:
                where = (*path, name)
            cells[where] = place
            if not as_text(cell).strip():
                continue
            if name.startswith(FACTOR):
                entry[-1].setdefault("factors", {})[name.removeprefix(FACTOR)] = as_text(cell).strip()
            elif name in MARGIN:
                entry[-1].setdefault("equivalence", []).append(_fit(name, cell))
                cells.setdefault((*path, "equivalence"), place)
            else:
                entry[-1][name] = _fit(name, cell)


def _heading(sheet: Sheet, code: str, found: str, expected: str, remedy: str) -> Finding:
    return Finding("error", code, sheet.file, None, "header", found, expected, remedy)


def _fit(key: str, cell: Any) -> Any:
    """A cell as the kind of value its key asks for, where it can be read so; else as it is, to be refused by name."""
    if key in _DATES:
        if isinstance(cell, datetime):
            return cell.date()
        read = read_date(cell.strip()).day if isinstance(cell, str) else None
        return read or cell
    if key in _TEXTS:
        return as_text(cell).strip()
    if key in _LISTS:
        return [name.strip() for name in as_text(cell).replace(";", ",").split(",") if name.strip()]
    if key in _YES_NO and isinstance(cell, str) and cell.strip().casefold() in ("yes", "y", "no", "n"):
        return cell.strip().casefold().startswith("y")
    if isinstance(cell, str):
        number = read_number(cell.strip(), _STYLE)
        return cell.strip() if isinstance(number, NotANumber) else number
    if isinstance(cell, float) and key == "seed" and cell.is_integer():
        return int(cell)
    return cell if isinstance(cell, (bool, int, float, date)) else as_text(cell)


def amounts_and_sizes() -> Mapping[str, tuple[str, ...]]:
    """The headings under which numbers stand, by sheet."""
    return {"treatments": AMOUNTS, "claims": (*SIZES, *MARGIN)}
