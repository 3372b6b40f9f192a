"""From a comparison or a verdict to sentences.

Every sentence names the estimate, its range, the bins of each treatment and what was compared; none of them grades.
The sentences of the first screen carry no method names and stay within thirty words for names of usual length.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from trialkit.records import Claim, Comparison, Interval, Outcome, Verdict
from trialkit.report.margin_words import ruled_out, turned_margin
from trialkit.report.passages import capitalised, counted, named
from trialkit.report.rounding import Shown, between, fixed, percent, plain, together

BADGES = {
    "support": "Supported",
    "less_than_claimed": "Less than claimed",
    "no_difference": "No difference that matters",
    "contradict": "Contradicted",
    "cannot_tell": "Cannot tell",
    "not_answerable": "Cannot be answered",
}
TIMES = ("days_to_threshold", "days_to_finish")


# ---------------------------------------------------------------- names
def noun(outcome: Outcome) -> str:
    """The outcome's label inside a sentence: "decay rate", "C:N ratio", "pH"."""
    label = outcome.label or outcome.name.replace("_", " ")
    return (
        label if any(letter.isupper() for letter in label[1:3]) or label[1:2] == ":" else label[:1].lower() + label[1:]
    )


def unit_words(outcome: Outcome) -> str:
    """The unit of a difference: percentages differ by percentage points."""
    return "percentage points" if outcome.unit.startswith("%") else shown_unit(outcome)


def shown_unit(outcome: Outcome) -> str:
    """The unit as printed beside a number; a pure ratio has none."""
    return "" if outcome.unit in ("ratio", "score", "1") else outcome.unit.replace("1/day", "per day")


def bins_words(bins: tuple[int, int], against: str | None) -> str:
    """ "4 bins each", "4 and 3 bins", "4 bins" where nothing stands beside them."""
    first, second = bins
    if against is None:
        return counted(first, "bin")
    return f"{counted(first, 'bin')} each" if first == second else f"{first} and {second} bins"


def claimed_size(claim: Claim, outcome: Outcome | None) -> str:
    """What was claimed, in words: "at least twice as fast", "at least 5 percentage points higher"."""
    if claim.size == "within_days":
        return f"within {plain(claim.amount)} days"
    if claim.size == "times_as_fast":
        return "at least twice as fast" if claim.amount == 2 else f"at least {plain(claim.amount)} times as fast"
    direction = "lower" if outcome is not None and outcome.better < 0 else "higher"
    if claim.size == "at_least_ratio":
        return f"{direction} by a factor of at least {plain(claim.amount)}"
    unit = "" if outcome is None else unit_words(outcome)
    return f"at least {plain(claim.amount)}{f' {unit}' if unit else ''} {direction}"


# ---------------------------------------------------------------- one comparison as phrases
@dataclass(frozen=True)
class Effect:
    """One comparison turned so that it can be said: ``first`` beside ``second``, numbers on the scale said."""

    comparison: Comparison
    first: str
    second: str
    estimate: float
    low: float | None
    high: float | None
    as_speed: bool = False

    @property
    def neutral(self) -> float | None:
        """The number that stands for no effect; None for a level."""
        return {"ratio": 1.0, "difference": 0.0, "superiority": 0.5, "level": None}[self.comparison.kind]

    @property
    def beyond(self) -> int:
        """+1 where the whole range lies above no effect, -1 below, 0 otherwise."""
        if self.neutral is None:
            return 0
        if self.low is not None and self.low > self.neutral:
            return 1
        return -1 if self.high is not None and self.high < self.neutral else 0


def effect(comparison: Comparison, claim: Claim | None = None) -> Effect:
    """The comparison as it will be said. Under a claim on a ratio, turned so that more is as claimed."""
    said = Effect(
        comparison,
        named(comparison.treatment),
        named(comparison.against or ""),
        comparison.estimate,
        comparison.interval.low,
        comparison.interval.high,
    )
    return _turned(said, claim)


