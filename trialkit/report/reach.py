"""What a trial that cannot tell could have shown, and the bins that would settle the claim, in words."""

from __future__ import annotations

from trialkit.records import CouldShow, Outcome, Verdict
from trialkit.report.rounding import raised
from trialkit.report.words import claimed_size, unit_words


def reach_sentences(verdict: Verdict) -> tuple[str, ...]:
    """Three sentences under a "cannot tell": the effect that would have shown, the one that would have supported the
    claim, and the bins that would settle it. Nothing under any other call."""
    could, comparison = verdict.could_show, verdict.comparison
    if verdict.call != "cannot_tell" or could is None or comparison is None:
        return ()
    outcome, size = comparison.outcome, verdict.claim.size
    often = _often(could.chance)
    if size == "times_as_fast":
        effect, way = f"speed-up to {_times(could.effect)}", "faster"
    else:
        way = "lower" if outcome.better < 0 else "higher"
        effect = f"factor of {raised(could.effect)}" if size == "at_least_ratio" else _apart(could.effect, outcome)
    return (
        f"With bins that scatter like these, a true {effect} would have shown as {way} in {often} such trials.",
        f"To support the claim as often, it would have to be {_supporting(could, size, outcome)}.",
        _settled(could, f"“{claimed_size(verdict.claim, outcome)}”", often),
    )


def _apart(effect: float, outcome: Outcome) -> str:
    unit = unit_words(outcome)
    return f"difference of {raised(effect)}{f' {unit}' if unit else ''}"


def _supporting(could: CouldShow, size: str, outcome: Outcome) -> str:
    if size == "times_as_fast":
        return _times(could.supporting)
    unit = unit_words(outcome) if size == "at_least" else ""
    return f"{raised(could.supporting)}{f' {unit}' if unit else ''}"


def _settled(could: CouldShow, claimed: str, often: str) -> str:
    truth = "if the truth is what these bins estimate"
    if could.bins_each is None:
        return f"{truth.capitalize()}, no number of bins that anyone could fill would settle {claimed}."
    return f"About {could.bins_each:,} bins a treatment would settle {claimed} in {often} trials, {truth}."


def _times(ratio: float) -> str:
    return "twice" if float(raised(ratio)) == 2 else f"{raised(ratio)} times"


def _often(chance: float) -> str:
    """A chance as so many of ten or of a hundred: "8 of 10"."""
    tenths = 10 * chance
    if abs(tenths - round(tenths)) < 1e-9:
        return f"{round(tenths)} of 10"
    return f"{round(100 * chance)} of 100"
