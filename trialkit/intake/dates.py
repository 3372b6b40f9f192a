"""Dates as people and spreadsheets write them. What can be read in two ways is not read at all.

A time of day is allowed behind a date and not used. Two-digit years and bare serial numbers of a spreadsheet are
refused, because the year or the epoch would be a guess.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_TIME = r"(?:[T ]+(?P<time>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)(?: ?[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?)?"
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})" + _TIME, re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{2}|\d{4})" + _TIME, re.ASCII)
_DAY_NAMED = re.compile(r"(\d{1,2})[-. /]+([A-Za-z]{3,9})\.?[-, /]+(\d{2}|\d{4})" + _TIME, re.ASCII)
_MONTH_NAMED = re.compile(r"([A-Za-z]{3,9})\.?[- ]+(\d{1,2}),?[- ]+(\d{4})" + _TIME, re.ASCII)
_SERIAL = re.compile(r"[2-7]\d{4}(\.\d+)?", re.ASCII)
_EPOCHS = (date(1899, 12, 30), date(1904, 1, 1))

REMEDY = "Write it as year-month-day, as in 2026-10-31."


@dataclass(frozen=True)
class DateReading:
    """What a cell may mean. One entry in ``readings``: that day; none: no date; two: nobody can tell which.

    ``iso`` is False where the day was read from another style, ``timed`` True where a time of day was left aside.
    """

    readings: tuple[date, ...]
    iso: bool = True
    timed: bool = False

    @property
    def day(self) -> date | None:
        """The day, where there is exactly one reading."""
        return self.readings[0] if len(self.readings) == 1 else None


def read_date(text: str) -> DateReading:
    """Every reading of a cell as a date. Four-digit years 1900 to 2199."""
    if found := _YEAR_FIRST.fullmatch(text):
        iso = found[2] == "-" and len(found[3]) == len(found[4]) == 2
        return DateReading(_days((found[1], found[3], found[4])), iso, _is_timed(found["time"]))
    if found := _YEAR_LAST.fullmatch(text):
        one, two, year = found[1], found[3], found[4]
        timed = _is_timed(found["time"])
        if len(year) == 2:
            read = _days(("20" + year, two, one), ("20" + year, one, two), ("20" + one.zfill(2), two, year))
            last_century = tuple(day.replace(year=day.year - 100) for day in read if (day.month, day.day) != (2, 29))
            return DateReading((read + last_century)[: max(2, len(read))], False, timed)
        if found[2] == ".":
            return DateReading(_days((year, two, one)), False, timed)  # with dots the day always stands first
        return DateReading(_days((year, two, one), (year, one, two)), False, timed)
    if found := _DAY_NAMED.fullmatch(text):
        years = (found[3],) if len(found[3]) == 4 else ("20" + found[3], "19" + found[3])
        read = _days(*((year, _month(found[2]), found[1]) for year in years))
        return DateReading(read, False, _is_timed(found["time"]))
    if found := _MONTH_NAMED.fullmatch(text):
        return DateReading(_days((found[3], _month(found[1]), found[2])), False, _is_timed(found["time"]))
    if _SERIAL.fullmatch(text):
        return DateReading(tuple(epoch + timedelta(days=int(float(text))) for epoch in _EPOCHS), False)
    return DateReading(())


def looks_like_date(text: str) -> bool:
    """Whether a cell has the shape of a date and not of a number."""
    return _SERIAL.fullmatch(text) is None and bool(read_date(text).readings)


def word_readings(readings: tuple[date, ...]) -> str:
    """The readings of an ambiguous cell, as a clause: "7 March 2026 or 3 July 2026"."""
    return " or ".join(f"{day.day} {_MONTHS[day.month - 1].capitalize()} {day.year}" for day in readings)


def _month(name: str) -> str:
    key = "sep" if name.lower() == "sept" else name.lower()
    return next((str(number) for number, month in enumerate(_MONTHS, 1) if month.startswith(key)), "0")


def _days(*orders: tuple[str, str, str]) -> tuple[date, ...]:
    """The different days among (year, month, day) orders, those that are no day left out."""
    days: list[date] = []
    for year, month, day in orders:
        try:
            found = date(int(year), int(month), int(day))
        except ValueError:
            continue
        if 1900 <= found.year < 2200 and found not in days:
            days.append(found)
    return tuple(days)


def _is_timed(time: str | None) -> bool:
    return time is not None and time.strip("0:.") != ""
