"""The appendix: fits, bin values, what stayed out, a second fit, fingerprints of the data, versions, how to re-run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trialkit.errors import gather_findings, word_finding
from trialkit.records import Analysis, Answer, Fit, Refusal, SecondOpinion, Trial
from trialkit.report.answers import outcome_noun, refusal_sentence
from trialkit.report.curve_words import curves_table
from trialkit.report.effect_tables import specialist_table
from trialkit.report.facts import comparisons
from trialkit.report.methods import fit_sentences, versions
from trialkit.report.passages import NOTHING, Passage, box, bullets, capitalised, folded, heading, join, paragraph
from trialkit.report.robustness import repeats_table
from trialkit.report.rounding import plain
from trialkit.report.shuffling import together_line
from trialkit.report.tables import (
    Table,
    bins_table,
    details_table,
    means_table,
    number_cell,
    set_aside_table,
    table,
    text_cell,
    values_of,
)
from trialkit.report.words import noun


def appendix(
    analysis: Analysis, second: Sequence[SecondOpinion] = (), *, with_notes: bool = False, seed: int | None = None
) -> Passage:
    """Everything a statistician asks for.

    ``second`` holds what other software finds on the same bin values; ``with_notes`` also prints the bins' note column,
    which may hold names.
    """
    parts = [box([specialist_table(analysis).passage()], style="wide") if comparisons(analysis) else NOTHING]
    parts += [
        _outcome_part(answer, [item for item in second if item.outcome == answer.name], analysis.trial)
        for answer in analysis.answers
    ]
    parts += [_bins_part(analysis, with_notes), _set_aside(analysis), _sources(analysis), _software(analysis, seed)]
    return join(parts)


def _outcome_part(answer: Answer, second: Sequence[SecondOpinion], trial: Trial) -> Passage:
    name = outcome_noun(answer)
    values = values_of(answer)
    parts = [heading(3, f"{capitalised(name)} ({answer.role})")]
    refused = next((part for part in (answer.values, answer.fit) if isinstance(part, Refusal)), None)
    if refused is not None:
        parts.append(paragraph(refusal_sentence(refused, name)))
    if isinstance(answer.fit, Fit):
        fit = answer.fit
        parts.append(paragraph(_fit_line(fit)))
        if fit.method != "permutation":  # the order of bins has no means and no variances
            parts += [components_table(fit).passage(), means_table(fit).passage()]
        parts.append(bullets((*fit_sentences(fit), together_line(answer))))
        otherwise = curves_table(answer)
        parts.append(NOTHING if otherwise is None else box([otherwise.passage()], style="wide"))
        parts += [second_part(opinion, name) for opinion in second]
    parts += [paragraph(refusal_sentence(item, item.treatment or name if item in answer.factors else name))
              for item in (*answer.comparisons, *answer.factors) if isinstance(item, Refusal)
              and refused is None]  # fmt: skip
    if answer.sensitivity:
        parts.append(folded(f"One thing changed at a time: {name}", repeats_table(answer, trial).passage()))
    if values is not None:
        settings = ", ".join(f"{key} = {_setting(value)}" for key, value in values.settings.items())
        notes = [*values.notes, f"Settings: {settings}." if settings else ""]
        details = details_table(values)
        inside = join([
            bullets(notes), bins_table(values).passage(), NOTHING if details is None else details.passage(),
        ])  # fmt: skip
        parts.append(folded(f"Every bin: {name}", inside))
    return join(parts)


def _setting(value: Any) -> str:
    return plain(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)


def _fit_line(fit: Fit) -> str:
    if fit.method == "permutation":
        return (
            "Pairs of bins compared by their order, labels exchanged as the layout was drawn. Blocks that inform the "
            f"comparison: {len(fit.blocks_used) or 'none'}."
        )
    bounds = "variances bounded at zero" if fit.bounded else "variances free to fall below zero"
    tail = f"; {bounds}" if fit.method == "reml" else ""
    return (
        f"Fit: {fit.method}, degrees of freedom: {fit.df_method}, variances {fit.variances}{tail}. "
        f"Blocks that inform the comparison: {len(fit.blocks_used) or 'none'}."
    )


def components_table(fit: Fit) -> Table:
    """Variance components on the scale of analysis."""
    columns = [("component", "Variance component", False), ("variance", "Variance", True)]
    rows = [[text_cell(name), number_cell(float(value))] for name, value in fit.components.items()]
    return table(
        "components", f"{capitalised(noun(fit.values.outcome))}: variance components, scale of analysis", columns, rows
    )


def second_part(opinion: SecondOpinion, outcome: str) -> Passage:
    """A second fit of that outcome by other software: its numbers beside ours, and its remarks."""
    columns = [("what", "What", False), ("ours", "Here", True), ("theirs", opinion.by, True)]
    rows = [[text_cell(what), number_cell(ours, 5), number_cell(theirs, 5)] for what, ours, theirs in opinion.rows]
    caption = f"Second look at {outcome} by {opinion.by}: {opinion.method}; scale of analysis"
    return join([table("second", caption, columns, rows).passage(), bullets(opinion.remarks)])


def _bins_part(analysis: Analysis, with_notes: bool) -> Passage:
    lost = [item for item in analysis.trial.bins if item.lost_on_day is not None]
    lines = [
        f"{item.bin} ({item.treatment}): lost on day {plain(item.lost_on_day or 0.0)}, "
        f"{item.lost_reason or 'no reason given'}."
        for item in lost
    ]
    parts = [heading(3, "Bins lost and rows set aside")]
    parts.append(bullets(lines) if lines else paragraph("No bin was lost."))
    if with_notes:
        parts.append(bullets(f"Note on {item.bin}: {item.note}" for item in analysis.trial.bins if item.note))
    return join(parts)


def _set_aside(analysis: Analysis) -> Passage:
    trial = analysis.trial
    count = paragraph(f"Rows read {trial.rows_read} = used {trial.rows_used} + set aside {len(trial.set_aside)}.")
    if not trial.set_aside:
        return count
    inside = set_aside_table(analysis).passage()
    return join([count, folded("Every row set aside", inside) if len(trial.set_aside) > 8 else inside])


def _sources(analysis: Analysis) -> Passage:
    columns = [("file", "File", False), ("rows", "Rows", True), ("sha256", "SHA-256", False)]
    rows = [[text_cell(s.file), number_cell(s.rows), text_cell(s.sha256)] for s in analysis.trial.sources]
    files = table("sources", "Files read and their fingerprints", columns, rows)
    return join([heading(3, "The data"), box([files.passage()], style="wide")])


def _software(analysis: Analysis, seed: int | None) -> Passage:
    columns = [("software", "Software", False), ("version", "Version", False)]
    found = {"trialkit": analysis.version, **versions()}
    rows = [[text_cell(name), text_cell(number)] for name, number in found.items()]
    layout_seed = analysis.trial.plan.layout.seed
    seeds = [
        f"Seed of the analysis: {seed}." if seed is not None else "",
        f"Seed of the layout: {layout_seed}." if layout_seed is not None else "",
    ]
    rerun = (
        "To re-run: keep the trial folder as it is and call “trialkit report FOLDER”, or open report.ipynb beside this "
        "page and run all cells. The same files and version give the same results.json."
    )
    return join([
        heading(3, "Versions and how to re-run"),
        table("software", "Software used", columns, rows).passage(),
        paragraph(" ".join(line for line in seeds if line)) if any(seeds) else NOTHING,
        paragraph(rerun),
    ])  # fmt: skip


def findings_passage(analysis: Analysis) -> Passage:
    """Odd readings: every warning of the gate by file, then the notes."""
    groups: dict[str, list[str]] = {}
    notes: list[str] = []
    for same in gather_findings(analysis.trial.findings):
        if same[0].severity == "warning":
            groups.setdefault(same[0].file, []).append(word_finding(*same))
        elif same[0].severity == "note":
            notes.append(f"{same[0].file}: {word_finding(*same)}")
    parts: list[Passage] = []
    for file, lines in groups.items():
        parts += [paragraph(f"In {file}; these readings stay in the analysis:"), bullets(lines)]
    if not groups:
        parts.append(paragraph("No reading stood out as unlikely."))
    if notes:
        parts.append(folded(f"Notes on the files ({len(notes)})", bullets(notes)))
    return join(parts)