def _turned(said: Effect, claim: Claim | None) -> Effect:
    outcome = said.comparison.outcome
    if claim is None or said.comparison.kind != "ratio" or outcome.better >= 0:
        return said
    inverse = replace(
        said,
        estimate=1 / said.estimate,
        low=None if said.high is None else 1 / said.high,
        high=None if not said.low else 1 / said.low,
    )
    if claim.size == "times_as_fast":
        return replace(inverse, as_speed=True)
    return replace(inverse, first=said.second, second=said.first)


def _is_speed(said: Effect) -> bool:
    return said.comparison.outcome.name == "decay_rate" or said.as_speed


def _shown(said: Effect, landmarks: tuple[float, ...] = ()) -> Shown:
    """The three numbers rounded together; differences below zero are shown by their size."""
    marks = landmarks if said.neutral is None else (said.neutral, *landmarks)
    least = 1 if said.comparison.kind in ("ratio", "difference") else 0
    if said.comparison.kind == "superiority":
        least = 2
    return together(said.estimate, said.low, said.high, landmarks=marks, least=least)


def _range(said: Effect, shown: Shown) -> str:
    """The range in words; a difference that may go either way says so at each end."""
    if said.comparison.kind != "difference":
        return between(shown.low, shown.high)
    low, high = said.low, said.high
    if low is not None and high is not None and low < 0 < high:
        return f"between {_size(low, shown)} lower and {_size(high, shown)} higher"
    ends = [None if end is None else _size(end, shown) for end in (low, high)]
    if said.estimate < 0:
        ends.reverse()
    return between(*ends)


def _size(value: float, shown: Shown) -> str:
    size = fixed(abs(value), shown.decimals)
    return size if float(size) or not value else "just above 0"


def _is_bound(said: Effect) -> bool:
    """Whether the answer is a bound with a confidence of its own, and no estimate."""
    return said.comparison.level_attained is not None


def _bound_words(said: Effect) -> str:
    side = "one-sided, " if said.low is None or said.high is None or said.low == 0.0 else ""
    return f"{side}confidence {percent(round(said.comparison.level_attained or 0.0, 3))}, "


def _estimate_words(said: Effect, shown: Shown) -> str:
    """What was seen, with its estimate and no range: "with A, decay ran 2.4 times as fast as with B"."""
    if _is_bound(said):
        shown = replace(shown, estimate=between(shown.low, shown.high))
    outcome, kind = said.comparison.outcome, said.comparison.kind
    if kind == "level":
        if outcome.name in TIMES:
            return f"with {said.first}, bins took {shown.estimate} days"
        unit = f" {shown_unit(outcome)}" if shown_unit(outcome) else ""
        return f"with {said.first}, {noun(outcome)} was {shown.estimate}{unit}"
    if kind == "superiority":
        return (
            f"a bin with {said.first} stood above one with {said.second} on {noun(outcome)} "
            f"in {shown.estimate} of all pairs"
        )
    if kind == "difference":
        unit = unit_words(outcome)
        way = "lower" if said.estimate < 0 else "higher"
        amount = _size(said.estimate, shown) + (f" {unit}" if unit else "")
        return f"with {said.first}, {noun(outcome)} was {amount} {way} than with {said.second}"
    if said.as_speed:
        return f"with {said.first}, bins were {shown.estimate} times as fast as with {said.second}"
    if outcome.name == "decay_rate":
        return f"with {said.first}, decay ran {shown.estimate} times as fast as with {said.second}"
    if outcome.name in TIMES:
        return f"with {said.first}, bins took {shown.estimate} times as long as with {said.second}"
    return f"with {said.first}, {noun(outcome)} was {shown.estimate} times that with {said.second}"


def _direction(said: Effect, sign: int) -> str:
    if _is_speed(said):
        return "faster" if sign > 0 else "slower"
    if said.comparison.outcome.name in TIMES:
        return "longer" if sign > 0 else "shorter"
    return "higher" if sign > 0 else "lower"


