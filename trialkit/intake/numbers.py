"""Cells to numbers: decimal points and decimal commas, and what looks like a number and is none.

A comma or point before exactly three digits can set thousands apart or begin decimals. Which it does is decided by
the other cells of the same file, and where those do not settle it the cell is refused with both readings.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:[ .,'’\u00a0\u202f]\d{3})+(?:[.,]\d+)?", re.ASCII)
_WITH_UNIT = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(%|°\s?[CF]|[A-Za-zµ³/]+)", re.ASCII)
_INFINITE = ("inf", "-inf", "+inf", "infinity", "-infinity")
_NOTHING = frozenset(
    [*_INFINITE, "na", "n/a", "n.a.", "nan", "none", "null", "nil", "-", "--", "—", "–", ".", "?", "x", "missing"]
)
_SHEET_ERROR = re.compile(r"#[A-Z/0]+[!?]?", re.ASCII)


@dataclass(frozen=True)
class NumberStyle:
    """What the cells of one file show. ``commas_shown`` and ``points``: some cell has such a decimal mark beyond doubt.

    ``commas`` is also True where only the semicolons between cells speak for decimal commas.
    """

    commas: bool
    points: bool
    commas_shown: bool


@dataclass(frozen=True)
class NotANumber:
    """Why a cell is no number; ``expected`` and ``remedy`` as in a Finding."""

    code: str
    expected: str
    remedy: str


def find_style(texts: Iterable[str], separator: str) -> NumberStyle:
    """The decimal marks that the cells of a file show beyond doubt. Semicolons between cells speak for commas."""
    commas = points = False
    for text in texts:
        if _GROUPED.fullmatch(text):
            continue
        if "," in text:
            commas = commas or _COMMA.fullmatch(text) is not None
        elif "." in text:
            points = points or _POINT.fullmatch(text) is not None
    return NumberStyle(commas or (separator == ";" and not points), points, commas)


def looks_grouped(text: str) -> bool:
    """Whether a comma or point stands before exactly three digits, so that the text may mean thousands."""
    return _GROUPED.fullmatch(text) is not None


def read_number(text: str, style: NumberStyle) -> float | NotANumber:
    """The number in a cell, or why there is none. ``text`` is trimmed and not empty."""
    grouped = _GROUPED.fullmatch(text)
    if grouped and grouped[1] == "," and (style.points or not style.commas):
        return _two_readings(text)
    if grouped and grouped[1] == "." and style.commas:
        return _two_readings(text, "" if style.commas_shown else ", which settles the others too")
    if _POINT.fullmatch(text):
        return float(text)
    if _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    return _refuse(text)


def _two_readings(text: str, more: str = "") -> NotANumber:
    mark = "," if "," in text else "."
    return NotANumber(
        "number-ambiguous",
        f"expected a number that reads one way; this is {text.replace(mark, '')} or {text.replace(mark, '.')}",
        f"Write {text.replace(mark, '')}, or {text}0 if it is the small one{more}.",
    )


def _refuse(text: str) -> NotANumber:
    if text.casefold() in _NOTHING or _SHEET_ERROR.fullmatch(text):
        return NotANumber("not-a-number", "expected a number", "Leave the cell empty where nothing was measured.")
    if _THOUSANDS.fullmatch(text):
        return NotANumber("not-a-number", "expected a number", "Write it without marks between thousands.")
    if unit := _WITH_UNIT.fullmatch(text):
        return NotANumber("not-a-number", "expected a number alone", f'Remove "{unit[2]}"; the heading says the unit.')
    if text[:1] in "<>≤≥~":
        return NotANumber("not-a-number", "expected a number", "Write the value itself, or leave the cell empty.")
    if text[:1] in "−–" and _POINT.fullmatch(text[1:].replace(",", ".")):
        return NotANumber("not-a-number", "expected a number", "Type the minus sign of the keyboard.")
    return NotANumber("not-a-number", "expected a number", "Correct it, or leave the cell empty.")
