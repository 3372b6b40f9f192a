"""What becomes of the rate ratios when rates are had otherwise: a sentence a question, and a table of the numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp
from typing import Any

from trialkit.records import Analysis, Answer, CurveCheck, Verdict
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.rounding import MISSING, fixed, ratio
from trialkit.report.tables import Table, table

SHAPE = "With a curve of free shape (Weibull) in every bin"
KNOWN = "With the errors of k taken as known beside the scatter between bins"


def curve_lines(answer: Answer) -> tuple[str, ...]:
    """One sentence on curves of free shape, one on known errors of k, one a pair on rate beside time, and the reasons
    where one of these could not be had; what holds for several comparisons is said once."""
    checks = answer.curve_checks
    reasons = dict.fromkeys(reason for check in checks for reason in check.reasons)
    return (*_shapes(checks), *_known(checks), *_times(checks), *reasons)


def leans_on_shape(verdict: Verdict, analysis: Analysis) -> bool:
    """Whether a curve of free shape moves the comparison of this claim by more than its half-width."""
    item = verdict.comparison
    if item is None:
        return False
    checks = [check for answer in analysis.answers if answer.name == item.outcome.name for check in answer.curve_checks]
    pair = {item.treatment, item.against}
    return any(check.moves_too_far is True and {check.treatment, check.against} == pair for check in checks)


def _pair(check: CurveCheck) -> str:
    return f"{named(check.treatment)} ÷ {named(check.against)}"


def _shapes(checks: Sequence[CurveCheck]) -> Iterator[str]:
    tried = [check for check in checks if check.moves_too_far is not None]
    far = [check for check in tried if check.moves_too_far]
    if far:
        moved = [f"from {ratio(check.ratio)} to {ratio(check.stretched)}" for check in far]
        rest = len(tried) - len(far)
        tail = "" if not rest else f" The other {'one moves' if rest == 1 else f'{rest} move'} by less."
        if len(far) == 1:
            what = f"the rate ratio {_pair(far[0])} moves {moved[0]}, by more than half the width of its range"
        else:
            each = listed(f"{_pair(check)} {path}" for check, path in zip(far, moved, strict=True))
            what = f"{len(far)} rate ratios move by more than half the width of their ranges ({each})"
        yield f"{SHAPE}, {what}: the answer leans on the shape of the curve.{tail}"
    elif len(tried) == 1:
        yield (
            f"{SHAPE}, the rate ratio {_pair(tried[0])} would be {ratio(tried[0].stretched)}: it moves by less than "
            "half the width of its range."
        )
    elif tried:
        yield f"{SHAPE}, none of the {len(tried)} rate ratios moves by more than half the width of its range."


def _known(checks: Sequence[CurveCheck]) -> Iterator[str]:
    tried = [(check, check.known) for check in checks if check.known is not None]
    turned = [(check, known) for check, known in tried if _side(*known[1:]) != _side(*_ends(check))]
    told = turned or (tried if len(tried) == 1 else [])
    if told:
        said = listed(f"{_pair(check)} would be {_with_range(known)}" for check, known in told)
        what = "rate ratio" if len(told) == 1 else "rate ratios"
        given = f"the {'range' if len(told) == 1 else 'ranges'} given"
        if turned:
            tail = f"on another side of “no difference” than {given}"
        elif _side(*told[0][1][1:]) == 0:
            tail = f"which holds “no difference” as {given} does"
        else:
            tail = f"on the same side of “no difference” as {given}"
        yield f"{KNOWN}, the {what} {said}, {tail}."
    elif tried:
        yield f"{KNOWN}, all {len(tried)} ranges stay on the side of “no difference” on which they are."


def _times(checks: Sequence[CurveCheck]) -> Iterator[str]:
    for check in checks:
        if check.time is None:
            continue
        days, low, high = check.time
        ends = " to ".join("open" if end is None else ratio(end) for end in (low, high))
        yield (
            f"Rate and time side by side, {_pair(check)}: {ratio(check.ratio)} times the rate, {ratio(days)} times the "
            f"days ({ends}); {ratio(1.0 / check.ratio)} would be the inverse of the rate ratio."
        )


def _ends(check: CurveCheck) -> tuple[float, float]:
    """The range in force, from its half-width on the log scale."""
    return check.ratio * exp(-check.half_width), check.ratio * exp(check.half_width)


def _side(low: float, high: float) -> int:
    return 1 if low > 1.0 else -1 if high < 1.0 else 0


def _with_range(found: tuple[float, float, float]) -> str:
    return f"{ratio(found[0])} ({ratio(found[1])} to {ratio(found[2])})"


def curves_table(answer: Answer) -> Table | None:
    """The numbers behind these sentences, one row a rate ratio; None where rates were had in one way only."""
    if not answer.curve_checks:
        return None
    timed = any(check.time is not None for check in answer.curve_checks)
    columns = [
        ("comparison", "Rate ratio", False),
        ("ratio", "As analysed", True),
        ("stretched", "Curve of free shape", True),
        ("known", "Errors of k known", True),
        *([("time", "Time ratio", True)] if timed else []),
        ("end_levels", "End level, share of start", True),
    ]
    rows: list[list[tuple[Any, str]]] = []
    for check in answer.curve_checks:
        levels = check.end_levels
        rows.append([
            ("", f"{capitalised(_pair(check))}"),
            ("", _with_range((check.ratio, *_ends(check)))),
            ("", _stretched(check)),
            ("", MISSING if check.known is None else _with_range(check.known)),
            *([("", MISSING if check.time is None else ratio(check.time[0]))] if timed else []),
            ("", MISSING if levels is None else f"{fixed(levels[0], 2)} beside {fixed(levels[1], 2)}"),
        ])  # fmt: skip
    return table("curves", "Rate ratios had otherwise", columns, rows)


def _stretched(check: CurveCheck) -> str:
    if check.stretched is None:
        return MISSING
    bins = check.stretched_bins
    return ratio(check.stretched) + ("" if bins is None else f" ({bins[0]} + {bins[1]} bins)")
