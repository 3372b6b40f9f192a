"""Which answer the first screen shows, and the sentences of a trial without a claim or without an answer."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.records import Analysis, Answer, Comparison, Refusal, Verdict
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.words import comparison_sentence, effect, noun

MANY = 5  # comparisons on the first screen, one sentence each


def main_answer(analysis: Analysis) -> Answer | None:
    """The answer that the first screen shows: the primary outcome, a claimed one, else the first that was compared."""
    for answer in analysis.answers:
        if answer.role == "primary":
            return answer
    claimed = [verdict.claim.outcome for verdict in analysis.verdicts]
    for answer in analysis.answers:
        if answer.name in claimed:
            return answer
    for answer in analysis.answers:
        if any(isinstance(comparison, Comparison) for comparison in answer.comparisons):
            return answer
    return analysis.answers[0] if analysis.answers else None


def unclaimed_sentences(analysis: Analysis) -> tuple[str, tuple[str, ...]]:
    """An opening sentence and one sentence a comparison, for a trial file without a claim."""
    answer = main_answer(analysis)
    if answer is None:
        return "These files hold no outcome that could be compared.", ()
    name = outcome_noun(answer)
    if answer.role == "primary":
        opening = f"No claim was stated. The primary outcome is {name}."
    elif analysis.trial.plan.declared:
        opening = f"No claim was stated and no primary outcome named, so what follows on {name} is exploratory."
    else:
        opening = f"Nothing was declared before the data, so what follows on {name} is exploratory."
    sentences = _comparison_sentences(answer.comparisons, name)
    if not sentences:
        stopped = next((part for part in (answer.values, answer.fit) if isinstance(part, Refusal)), None)
        sentences = (refusal_sentence(stopped, name),) if stopped is not None else ()
    return opening, sentences


def _comparison_sentences(items: Sequence[Comparison | Refusal], name: str) -> tuple[str, ...]:
    """One sentence a comparison; of many, those that say nothing either way are told together."""
    open_ones = [item for item in items if isinstance(item, Comparison) and _is_open(item)]
    together_now = open_ones if len(items) > MANY and len({item.against for item in open_ones}) == 1 else []
    sentences = [
        comparison_sentence(item) if isinstance(item, Comparison) else refusal_sentence(item, name)
        for item in items
        if item not in together_now
    ]
    if len(together_now) > 1:
        names = listed(named(item.treatment) for item in together_now)
        sentences.append(
            f"These bins cannot tell {names} from {named(together_now[0].against or '')}: every one of these "
            f"{len(together_now)} ranges holds no difference; the figure shows each."
        )
    else:
        sentences += [comparison_sentence(item) for item in together_now]
    return tuple(sentences)


def _is_open(comparison: Comparison) -> bool:
    said = effect(comparison)
    has_range = said.low is not None or said.high is not None
    return said.neutral is not None and has_range and said.beyond == 0


def refusal_sentence(refusal: Refusal, name: str = "") -> str:
    """What could not be answered and why."""
    if refusal.treatment and refusal.against:
        start = f"{capitalised(named(refusal.treatment))} and {named(refusal.against)} cannot be compared here"
    else:
        start = f"This trial cannot compare treatments on {name or 'this outcome'}"
    return f"{start}. {' '.join(_sentence(reason) for reason in refusal.reasons)}".strip()


def _sentence(text: str) -> str:
    text = capitalised(text.strip())
    return text if text.endswith((".", "!", "?")) else f"{text}."


def outcome_noun(answer: Answer) -> str:
    """The outcome's name in a sentence, even where it was refused before it had a catalogue entry at hand."""
    for part in (answer.values, answer.fit):
        if not isinstance(part, Refusal):
            return noun(part.outcome if hasattr(part, "outcome") else part.values.outcome)
        if part.values is not None:
            return noun(part.values.outcome)
    return answer.name.removesuffix("_pct").removesuffix("_kg").removesuffix("_c").replace("_", " ")


def short_answer(verdict: Verdict) -> str:
    """What a call means, for the one-page handout."""
    return {
        "support": "The whole range lies at or beyond what was claimed.",
        "less_than_claimed": "There is a difference as claimed, but the whole range falls short of its claimed size.",
        "no_difference": "The range is narrow and lies inside what was set beforehand as too small to matter.",
        "contradict": "The whole range falls short of what was claimed.",
        "cannot_tell": "The range holds both the claimed size and smaller ones, so these bins do not settle the claim.",
        "not_answerable": "The way these bins were set up gives no answer to the claim, whatever the readings say.",
    }[verdict.call]


def control_names(analysis: Analysis) -> str:
    """What everything was compared with."""
    found = {c.against for a in analysis.answers for c in a.comparisons if isinstance(c, Comparison) and c.against}
    return listed(named(name) for name in sorted(found))
