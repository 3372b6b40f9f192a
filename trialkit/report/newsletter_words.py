"""Five sentences for a newsletter: what was compared, what came out, what it does not show, and what should follow."""

from __future__ import annotations

from trialkit.records import Analysis, Verdict
from trialkit.report.answers import unclaimed_sentences
from trialkit.report.facts import arms, days_read
from trialkit.report.limits import quotable_limit
from trialkit.report.partition_words import partition_sentences
from trialkit.report.passages import counted, listed, lowered, named
from trialkit.report.rounding import plain
from trialkit.report.words import verdict_sentence

SENTENCES = 5
AGAIN = "A single small trial should be repeated elsewhere before anybody relies on it."
READ_ON = "The full report shows every bin and says how each number was made."


def newsletter_sentences(analysis: Analysis) -> tuple[str, ...]:
    """The trial, one or two on the answer, one on its limits, that it needs repeating, and where to read on: five."""
    limit = _first(quotable_limit(analysis))
    told = [_trial(analysis), *_answers(analysis)[:2], limit]
    return (*told, AGAIN, READ_ON)[:SENTENCES]


def _trial(analysis: Analysis) -> str:
    names = [arm.treatment.name for arm in arms(analysis)]
    days = days_read(analysis.trial)
    control = analysis.trial.plan.control
    others = [named(name) for name in names if name != control]
    span = f", followed for {plain(days[1] - days[0])} days" if days is not None and days[1] > days[0] else ""
    bins = counted(len(analysis.trial.bins), "compost bin")
    lost = sum(item.lost_on_day is not None for item in analysis.trial.bins)
    bins += f" (of which {lost} {'was' if lost == 1 else 'were'} lost)" if lost else ""
    if not others or len(others) > 4 or control is None:
        return f"A trial compared {counted(len(names), 'treatment')} in {bins}{span}."
    return f"A trial set {listed(others)} beside {named(control)} in {bins}{span}."


def _answers(analysis: Analysis) -> list[str]:
    """Verdicts first, then the split; without a claim the comparisons of the main outcome."""
    if analysis.verdicts:
        told = [_on_claim(verdict) for verdict in analysis.verdicts]
    else:
        told = [_first(line) for line in unclaimed_sentences(analysis)[1]] or [unclaimed_sentences(analysis)[0]]
    split = partition_sentences(analysis)
    return [told[0], *split[:1], *told[1:]]


def _on_claim(verdict: Verdict) -> str:
    """The sentence of a claim with the claim before it, so that it can stand alone."""
    if verdict.call == "not_answerable" and verdict.reasons:
        reason = _first(" ".join(verdict.reasons))
        return f"The claim “{verdict.claim.text.rstrip('.')}” cannot be answered here: {lowered(reason)}"
    said = _first(verdict_sentence(verdict))
    return f"On the claim “{verdict.claim.text.rstrip('.')}”: {said[:1].lower()}{said[1:]}"


def _first(text: str) -> str:
    """The first sentence of a text; a point inside a number or a name does not end it."""
    head, point, _ = text.partition(". ")
    return f"{head}." if point else text
