"""The question a precision is asked, checked: every problem at once, in sentences. And the guesses to start from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trialkit.errors import DesignError, nearest_name
from trialkit.numerics.analysis_cases import Family, Variances
from trialkit.numerics.log_normal import cv_of, sd_log_of
from trialkit.numerics.loss_patterns import KINDS, Kind
from trialkit.records import Fit

Equivalence = tuple[float, float] | None | Literal["usual"]
USUAL_MARGIN = (0.80, 1.25)


@dataclass(frozen=True)
class PlanningGuess:
    """Between-bin variability to assume where nothing is known: a guess, to be replaced by an earlier trial's own.

    ``cv`` in the middle of ``low`` to ``high``.
    """

    low: float
    high: float

    @property
    def cv(self) -> float:
        """The middle, to two digits."""
        return round(0.5 * (self.low + self.high), 3)


PLANNING_GUESSES: Mapping[str, PlanningGuess] = {
    "dry_matter_loss_pct": PlanningGuess(0.05, 0.10),
    "organic_matter_loss_pct": PlanningGuess(0.05, 0.10),
    "decay_rate": PlanningGuess(0.15, 0.25),
    "days_to_threshold": PlanningGuess(0.15, 0.20),
    "days_to_finish": PlanningGuess(0.15, 0.20),
    "degree_days": PlanningGuess(0.15, 0.25),
    "nitrogen_pct": PlanningGuess(0.10, 0.20),
    "cn_ratio": PlanningGuess(0.12, 0.25),
    "germination_index_pct": PlanningGuess(0.15, 0.30),
}


@dataclass(frozen=True)
class Question:
    """A question that makes sense. ``claim`` and ``margin`` on the log scale, turned so that more is as claimed."""

    treatments: int
    layout: Kind
    sd_log: float
    ratio: float
    claim: float
    downward: bool
    level: float
    chance: float
    equivalence: tuple[float, float] | None
    margin: tuple[float, float] | None
    margin_left_out: bool
    variances: Variances | None
    family: Family
    block_ratio: float


def cv_of_fit(fit: Fit) -> float:
    """Coefficient of variation between bins treated alike, from an earlier trial analysed on the log scale.

    The residual variance, or the mean of the treatments' own. DesignError for an outcome on the identity scale (a
    standard deviation in points is no CV) and where the fit has no residual variance.
    """
    name = fit.values.outcome.name
    if fit.values.outcome.scale != "log":
        raise DesignError(
            f"{name} is analysed as a difference, not as a ratio, so an earlier trial gives no CV for it. "
            "Give the CV yourself, or plan for an outcome analysed as a ratio, such as decay_rate."
        )
    own = [variance for part, variance in fit.components.items() if part.startswith("residual")]
    paired = [0.5 * variance for part, variance in fit.components.items() if part.startswith("paired difference")]
    variances = [value for value in own or paired if math.isfinite(value) and value > 0.0]
    if not variances:
        raise DesignError(
            f"The earlier trial shows no variance of {name} between bins treated alike. Give the CV yourself."
        )
    return cv_of(math.sqrt(sum(variances) / len(variances)))


def checked_question(
    treatments: int,
    layout: str,
    bins_per_treatment: int,
    cv: float,
    ratio: float,
    lost: int,
    level: float,
    chance: float,
    equivalence: Equivalence,
    variances: Variances | None,
    family: Family,
    block_ratio: float,
) -> Question:
    """The question, or a DesignError with one sentence a problem."""
    problems = [
        problem
        for problem in (
            _whole("treatments", treatments, 2, "the control is one of them"),
            _whole("bins_per_treatment", bins_per_treatment, 1, "one is a demonstration, four are a trial"),
            _layout_problem(layout, treatments, bins_per_treatment),
            _cv_problem(cv),
            _ratio_problem(ratio),
            _lost_problem(lost, treatments, bins_per_treatment),
            _between("level", level, 0.5, 1.0, "0.95 is usual"),
            _between("chance", chance, 0.0, 1.0, "0.8 is usual"),
            None
            if variances in (None, "common", "by treatment")
            else f'variances: found "{variances}"; expected "common" or "by treatment".',
            None if family in ("all", "claim only") else f'family: found "{family}"; expected "all" or "claim only".',
            None
            if _number(block_ratio) and 0.0 <= block_ratio <= 100.0
            else f"block_ratio: found {block_ratio}; expected a number from 0 to 100.",
        )
        if problem
    ]
    if not problems:
        problems += _margin_problems(equivalence, ratio)
    if problems:
        raise DesignError("\n".join(problems))
    downward = ratio < 1.0
    claim = abs(math.log(ratio))
    margin_left_out = False
    if equivalence == "usual":
        inside = USUAL_MARGIN[0] < ratio < USUAL_MARGIN[1]
        equivalence, margin_left_out = (None, True) if inside else (USUAL_MARGIN, False)
    margin = None
    if equivalence is not None:
        low, high = (math.log(end) for end in equivalence)
        margin = (-high, -low) if downward else (low, high)
        margin = (margin[0], min(margin[1], claim))  # a claim on the margin's edge, to the last digit
    return Question(
        treatments=treatments,
        layout=layout,  # type: ignore[arg-type]
        sd_log=sd_log_of(cv),
        ratio=ratio,
        claim=claim,
        downward=downward,
        level=level,
        chance=chance,
        equivalence=equivalence,
        margin=margin,
        margin_left_out=margin_left_out,
        variances=variances,
        family=family,
        block_ratio=block_ratio,
    )


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _whole(name: str, value: object, least: int, hint: str) -> str | None:
    if isinstance(value, int) and not isinstance(value, bool) and least <= value <= 1000:
        return None
    return f"{name}: found {value}; expected a whole number from {least} to 1000 ({hint})."


def _between(name: str, value: float, low: float, high: float, hint: str) -> str | None:
    if _number(value) and low < value < high:
        return None
    return f"{name}: found {value}; expected a number between {low:g} and {high:g} ({hint})."


def _layout_problem(layout: str, treatments: int, bins: int) -> str | None:
    if layout == "split plot":
        return (
            'layout: found "split plot"; its two kinds of comparison are not planned for here. '
            'Take "blocks" with the whole plots as blocks for what is set inside them.'
        )
    if layout not in KINDS:
        near = nearest_name(str(layout), KINDS)
        hint = f' Nearest is "{near}".' if near else ""
        return f'layout: found "{layout}"; expected one of {", ".join(KINDS)}.{hint}'
    if layout == "latin square" and bins != treatments:
        return (
            f"bins_per_treatment: found {bins}; a Latin square of {treatments} treatments has {treatments} of each. "
            f"Say {treatments}, or take blocks."
        )
    return None


def _cv_problem(cv: float) -> str | None:
    if _number(cv) and 0.0 < cv <= 2.0:
        return None
    if _number(cv) and cv > 2.0:
        return f"cv: found {cv:g}; expected a fraction above 0 and up to 2. For {cv:g} % write {cv / 100:g}."
    if cv == 0:
        return (
            "cv: found 0; expected a fraction above 0 and up to 2. Bins treated alike always differ; 0.15 to 0.25 is a "
            "common guess for a decay rate."
        )
    return f"cv: found {cv}; expected a fraction above 0 and up to 2, such as 0.20 for 20 %."


def _ratio_problem(ratio: float) -> str | None:
    if _number(ratio) and 0.0 < ratio <= 1000.0 and ratio != 1.0:
        return None
    if ratio == 1.0:
        return (
            "ratio: found 1; a claim of no effect cannot be supported by more bins. Give the smallest ratio that would "
            "matter to you, such as 1.25."
        )
    return f"ratio: found {ratio}; expected a number above 0 and up to 1000, such as 1.6 for 1.6 times as much."


def _lost_problem(lost: int, treatments: int, bins: int) -> str | None:
    if not isinstance(lost, int) or isinstance(lost, bool) or lost < 0:
        return f"lost: found {lost}; expected a whole number from 0."
    if isinstance(treatments, int) and isinstance(bins, int) and lost > max(treatments * bins - 2, 0):
        return f"lost: found {lost} of {treatments * bins} bins; at least two must be left to compare."
    return None


def _margin_problems(equivalence: Equivalence, ratio: float) -> list[str]:
    if equivalence is None or equivalence == "usual":
        return []
    try:
        low, high = (float(end) for end in equivalence)
    except (TypeError, ValueError):
        return [f"equivalence: found {equivalence!r}; expected two ratios, such as 0.80 and 1.25."]
    if not (0.0 < low < 1.0 < high < math.inf):
        return [f"equivalence: found {low:g} to {high:g}; expected one ratio below 1 and one above it."]
    if low < ratio < high:
        return [
            f"ratio: found {ratio:g} inside the equivalence margin {low:g} to {high:g}; the same result would support "
            "the claim and count as no difference. Narrow the margin."
        ]
    return []
