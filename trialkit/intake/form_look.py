"""How the workbook looks: headings bold and locked, cells to type in open, and choices to pick from."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from trialkit.intake.columns import Column, headings_of, show_number
from trialkit.intake.plansheets import FACTOR
from trialkit.intake.wording import column_letters
from trialkit.outcome_names import OUTCOMES

Row = Sequence[Any]
# rows below the last filled one that also have the choices and may be typed in
_SPARE = 400
_INSTRUCTIONS = (
    "How to fill in this workbook",
    "",
    "1. Sheet trial: what is planned. Fill it in before the first reading; empty values may stay empty.",
    "2. Sheet treatments: one row for each thing that is compared, with what one bin gets.",
    "3. Sheet claims: one row for each thing that is said about a treatment. It may stay empty.",
    "4. Sheet bins: one row for each bin. Names of bins and treatments must be the same on all sheets.",
    "5. Sheet readings: one row for each bin and visit. The day is counted from the start; day 0 is the start.",
    "",
    "A cell stays empty where nothing was measured. A zero means that zero was measured.",
    "The end of a heading is its unit: _c °C, _l litres, _kg kilograms, _cm centimetres, _pct per cent.",
    "For °F name the column with _f, for gallons _gal, cubic feet _ft3, inches _in, pounds _lb, grams _g.",
    "Scores go from 0, far from compost, to 5, compost. Yes and no are written as yes and no.",
    "A bin that falls over or is spoilt keeps its row: fill in lost_on_day and lost_reason on the sheet bins.",
    "The headings are protected, without a password, so that they stay as they are.",
    "To use another column, lift the protection (Tools or Review, Protect Sheet) and type its heading.",
    "",
    "Save the workbook as trial.xlsx in a folder of its own. To see whether everything fits, open the start page of "
    "trialkit, or type: trialkit check FOLDER",
)
_WIDTHS = {"key": 34, "value": 44, "meaning": 56, "text": 60}
_CHOICES = {
    "comparisons": ("with control", "all pairs"),
    "layout.kind": ("completely random", "blocks", "latin square", "split plot"),
    "pupils": ("yes", "no"),
    "layout.variances": ("common", "by treatment"),
    "layout.drawn": ("by seed", "by lot", "by hand"),
    "outcome.decay_rate.from": ("volume_l", "height_cm", "respired_c_g_kg", "dry mass", "wet mass"),
    "role": ("nothing", "water", "carrier", "killed", "live", "soil", "other"),
    "family": ("all", "claim only"),
}


def write_instructions(book: Any) -> None:
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("instructions")
    for number, line in enumerate(_INSTRUCTIONS, start=1):
        sheet.cell(number, 1, line)
        sheet.cell(number, 1).alignment = Alignment(wrap_text=True, vertical="top")
    sheet["A1"].font = Font(bold=True, size=14)
    sheet.column_dimensions["A"].width = 100
    _fit_to_page(sheet)
    sheet.protection.sheet = True


def write_sheet(
    book: Any,
    name: str,
    heads: Sequence[str],
    rows: Sequence[Row],
    columns: Sequence[Column] = (),
    first_free: int = 1,
) -> None:
    """Headings bold and locked, cells below open to typing; ``first_free`` is the first column that is."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill, Protection

    sheet = book.create_sheet(name)
    meanings = headings_of(tuple(columns)) if columns else {}
    last = 1 + len(rows) + (0 if name == "trial" else _SPARE)
    for index, head in enumerate(heads, start=1):
        letters = column_letters(index - 1)
        cell = sheet.cell(1, index, head)
        cell.font, cell.fill = Font(bold=True), PatternFill("solid", fgColor="DDE8D6")
        if head in meanings:
            column, unit = meanings[head].column, meanings[head].unit
            cell.comment = Comment(f"{column.meaning}{f' In {unit}.' if unit else ''}{_range_of(column)}", "trialkit")
        sheet.column_dimensions[letters].width = _WIDTHS.get(head, max(12, len(head) + 3))
        is_open = index >= first_free and head != "meaning"
        style = _number_format(name, head, meanings)
        for row in range(2, last + 1):
            below = sheet.cell(row, index)
            below.protection = Protection(locked=not is_open)
            if head == "value":
                below.alignment = Alignment(horizontal="left")
            if style:
                below.number_format = style
        sheet.column_dimensions[letters].protection = Protection(locked=not is_open)
    for number, values in enumerate(rows, start=2):
        for index, value in enumerate(values, start=1):
            _put(sheet.cell(number, index), value)
    for index, head in enumerate(heads, start=1):
        _offer(book, sheet, name, head, column_letters(index - 1), last, meanings, rows)
    sheet.freeze_panes = "B2"
    sheet.print_title_rows = "1:1"
    _fit_to_page(sheet)
    sheet.protection.sheet = True
    for allowed in ("formatColumns", "formatRows", "insertRows", "deleteRows", "sort", "autoFilter", "formatCells"):
        setattr(sheet.protection, allowed, False)  # False means: not locked


