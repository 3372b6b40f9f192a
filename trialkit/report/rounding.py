"""How numbers are shown. The only module that rounds.

Three numbers of one comparison are rounded together, to as few decimals as keep what they say: the estimate stays
inside its interval, and no end of it that lies on one side of "no effect" or of the claim lands on it or crosses it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

MISSING = "–"
MINUS = "−"
MOST_DECIMALS = 6


def is_shown(value: float | None) -> bool:
    """Whether there is a finite number to show."""
    return value is not None and math.isfinite(value)


def fixed(value: float | None, decimals: int) -> str:
    """A number with so many decimals and a real minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    text = f"{value:.{max(decimals, 0)}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def figures(value: float | None, digits: int = 4) -> str:
    """A number to so many significant digits, written out between 1e-5 and 1e7."""
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    exponent = math.floor(math.log10(abs(value)))
    if not -6 < exponent < 7:
        return f"{value:.{digits - 1}e}".replace("-", MINUS)
    return fixed(value, max(digits - 1 - exponent, 0))


def plain(value: float) -> str:
    """A number a person chose, as they would write it: 2, 1.5, 0.8."""
    return f"{value:.10g}".replace("-", MINUS)


def ratio(value: float | None) -> str:
    """A ratio in a table: 1.23, 0.047, 12.3, 140."""
    if value is None or not math.isfinite(value):
        return MISSING
    size = abs(value)
    if size >= 100:
        return fixed(value, 0)
    if size >= 10:
        return fixed(value, 1)
    return fixed(value, 2) if size >= 0.1 else figures(value, 2)


def raised(value: float) -> str:
    """A smallest size as shown: never below the value, so that what it promises holds. 1.21, 2.4, 13, 0.052."""
    size = abs(value)
    if size == 0 or not math.isfinite(size):
        return fixed(value, 0)
    decimals = 2 if 1 <= size < 2 else max(1 - math.floor(math.log10(size)), 0)
    step = 10.0**-decimals
    return fixed(math.ceil(value / step - 1e-9) * step, decimals)


def p_value(p: float | None) -> str:
    """A p-value: two digits down to 0.001, then "<0.001"."""
    if p is None or not math.isfinite(p):
        return MISSING
    if p < 0.001:
        return "<0.001"
    return fixed(p, 2) if p >= 0.1 else fixed(p, 3)


def counted_p(p: float | None) -> str:
    """A p that is a count over a count, to three digits: 0.0625 stays what it is in every textbook."""
    if p is None or not math.isfinite(p):
        return MISSING
    if p < 0.001:
        return "<0.001"
    scale = 10.0 ** (2 - math.floor(math.log10(p)))
    return plain(math.floor(p * scale + 0.5 + 1e-9) / scale)  # a half goes up, as on paper


def degrees(df: float | None) -> str:
    """Degrees of freedom: whole where they are whole, else with one decimal."""
    if df is None or not math.isfinite(df):
        return MISSING
    return fixed(df, 0 if abs(df - round(df)) < 1e-6 else 1)


def percent(share: float) -> str:
    """A level such as 0.95 as "95 %"."""
    return f"{share * 100:.4g} %"


@dataclass(frozen=True)
class Shown:
    """Estimate, low and high as text, rounded together. An open or missing end is None."""

    estimate: str
    low: str | None
    high: str | None
    decimals: int


def together(
    estimate: float, low: float | None, high: float | None, *, landmarks: Iterable[float] = (), least: int = 1
) -> Shown:
    """Rounds three numbers to the fewest decimals (at least ``least``) that keep the story they tell.

    An end so near to a landmark that it would take more than one further decimal to tell them apart is put in words,
    "just above 1": a fourth decimal would pretend to know what no trial knows.
    """
    low = low if is_shown(low) else None
    high = high if is_shown(high) else None
    marks = tuple(landmarks)
    fewest = _decimals(estimate, low, high, (), least)
    decimals = _decimals(estimate, low, high, marks, least)
    if decimals > fewest + 1:
        decimals = fewest
    return Shown(
        estimate=fixed(estimate, decimals),
        low=None if low is None else _end(low, marks, decimals),
        high=None if high is None else _end(high, marks, decimals),
        decimals=decimals,
    )


def _end(end: float, marks: tuple[float, ...], decimals: int) -> str:
    for mark in marks:
        if not _keeps_side(end, mark, mark, decimals):
            return f"just {'above' if end > mark else 'below'} {plain(mark)}"
    return fixed(end, decimals)


def _decimals(estimate: float, low: float | None, high: float | None, landmarks: tuple[float, ...], least: int) -> int:
    ends = [end for end in (low, high) if end is not None]
    width = high - low if low is not None and high is not None else abs(estimate)
    if not math.isfinite(estimate):
        return least
    for decimals in range(least, MOST_DECIMALS):
        if width > 0 and 10.0**-decimals > 0.26 * width:
            continue
        if all(_keeps_side(estimate, end, round(end, decimals), decimals) for end in ends) and all(
            _keeps_side(end, mark, mark, decimals) for end in ends for mark in landmarks
        ):
            return decimals
    return MOST_DECIMALS


def _keeps_side(value: float, mark: float, shown_mark: float, decimals: int) -> bool:
    """Whether the rounded value lies on the side of the mark on which the exact value lies."""
    shown, exact = round(value, decimals) - shown_mark, value - mark
    if exact == 0:
        return True
    return shown > 0 if exact > 0 else shown < 0


def between(low: str | None, high: str | None) -> str:
    """The words for a range: "between 1.1 and 1.5", "at least 1.1", "at most 1.5"."""
    if low is not None and high is not None:
        return f"between {low} and {high}"
    if low is not None:
        return f"at least {low}"
    if high is not None:
        return f"at most {high}"
    return "with no range"


def from_to(low: str | None, high: str | None) -> str:
    """The same range for a table: "1.1 to 1.5"."""
    if low is not None and high is not None:
        return f"{low} to {high}"
    if low is None and high is None:
        return MISSING
    return between(low, high)
