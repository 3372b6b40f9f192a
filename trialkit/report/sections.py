"""The sections of the page below the first screen, each a passage made from the analysis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from types import MappingProxyType

from trialkit.records import Analysis
from trialkit.report.arms_apart import exaggeration_sentence, fairness_sentences
from trialkit.report.back_pages import findings_passage
from trialkit.report.cautions import caution_lines
from trialkit.report.certainty import certainty_lines, other_trials
from trialkit.report.compared import arms_table, compared_lines
from trialkit.report.drawings import Drawing
from trialkit.report.effect_tables import reading_table
from trialkit.report.facts import comparisons
from trialkit.report.figures import figure_of
from trialkit.report.limits import limit_lines
from trialkit.report.methods import methods_text
from trialkit.report.newsletter_words import newsletter_sentences
from trialkit.report.passages import NOTHING, Passage, box, bullets, capitalised, counted, join, paragraph


def fairness(analysis: Analysis) -> Passage:
    """In what the arms differ besides the thing on trial, with sizes; what other trials found; how small trials
    flatter. It stands before the effects."""
    lines = fairness_sentences(analysis)
    tail = (exaggeration_sentence(analysis), other_trials(analysis))
    rough = "The sizes are rough: they say what such a difference could do, and nothing here was corrected by them."
    return join([
        bullets(lines) if lines else paragraph("By the files, the arms differ in nothing but the thing on trial."),
        paragraph(rough, "small") if any("multipl" in line or "times as fast" in line for line in lines) else NOTHING,
        box([paragraph(line) for line in tail if line], "div", "aside") if any(tail) else NOTHING,
    ])  # fmt: skip


def effects(analysis: Analysis) -> Passage:
    """The table of effects, or why there is none."""
    if not comparisons(analysis):
        return paragraph("No comparison could be made, so there are no effects to show. The reasons stand below.")
    return join([
        reading_table(analysis).passage(),
        paragraph(
            "Read the estimate first, then its range, then p. A ratio of 1, or a difference of 0, is no "
            "difference. p says how often chance alone would give a result at least as far from it.",
            "small",
        ),
    ])  # fmt: skip


def what_was_compared(
    analysis: Analysis,
    drawn: Mapping[str, Drawing] = MappingProxyType({}),
    deviations: Sequence[str] | None = None,
) -> Passage:
    """The arms, what each was given, layout, days and roles of the outcomes, and the map of the bins.

    ``deviations`` are the differences from what was registered, None where nothing was.
    """
    return join([
        arms_table(analysis).passage(), bullets(compared_lines(analysis)), _key_opened(analysis),
        _beside_registration(deviations), figure_of("layout", drawn),
    ])  # fmt: skip


def _key_opened(analysis: Analysis) -> Passage:
    if not any(finding.code == "key-opened" for finding in analysis.trial.findings):
        return NOTHING
    today = date.today().isoformat()
    return paragraph(f"Letters stood for the treatments in the files; the key was opened for this report, on {today}.")


def _beside_registration(deviations: Sequence[str] | None) -> Passage:
    if deviations is None:
        return NOTHING
    if not deviations:
        return paragraph("Nothing differs from what was registered.")
    count = counted(len(deviations), "deviation")
    return join([paragraph(f"{capitalised(count)} from what was registered:"), bullets(deviations)])


def how_sure(analysis: Analysis, drawn: Mapping[str, Drawing] = MappingProxyType({})) -> Passage:
    """How sure, and why; with the figure of what happens when one thing is changed."""
    return join([bullets(certainty_lines(analysis)), figure_of("repeats", drawn)])


def cannot_tell(analysis: Analysis) -> Passage:
    """What this trial cannot tell."""
    return bullets(limit_lines(analysis))


def odd_readings(analysis: Analysis) -> Passage:
    """Warnings and notes of the gate."""
    return findings_passage(analysis)


def take_care(analysis: Analysis) -> Passage:
    """Cautions called for by readings and recipe."""
    return bullets(caution_lines(analysis.trial))


def methods_paragraph(analysis: Analysis) -> Passage:
    """The methods paragraph to paste."""
    return box([paragraph(methods_text(analysis))], "blockquote", "methods")


def newsletter(analysis: Analysis) -> Passage:
    """Five sentences for a newsletter, to paste."""
    return box([paragraph(" ".join(newsletter_sentences(analysis)))], "blockquote", "methods")