def _fit_to_page(sheet: Any) -> None:
    """Printed sideways and no wider than a page, so that no column is torn off."""
    sheet.page_setup.orientation = "landscape"
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_setup.fitToHeight = 0


def _put(cell: Any, value: Any) -> None:
    if value is None or value == "":
        return
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"  # "=1+1" and "#N/A" are names here, not formulas
        if value[:1] in "=+-@":
            cell.quotePrefix = True
    elif isinstance(value, date):
        cell.number_format = "yyyy-mm-dd"


def _number_format(sheet: str, head: str, meanings: Mapping[str, Any]) -> str:
    kind = meanings[head].column.kind if head in meanings else ""
    if kind in ("name", "text") or head in ("name", "treatment", "against") or head.startswith(FACTOR):
        return "@"  # as text, so that 1-2 stays a block and no date
    return "yyyy-mm-dd" if kind == "date" and sheet != "trial" else ""


def _range_of(column: Column) -> str:
    if column.hard is None or column.kind == "score":
        return ""
    return f" {show_number(column.hard.low)} to {show_number(column.hard.high)}."


def _offer(
    book: Any,
    sheet: Any,
    name: str,
    head: str,
    letters: str,
    last: int,
    meanings: Mapping[str, Any],
    rows: Sequence[Row],
) -> None:
    """What may be picked or typed in a column."""
    from openpyxl.worksheet.datavalidation import DataValidation

    treatments = f"treatments!$A$2:$A${book['treatments'].max_row}" if "treatments" in book.sheetnames else ""
    below = f"{letters}2:{letters}{max(last, 2)}"

    def add(where: str, **options: Any) -> None:
        rule = DataValidation(allow_blank=True, showErrorMessage=True, **options)
        rule.errorTitle = "trialkit"
        rule.add(where)
        sheet.add_data_validation(rule)

    def choose(where: str, choices: Sequence[str]) -> None:
        add(where, type="list", formula1='"' + ",".join(choices) + '"', error=f"One of: {', '.join(choices)}.")

    if name == "trial" and head == "value":
        for number, row in enumerate(rows, start=2):
            if row[0] in _CHOICES:
                choose(f"{letters}{number}", _CHOICES[row[0]])
            elif row[0] == "control":
                # the sheet of treatments comes after this one
                add(f"{letters}{number}", type="list", formula1="treatments!$A$2:$A$400", error="A treatment's name.")
            elif row[0] == "primary":
                add(f"{letters}{number}", type="list", formula1=_OUTCOME_LIST, error="A known outcome.")
        return
    column = meanings[head].column if head in meanings else None
    hidden = _letters(book, sheet, rows) if name == "bins" and head == "treatment" else []
    if hidden:
        choose(below, hidden)
    elif head == "treatment" or head == "against":
        add(below, type="list", formula1=treatments, error="A treatment of the sheet treatments.")
    elif name == "claims" and head == "outcome":
        add(below, type="list", formula1=_OUTCOME_LIST, error="A known outcome.")
    elif head in _CHOICES and name in ("treatments", "claims"):
        choose(below, _CHOICES[head])
    elif name == "readings" and head == "bin":
        where = f"bins!$A$2:$A${book['bins'].max_row}"
        add(below, type="list", formula1=where, error="A bin of the sheet bins.")
    elif column is not None and column.kind == "yes-no":
        choose(below, ("yes", "no"))
    elif column is not None and column.kind == "score":
        choose(below, ("0", "1", "2", "3", "4", "5"))
    elif column is not None and column.hard is not None and meanings[head].factor == 1.0:
        low, high = column.hard.low, column.hard.high
        bounds = f"{show_number(low)} to {show_number(high)} {meanings[head].unit}".strip()
        add(below, type="decimal", operator="between", formula1=low, formula2=high, error=f"A number, {bounds}.")


def _letters(book: Any, sheet: Any, rows: Sequence[Row]) -> list[str]:
    """The letters that stand for treatments on the sheet of bins; none where a bin holds a treatment's name."""
    at = [cell.value for cell in sheet[1]].index("treatment")
    stands = {str(row[at]) for row in rows if row[at]}
    named = {str(row[0].value) for row in book["treatments"].iter_rows(min_row=2)}
    return [] if stands & named or max(map(len, stands), default=0) > 3 else sorted(stands)


_OUTCOME_LIST = f"lists!$A$1:$A${len(OUTCOMES)}"


def write_lists(book: Any) -> None:
    sheet = book.create_sheet("lists")
    for number, name in enumerate(OUTCOMES, start=1):
        sheet.cell(number, 1, name)
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True


def packed(book: Any) -> bytes:
    """The workbook as bytes without the hour at which it was made."""
    long_ago = datetime(2000, 1, 1)
    book.properties.created = book.properties.modified = long_ago
    book.properties.creator = "trialkit"
    made = io.BytesIO()
    book.save(made)
    out = io.BytesIO()
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            content = old.read(item)
            if item.filename == "docProps/core.xml":
                content = _without_hour(content)
            new.writestr(zipfile.ZipInfo(item.filename, (2000, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _without_hour(core: bytes) -> bytes:
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2000-01-01T00:00:00Z", core)
