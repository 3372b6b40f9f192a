"""Does a rate ratio hang on the shape of the curve, on the error of every k, or on reading rates instead of times?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trialkit.errors import DesignError
from trialkit.models.bins import fit_bins
from trialkit.records import BinValues, Comparison, CurveCheck, Fit, Refusal

APART = 1.1  # a factor between a rate ratio and the inverse of a time ratio worth a sentence; a judgement
KNOWN_LEAST = 2


def check_curves(
    values: BinValues | Refusal,
    comparisons: Sequence[Comparison | Refusal],
    stretched: BinValues | Refusal,
    times: Sequence[Comparison | Refusal] = (),
) -> tuple[CurveCheck, ...]:
    """One check a comparison of rates. ``stretched``: the rates from curves with a free shape; ``times``: the
    comparisons of a time outcome of the same trial, if it has one.
    """
    if isinstance(values, Refusal):
        return ()
    found = [one for one in comparisons if isinstance(one, Comparison) and one.kind == "ratio" and one.against]
    return tuple(_check(values, one, stretched, times) for one in found)


def _check(
    values: BinValues,
    one: Comparison,
    stretched: BinValues | Refusal,
    times: Sequence[Comparison | Refusal],
) -> CurveCheck:
    against = str(one.against)
    low, high = one.interval.low, one.interval.high
    half = 0.5 * math.log(high / low) if low and high else math.inf
    check = CurveCheck(one.treatment, against, one.estimate, half, end_levels=_end_levels(values, one))
    check = _with_stretched(check, values, stretched)
    check = _with_known(check, values, one.plan.level)
    return _with_time(check, times)


def _because(check: CurveCheck, reason: str) -> CurveCheck:
    return replace(check, reasons=(*check.reasons, reason))


def _with_stretched(check: CurveCheck, values: BinValues, stretched: BinValues | Refusal) -> CurveCheck:
    """The ratio from both curves on the bins that have both; what moves is then the curve alone."""
    if isinstance(stretched, Refusal):
        return _because(check, " ".join(stretched.reasons))
    have = {v.bin for v in stretched.values if v.value is not None}
    fits = [fit_bins(_only(part, have)) for part in (values, stretched)]
    ratios = [_log_ratio(fit, check) for fit in fits]
    bins = [
        sum(v.bin in have and v.treatment == name for v in values.values) for name in (check.treatment, check.against)
    ]
    if ratios[0] is None or ratios[1] is None:
        return _because(
            check,
            f"A curve with a free shape could be fitted to {bins[0]} bins of {check.treatment} and {bins[1]} of "
            f"{check.against} only, too few to compare.",
        )
    return replace(
        check,
        stretched=math.exp(ratios[1]),
        moved=ratios[1] - ratios[0],
        stretched_bins=(bins[0], bins[1]),
    )


def _only(values: BinValues, bins: set[str]) -> BinValues:
    kept = (v if v.bin in bins else replace(v, value=None, reason="no curve with a free shape") for v in values.values)
    return replace(values, values=tuple(kept))


def _log_ratio(fit: Fit | Refusal, check: CurveCheck) -> float | None:
    if isinstance(fit, Refusal) or not {check.treatment, check.against} <= set(fit.treatments):
        return None
    found = float(fit.differences[fit.treatments.index(check.treatment), fit.treatments.index(check.against)])
    return found if math.isfinite(found) else None


def _with_known(check: CurveCheck, values: BinValues, level: float) -> CurveCheck:
    """The ratio with the variance of every log k, (standard error ÷ k)², taken as known beside that between bins."""
    from trialkit.models.mixed import fit_mixed

    used = [v for v in values.values if v.value is not None and math.isfinite(v.details.get("k_std_error", math.nan))]
    names = {v.treatment for v in used}
    if values.plan.layout.kind not in ("completely random", "blocks") or not {check.treatment, check.against} <= names:
        return _because(check, "Known errors of k were not tried in this layout.")
    columns: dict[str, object] = {
        "log k": np.log([float(v.value or 1.0) for v in used]),
        "treatment": [v.treatment for v in used],
    }
    fixed = [["treatment"]]
    if all(v.block is not None for v in used) and len({v.block for v in used}) > 1:
        columns["block"] = [str(v.block) for v in used]
        fixed.append(["block"])
    known = [(v.details["k_std_error"] / float(v.value or 1.0)) ** 2 for v in used]
    try:
        fit = fit_mixed(columns, response="log k", fixed=fixed, known_variance=known, level=level)
        found = fit.difference({"treatment": check.treatment}, {"treatment": check.against})
    except DesignError as error:
        return _because(check, f"Known errors of k gave no answer: {error}")
    low, high = found.low, found.high
    return replace(check, known=(math.exp(found.estimate), math.exp(low), math.exp(high)))


def _end_levels(values: BinValues, one: Comparison) -> tuple[float, float] | None:
    """Mean end level of the two treatments' bins, as a share of the start; None where none is fitted from a start."""
    shares = []
    for name in (one.treatment, str(one.against)):
        own = [
            v.details["v_end"] / v.details["v_start"]
            for v in values.values
            if v.treatment == name
            and v.value is not None
            and v.details.get("v_start", 0.0) > 0.0
            and "v_end" in v.details
        ]
        if not own:
            return None
        shares.append(float(np.mean(own)))
    return shares[0], shares[1]


def _with_time(check: CurveCheck, times: Sequence[Comparison | Refusal]) -> CurveCheck:
    """The time ratio of the same two treatments, and why the two disagree where they do."""
    for one in times:
        if (
            isinstance(one, Comparison)
            and one.kind == "ratio"
            and {one.treatment, one.against}
            == {
                check.treatment,
                check.against,
            }
        ):
            break
    else:
        return check
    turned = one.treatment != check.treatment
    low, high = one.interval.low, one.interval.high
    if turned:
        low, high = (None if high is None else 1.0 / high), (None if low is None else 1.0 / low)
    ratio = 1.0 / one.estimate if turned else one.estimate
    check = replace(check, time=(ratio, low, high), time_outcome=one.outcome.name)
    if one.level_attained is not None or 1.0 / APART < ratio * check.ratio < APART:
        return check
    ends = check.end_levels
    text = (
        f"The rate ratio {check.ratio:.2f} is not the inverse of the time ratio {ratio:.2f} (that would be "
        f"{1.0 / check.ratio:.2f}); the two agree only where all bins end at the same level"
    )
    if ends is not None:
        text += (
            f", and these end at {100 * ends[0]:.0f} % ({check.treatment}) and {100 * ends[1]:.0f} % ({check.against}) "
            "of their start on average"
        )
    return _because(check, f"{text}. Which of the two answers a claim depends on whether it speaks of a rate or a day.")