def _first_words(said: Effect, sign: int, shown: Shown) -> str:
    """The finding first: "Decay ran faster with A than with B, 2.0 times, between 1.3 and 3.1"."""
    outcome = said.comparison.outcome
    way = _direction(said, sign)
    if outcome.name == "decay_rate":
        start = f"Decay ran {way}"
    elif said.as_speed:
        start = f"Bins were {way}"
    elif outcome.name in TIMES:
        start = f"Bins took {way}"
    else:
        start = f"{capitalised(noun(outcome))} was {way}"
    if said.comparison.kind == "difference":
        unit = unit_words(outcome)
        amount = f"by {_size(said.estimate, shown)}{f' {unit}' if unit else ''}"
    elif said.comparison.kind == "superiority":
        amount = f"in {shown.estimate} of all pairs"
    else:
        amount = f"{shown.estimate} times"
    return f"{start} with {said.first} than with {said.second}, {amount}, {_range(said, shown)}"


# ---------------------------------------------------------------- sentences
def comparison_sentence(comparison: Comparison) -> str:
    """One sentence for a comparison nobody claimed anything about."""
    said = effect(comparison)
    shown = _shown(said)
    bins = bins_words(comparison.bins, comparison.against)
    if _is_bound(said):
        return f"{capitalised(_estimate_words(said, shown))} ({_bound_words(said)}{bins})."
    if said.comparison.kind == "superiority" and said.low is None and said.high is None:
        beside = "" if comparison.p is None else f"; p {p_words(comparison.p)} by shuffling labels"
        return f"{capitalised(_estimate_words(said, shown))}, ties counting half{beside} ({bins})."
    if said.neutral is None or said.beyond:
        return f"{capitalised(_estimate_words(said, shown))}, {_range(said, shown)} ({bins})."
    return (
        f"These bins cannot tell {said.first} from {said.second}: "
        f"{_measured_short(said, shown)}, but anything {_range(said, shown)} fits ({bins})."
    )


def p_words(p: float) -> str:
    """A p that is a count over a count, to three digits: 0.0625 stays what it is in every textbook."""
    return "< 0.001" if p < 0.001 else f"= {plain(float(f'{p:.3g}'))}"


def _measured_short(said: Effect, shown: Shown) -> str:
    outcome, kind = said.comparison.outcome, said.comparison.kind
    if kind == "difference":
        unit = unit_words(outcome)
        way = "lower" if said.estimate < 0 else "higher"
        return f"{noun(outcome)} was {_size(said.estimate, shown)}{f' {unit}' if unit else ''} {way}"
    if kind == "superiority":
        return f"above on {noun(outcome)} in {shown.estimate} of all pairs"
    if outcome.name == "decay_rate":
        return f"decay ran {shown.estimate} times as fast"
    if outcome.name in TIMES:
        return f"bins took {shown.estimate} times as long"
    return f"{noun(outcome)} was {shown.estimate} times as high"


def verdict_sentence(verdict: Verdict) -> str:
    """The one sentence of a claim, as it stands at the top of the report and in results.json."""
    claim, comparison = verdict.claim, verdict.comparison
    if verdict.call == "not_answerable" or comparison is None:
        reasons = " ".join(verdict.reasons)
        return f"This trial cannot answer this claim. {reasons}".strip()
    said = effect(comparison, claim)
    margin = verdict.call == "no_difference" and verdict.margin_interval is not None
    interval = verdict.margin_interval if margin else verdict.interval
    if interval is not None:
        said = effect(replace(comparison, interval=interval), claim)
    marks: tuple[float, ...] = _claim_mark(claim, comparison)
    if margin and claim.equivalence is not None:
        marks = (*marks, *turned_margin(claim, comparison))
    shown = _shown(said, marks)
    bins = bins_words(comparison.bins, comparison.against)
    if _is_bound(said):
        openings = {"support": "The data support this claim", "contradict": "The data contradict this claim"}
        opening = openings.get(verdict.call, "These bins cannot tell")
        return f"{opening}: {_estimate_words(said, shown)} ({_bound_words(said)}{bins})."
    seen = f"{_estimate_words(said, shown)}, {_range(said, shown)}"
    if verdict.call == "support":
        return f"The data support this claim: {seen} ({bins})."
    if verdict.call == "contradict":
        return f"The data contradict this claim: {seen} ({bins})."
    if verdict.call == "less_than_claimed":
        word = capitalised(_direction(said, _claimed_sign(said)))
        return f"{word}, but less than claimed: {seen} ({bins})."
    if verdict.call == "no_difference":
        level = "" if interval is None else f"{percent(interval.level)} range, "
        start = "A small difference, inside the margin" if verdict.beyond_no_effect else "No difference that matters"
        beside = ruled_out(claim, comparison, unit_words(comparison.outcome))
        return f"{start}: {seen} ({level}{bins}). {beside}".rstrip()
    if verdict.beyond_no_effect and comparison.kind != "level":
        sign = verdict.beyond_no_effect * _claimed_sign(said)
        return f"{_first_words(said, sign, shown)}; whether {_short_size(claim)}, these bins cannot tell ({bins})."
    return f"These bins cannot tell: {_estimate_words(said, shown)}, but anything {_range(said, shown)} fits ({bins})."


