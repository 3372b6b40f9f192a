"""Rules on single rows and bins: combinations that cannot be, or hardly can. One function a rule; none raises."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trialkit.intake.cells import Parsed
from trialkit.intake.columns import show_number
from trialkit.intake.rows import Rows
from trialkit.intake.wording import name_key
from trialkit.records import Bin, Finding, Plan

# common practice: carbon of dry matter without char, nitrogen without urea, blood or urine
MOST_CARBON_PCT = 60.0
MOST_NITROGEN_PCT = 20.0
CARBON_OF_ORGANIC = (0.40, 0.62)


def _has_amount(plan: Plan | None, *names: str) -> bool:
    treatments = plan.treatments if plan is not None else ()
    return any(item.amounts.get(name, 0) > 0 for item in treatments for name in names)


def _rich(plan: Plan | None) -> Iterator[tuple[str, float, str]]:
    """(element, bound, remedy) of the bounds that hold in this trial."""
    if not _has_amount(plan, "char_kg"):
        yield "carbon", MOST_CARBON_PCT, "Correct it; where char was mixed in, give its char_kg in the trial file."
    if not _has_amount(plan, "urea_g", "manure_kg"):
        yield "nitrogen", MOST_NITROGEN_PCT, "Correct it; where urea was mixed in, give its urea_g in the trial file."


def too_rich_rows(rows: Rows, plan: Plan | None) -> Iterator[Finding]:
    """Carbon or nitrogen that no mix holds without char or urea. Matter added on a visit may be anything."""
    for element, bound, remedy in _rich(plan):
        values = rows.numbers.get(f"{element}_pct")
        if values is None:
            continue
        with np.errstate(invalid="ignore"):
            for row in np.flatnonzero(values > bound):
                yield rows.finding(
                    "error",
                    "value-out-of-range",
                    int(row),
                    f"{element}_pct",
                    f'found "{show_number(values[row])}"',
                    f"expected up to {bound:g} % of dry mass",
                    remedy,
                )


def too_rich_bins(parsed: Parsed, plan: Plan | None) -> Iterator[Finding]:
    """The same for what the bins were filled with."""
    for element, bound, remedy in _rich(plan):
        name = f"start_{element}_pct"
        values = parsed.numbers.get(name)
        if values is None:
            continue
        with np.errstate(invalid="ignore"):
            for row in np.flatnonzero(values > bound):
                yield Finding(
                    "error",
                    "value-out-of-range",
                    parsed.file,
                    int(parsed.lines[row]),
                    parsed.typed[name],
                    f'found "{show_number(values[row])}"',
                    f"expected up to {bound:g} % of dry mass",
                    remedy,
                    parsed.names["bin"].at(int(row)) if "bin" in parsed.names else None,
                )


def above_capacity(rows: Rows, bins: Sequence[Bin]) -> Iterator[Finding]:
    """More in a bin than it holds."""
    values = rows.numbers.get("volume_l")
    if values is None:
        return
    capacity = np.array([item.starts.get("capacity_l", np.inf) for item in bins] + [np.inf])
    with np.errstate(invalid="ignore"):
        for row in np.flatnonzero(values > capacity[rows.bin] * (1 + 1e-9)):
            yield rows.finding(
                "error",
                "above-capacity",
                int(row),
                "volume_l",
                f"found {show_number(values[row])} L",
                f"the bin holds {show_number(capacity[rows.bin[row]])} L",
                "Correct the reading or capacity_l.",
            )


def finished_at_start(rows: Rows, day: NDArray[np.float64]) -> Iterator[Finding]:
    """A bin that is finished on the day it begins."""
    values = rows.numbers.get("finished")
    if values is None:
        return
    for row in np.flatnonzero((values == 1) & (day == 0)):
        yield rows.finding(
            "error",
            "finished-at-start",
            int(row),
            "finished",
            "the bin is finished on day 0",
            "expected no on the first day",
            "Correct it, or the day.",
        )


def raters_alike(rows: Rows) -> Iterator[Finding]:
    """Raters whose names differ only by blanks or capitals: each counts as a rater of their own."""
    keys: dict[str, int] = {}
    for at, name in enumerate(rows.raters):
        first = keys.setdefault(name_key(name), at)
        if first != at:
            yield rows.finding(
                "warning",
                "raters-alike",
                int(np.flatnonzero(rows.rater == at)[0]),
                "rater",
                f'found "{name}"',
                f'other rows have "{rows.raters[first]}", and the two count as two raters',
                "Write one name in one way.",
            )


def carbon_against_ash(rows: Rows) -> Iterator[Finding]:
    """Carbon that does not fit the organic matter left by the ash."""
    carbon, ash = rows.numbers.get("carbon_pct"), rows.numbers.get("ash_pct")
    if carbon is None or ash is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        share = carbon / (100 - ash)
        for row in np.flatnonzero((share < CARBON_OF_ORGANIC[0]) | (share > CARBON_OF_ORGANIC[1])):
            yield rows.finding(
                "warning",
                "carbon-against-ash",
                int(row),
                "carbon_pct",
                f"carbon is {share[row]:.2f} of the organic matter (100 − ash)",
                f"{CARBON_OF_ORGANIC[0]:.2f} to {CARBON_OF_ORGANIC[1]:.2f} is likely",
                "It stays in the analysis; check both.",
            )


def ratio_against_parts(rows: Rows) -> Iterator[Finding]:
    """A C:N that is not the quotient of the carbon and nitrogen beside it, by more than rounding and a tenth."""
    ratio = rows.numbers.get("cn_ratio")
    carbon, nitrogen = rows.numbers.get("carbon_pct"), rows.numbers.get("nitrogen_pct")
    if ratio is None or carbon is None or nitrogen is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        quotient = carbon / nitrogen
        for row in np.flatnonzero(np.abs(ratio / quotient - 1) > 0.1):
            yield rows.finding(
                "warning",
                "ratio-against-parts",
                int(row),
                "cn_ratio",
                f"found {show_number(ratio[row])}",
                f"carbon_pct and nitrogen_pct of this row give {quotient[row]:.1f}",
                "Check the three.",
            )


def warm_throughout(rows: Rows, day: NDArray[np.float64]) -> Iterator[Finding]:
    """A file whose core temperatures never come below 50: bins begin and end near the air, so this may be °F."""
    values = rows.numbers.get("core_temp_c")
    if values is None:
        return
    for file in range(len(rows.files)):
        here = np.flatnonzero((rows.file == file) & np.isfinite(values) & np.isfinite(day))
        if len(here) >= 6 and values[here].min() >= 50 and np.ptp(day[here]) >= 14:
            said = rows.finding(
                "warning",
                "looks-like-fahrenheit",
                int(here[0]),
                "core_temp_c",
                f"no reading of {len(here)} over {np.ptp(day[here]):g} days is below 50 °C",
                "",
                'If the column is in °F, name it "core_temp_f".',
            )
            yield replace(said, bin=None)  # it is the file that looks odd, not the bin of its first line
