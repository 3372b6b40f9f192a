"""Impossible and unlikely values of one column, judged text by text, in the unit that was typed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.columns import Bounds, Heading, headings_of, show_number
from trialkit.records import Severity

# the years 1990 to 2099 as a spreadsheet counts days
_FIRST_SERIAL, _LAST_SERIAL = 32874, 73050
_COLUMN_SHARE = 0.1


@dataclass(frozen=True)
class FahrenheitColumn:
    """A column of °C whose impossible values look like °F: the texts concerned, and the words for all of them."""

    texts: list[int]
    found: str
    expected: str
    remedy: str


def judge_bounds(values: NDArray[np.float64], heading: Heading) -> dict[int, tuple[Severity, str, str, str]]:
    """(severity, code, expected, remedy) of every value outside the ranges of its column. NaN is not judged."""
    judged: dict[int, tuple[Severity, str, str, str]] = {}
    hard, soft = heading.column.hard, heading.column.soft
    converted = values * heading.factor + heading.offset
    # a hundred-thousandth of slack where the unit was converted: 203 °F is 95 °C
    slack = 1e-9 * max(1.0, abs(hard.high)) if hard and heading.factor != 1.0 else 0.0
    with np.errstate(invalid="ignore"):
        if soft is not None:
            for index in np.flatnonzero((converted < soft[0]) | (converted > soft[1])):
                expected = f"{_likely(soft, heading)} is likely"
                judged[int(index)] = ("warning", "value-unlikely", expected, "It stays in the analysis; check it.")
        if hard is not None:
            low = (converted < hard.low - slack) | (hard.low_open & (converted <= hard.low))
            high = (converted > hard.high + slack) | (hard.high_open & (converted >= hard.high))
            for index in np.flatnonzero(low | high):
                judged[int(index)] = (
                    "error",
                    "value-out-of-range",
                    _expected(hard, heading, bool(low[index])),
                    _remedy(float(values[index]), float(converted[index]), heading),
                )
    return judged


def judge_fahrenheit(
    values: NDArray[np.float64], codes: NDArray[np.int32], heading: Heading
) -> FahrenheitColumn | None:
    """Say once that a column of °C holds °F, where at least three readings and a tenth of all say so."""
    if heading.unit != "°C" or not len(codes):
        return None
    hard, other = heading.column.hard, _in_fahrenheit(heading)
    assert hard is not None
    # a thermometer in °F shows 104 to 170 where one in °C shows 40 to 77
    with np.errstate(invalid="ignore"):
        above = (values > hard.high) & (values <= _typed(hard.high, other))
    rows = np.bincount(codes, minlength=len(values))
    count, measured = int(rows[above].sum()), int(rows[np.isfinite(values)].sum())
    if count < 3 or count < _COLUMN_SHARE * measured:
        return None
    low, high = float(values[above].min()), float(values[above].max())
    return FahrenheitColumn(
        [int(i) for i in np.flatnonzero(above)],
        f"found {count} readings from {show_number(low)} to {show_number(high)}, the first on this line",
        f"expected {_range(hard, heading)}; {show_number(high)} °F would be {show_number(_celsius(high, other))} °C",
        f'If all of the column is in °F, name it "{_fahrenheit_name(heading)}".',
    )


def _fahrenheit_name(heading: Heading) -> str:
    return heading.column.name.removesuffix("_c") + "_f"


def _in_fahrenheit(heading: Heading) -> Heading:
    """The same column typed in °F; a rise converts without the 32."""
    return headings_of((heading.column,))[_fahrenheit_name(heading)]


def _celsius(fahrenheit: float, heading: Heading) -> float:
    return round(fahrenheit * heading.factor + heading.offset, 1)


def _typed(bound: float, heading: Heading) -> float:
    """A bound in the unit that was typed, to six significant digits."""
    return float(f"{(bound - heading.offset) / heading.factor:.6g}")


def _unit(heading: Heading) -> str:
    return f" {heading.unit}" if heading.unit else ""


def _range(hard: Bounds, heading: Heading) -> str:
    low, high = (show_number(_typed(bound, heading)) for bound in (hard.low, hard.high))
    start = f"above {low} and " if hard.low_open else f"from {low} "
    end = f"below {high}" if hard.high_open else (f"up to {high}" if hard.low_open else f"to {high}")
    if hard.high_open and not hard.low_open:
        start = f"of {low} or more and "
    return f"a number {start}{end}{_unit(heading)}"


def _expected(hard: Bounds, heading: Heading, too_low: bool) -> str:
    if heading.column.kind == "score":
        return "expected a score from 0 to 5"
    if heading.column.kind == "day":
        return f"expected a number of days from {show_number(hard.low)} to {show_number(hard.high)}"
    if too_low and hard.low == 0 and heading.offset == 0:
        return f"expected a number above 0{_unit(heading)}" if hard.low_open else f"expected 0{_unit(heading)} or more"
    return f"expected {_range(hard, heading)}"


def _remedy(typed: float, value: float, heading: Heading) -> str:
    if heading.column.name == "day":
        if _FIRST_SERIAL <= typed <= _LAST_SERIAL:
            return "A spreadsheet keeps dates as such numbers: count the days from the start."
        return "Check the sign; days are counted from the start." if typed < 0 else "Correct it."
    hard = heading.column.hard
    if heading.unit == "°C" and hard is not None and value > hard.high:
        other = _in_fahrenheit(heading)
        if typed <= _typed(hard.high, other):
            celsius, name = show_number(_celsius(typed, other)), _fahrenheit_name(heading)
            return f'{show_number(typed)} °F would be {celsius} °C: if the column is in °F, name it "{name}".'
    if typed < 0 and hard is not None and hard.low >= 0:
        return "Check the sign, or leave the cell empty."
    return "Correct it, or leave the cell empty."


def _likely(soft: tuple[float, float], heading: Heading) -> str:
    low, high = soft
    if low == -np.inf:
        return f"up to {show_number(_typed(high, heading))}{_unit(heading)}"
    return f"{show_number(_typed(low, heading))} to {show_number(_typed(high, heading))}{_unit(heading)}"