def _claimed_sign(said: Effect) -> int:
    """Which way "as claimed" points on the scale said: differences keep their sign, ratios were turned."""
    return -1 if said.comparison.kind == "difference" and said.comparison.outcome.better < 0 else 1


def _claim_mark(claim: Claim, comparison: Comparison) -> tuple[float, ...]:
    if claim.size == "at_least" and comparison.outcome.better < 0:
        return (-claim.amount,)
    return (claim.amount,)


def _short_size(claim: Claim) -> str:
    if claim.size == "times_as_fast":
        return "at least twice as fast" if claim.amount == 2 else f"at least {plain(claim.amount)} times as fast"
    return f"at least {plain(claim.amount)}"


# ---------------------------------------------------------------- what stands under a claim
def verdict_notes(verdict: Verdict) -> tuple[str, ...]:
    """The sentences under a claim: both readings of it, the margin, when it was stated, and the reasons handed on."""
    claim, comparison = verdict.claim, verdict.comparison
    notes: list[str] = []
    readings = both_readings(claim, comparison.outcome if comparison else None)
    if readings:
        notes.append(readings)
    days = _in_days(comparison, claim, verdict.interval)
    if days:
        notes.append(days)
    if verdict.call == "no_difference":
        notes.append("The claim itself is not supported.")
    shown = verdict.interval
    if comparison and shown and shown.adjustment == "none" and comparison.interval.adjustment != "none":
        notes.append("This range stands for the one claim alone; figure and table widen it for all comparisons.")
    if comparison is not None and comparison.role != "primary":
        notes.append(f"{capitalised(noun(comparison.outcome))} is {role_words(comparison.role)}.")
    if not verdict.stated_before_data:
        notes.append("This claim counts as stated after the data began, so it needs a fresh trial to stand on.")
    if verdict.call != "not_answerable":
        notes.extend(verdict.reasons)
    return tuple(notes)


def _in_days(comparison: Comparison | None, claim: Claim, interval: Interval | None) -> str:
    """The answer to a claim of speed on an outcome counted in days, read as days; empty for others."""
    if comparison is None or interval is None or comparison.level_attained is not None:
        return ""
    if not effect(comparison, claim).as_speed:
        return ""
    days = effect(replace(comparison, interval=interval))
    shown = _shown(days)
    return f"Counted in days, that is {shown.estimate} times as long, {_range(days, shown)}."


def role_words(role: str) -> str:
    return {
        "primary": "the primary outcome of this trial",
        "secondary": "a secondary outcome of this trial",
        "exploratory": "exploratory here: it was not named before the data",
    }[role]


def both_readings(claim: Claim, outcome: Outcome | None) -> str:
    """A speed claim read as a time, and back; empty for other claims."""
    if claim.size != "times_as_fast" or claim.amount <= 0:
        return ""
    proviso = "" if outcome is not None and outcome.name in TIMES else ", as long as all bins end at the same level"
    if claim.amount == 2:
        return f"Twice as fast is half the time{proviso}."
    exact = 100 / claim.amount
    share = f"{'' if exact == round(exact) else 'about '}{exact:.0f} %"
    faster = f"{100 * (claim.amount - 1):.3g} % faster"
    return (
        f"{plain(claim.amount)} times as fast is {faster} and takes {share} of the time{proviso}. It is not half "
        "the time."
    )
