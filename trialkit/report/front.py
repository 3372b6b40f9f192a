"""The first page: title and question, one sentence a claim, and the few lines the handout adds."""

from __future__ import annotations

from trialkit.records import Analysis, Comparison, Verdict
from trialkit.report.answers import main_answer, short_answer, unclaimed_sentences
from trialkit.report.certainty import reading_line
from trialkit.report.compared import fairness_lines
from trialkit.report.curve_words import leans_on_shape
from trialkit.report.limits import short_limits
from trialkit.report.partition_words import partition_sentences
from trialkit.report.passages import NOTHING, Passage, box, bullets, counted, element, join, listed, lowered, paragraph
from trialkit.report.reach import reach_sentences
from trialkit.report.robustness import survives
from trialkit.report.words import BADGES, verdict_notes, verdict_sentence


def title_of(analysis: Analysis) -> str:
    """The trial's title, or one made from its treatments."""
    plan = analysis.trial.plan
    if plan.title:
        return plan.title
    names = list(dict.fromkeys(item.treatment for item in analysis.trial.bins))
    if 0 < len(names) <= 3:
        return f"Compost-bin trial: {listed(names)}"
    return f"Compost-bin trial of {counted(len(names), 'treatment')}"


def opening(analysis: Analysis) -> Passage:
    """Title, question and one line on the size of the trial; holds the page's only H1."""
    trial, plan = analysis.trial, analysis.trial.plan
    names = {item.treatment for item in trial.bins}
    size = f"{counted(len(names), 'treatment')}, {counted(len(trial.bins), 'bin')}"
    start = f", started {plan.start.isoformat()}" if plan.start is not None else ""
    return box([
        element("h1", title_of(analysis)),
        paragraph(plan.question, "question") if plan.question else NOTHING,
        paragraph(f"{size}{start}", "size"),
    ], "header")  # fmt: skip


def answer(analysis: Analysis) -> Passage:
    """One sentence a claim with the lines that belong to it; without a claim, one sentence a comparison."""
    split = partition_sentences(analysis)
    styles = ("", "small")
    apart = box((paragraph(*pair) for pair in zip(split, styles, strict=False)), "section", "claim apart")
    if analysis.verdicts:
        boxes = [_claim_box(verdict, analysis) for verdict in analysis.verdicts]
        return join([*boxes, apart] if split else boxes)
    first, sentences = unclaimed_sentences(analysis)
    told = box(
        [paragraph(first, "lead"), *(paragraph(sentence, "sentence") for sentence in sentences)],
        "section",
        "claim plain",
    )
    return join([told, apart] if split else [told])


def _claim_box(verdict: Verdict, analysis: Analysis) -> Passage:
    notes = [*verdict_notes(verdict), *reach_sentences(verdict)]
    if not survives(verdict, analysis):
        notes.append("This answer changes when some single thing is left out or done otherwise; “How sure” says which.")
    if leans_on_shape(verdict, analysis):
        notes.append("The estimate leans on the shape of the decay curve; “How sure” says by how much.")
    parts = [
        box([element("strong", BADGES[verdict.call], f"badge {verdict.call}")], "p", "call"),
        paragraph(f"Claim: “{verdict.claim.text}”", "claimed"),
        paragraph(verdict_sentence(verdict), "sentence"),
        bullets(notes, "notes"),
    ]
    return box(parts, "section", f"claim {verdict.call}")


def in_short(analysis: Analysis) -> Passage:
    """Five lines under the figure: what it means, what it cannot tell, and how to read the figure."""
    lines: list[str] = []
    if len(analysis.verdicts) == 1:
        lines.append(f"What it means: {lowered(short_answer(analysis.verdicts[0]))}")
    elif analysis.verdicts:
        lines.append("What it means: each claim stands or falls by its own range, and no claim answers for another.")
    else:
        lines.append(
            "What it means: the ranges above say what fits these bins; nobody stated beforehand what to expect."
        )
    fair = fairness_lines(analysis)
    if fair:
        lines.append(fair[0])
    lines += [f"What it cannot tell: {lowered(line)}" for line in short_limits(analysis)]
    if _has_range(analysis):
        lines.append(reading_line(analysis))
    return bullets(lines[:5], "short")


def _has_range(analysis: Analysis) -> bool:
    found = main_answer(analysis)
    return found is not None and any(isinstance(item, Comparison) for item in found.comparisons)


def page_summary(analysis: Analysis) -> str:
    """All sentences of the first page as plain text, for a message or a clip-board."""
    if analysis.verdicts:
        return "\n".join(verdict_sentence(verdict) for verdict in analysis.verdicts)
    first, sentences = unclaimed_sentences(analysis)
    return "\n".join((first, *sentences))
