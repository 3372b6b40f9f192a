"""How sure, and why: what the ranges mean here, what they rest on, and what they assume."""

from __future__ import annotations

from trialkit.records import Analysis, Comparison, Fit
from trialkit.report.answers import control_names, main_answer, outcome_noun
from trialkit.report.curve_words import curve_lines
from trialkit.report.facts import comparisons, has_role
from trialkit.report.passages import capitalised, counted, listed, named
from trialkit.report.robustness import robustness_lines
from trialkit.report.rounding import degrees, percent, plain
from trialkit.report.shuffling import shuffled_ranges, shuffling_lines
from trialkit.report.tables import values_of
from trialkit.report.timeline import timeline_lines
from trialkit.report.words import noun

BASE_RATE = (
    "In the controlled comparisons we could find, the two that compared a starter with a killed copy of itself or with "
    "free soil/compost found no difference (grass clippings; banana residues). Reports of faster composting mostly had "
    "one bin per treatment or no matched water/sugar control. A single small trial showing a speed-up should be "
    "repeated before it is believed."
)


def certainty_lines(analysis: Analysis) -> tuple[str, ...]:
    """Sentences on the ranges, the unit, the bins behind them, and the assumptions."""
    answer = main_answer(analysis)
    found = [c for c in (answer.comparisons if answer is not None else ()) if isinstance(c, Comparison)]
    shuffled = [*found, *(c for c in (answer.factors if answer is not None else ()) if isinstance(c, Comparison))]
    times = [line for one in analysis.answers for line in (*timeline_lines(one), *curve_lines(one))]
    if answer is None or not found:
        return (
            "No range is given, because these bins carry none; the reasons stand under “What this trial cannot tell”.",
            _unit(analysis),
            *times,
        )
    return (
        *_ranges(found),
        _unit(analysis),
        *_spread(answer.fit if isinstance(answer.fit, Fit) else None),
        *_roles(analysis),
        *robustness_lines(analysis),
        *shuffling_lines(shuffled),
        *shuffled_ranges(shuffled),
        *_variances(answer.fit if isinstance(answer.fit, Fit) else None),
        *times,
    )


def _ranges(found: list[Comparison]) -> tuple[str, ...]:
    if all(item.kind == "superiority" for item in found):
        return (
            "Scores are steps, not amounts, so no range is given: only which of two bins scored higher is counted, and "
            "how often shuffled labels would set treatments as far apart.",
        )
    level = found[0].interval.level
    if found[0].level_attained is not None:
        return (f"In {plain(round(100 * level, 1))} of 100 trials of this design such a bound is right.",)
    often = f"{plain(round(100 * level, 4))} of 100"
    joint = found[0].interval.adjustment in ("multivariate t", "bonferroni") and len(found) > 1
    if joint:
        whole = "both ranges" if len(found) == 2 else f"all {len(found)} ranges"
        against = listed(dict.fromkeys(named(c.against) for c in found if c.against))
        return (
            f"In {often} trials like this one, {whole} hold their true values at once. They were widened for "
            f"the {len(found)} comparisons{f' with {against}' if against else ''}, so each may be read on its own.",
        )
    return (f"In {often} trials like this one, such a range holds the true value.",)


def _unit(analysis: Analysis) -> str:
    """What became of the rows: one value for each bin that has one of the main outcome."""
    trial, answer = analysis.trial, main_answer(analysis)
    values = None if answer is None else values_of(answer)
    known = 0 if values is None else sum(value.value is not None for value in values.values)
    if not known:
        return "What counts is the bin: reading a bin more often makes its value better, but adds no bin."
    of = counted(len(trial.bins), "bin") if known == len(trial.bins) else f"{known} of {len(trial.bins)} bins"
    return (
        f"What counts is the bin: {counted(trial.rows_used, 'row')} of readings became one value for each of {of}. "
        "Reading a bin more often makes its value better, but adds no bin."
    )


def _spread(fit: Fit | None) -> tuple[str, ...]:
    if fit is None:
        return ()
    df = [float(value) for value in fit.df[fit.df == fit.df] if value > 0]
    if not df:
        return ()
    least, most = min(df), max(df)
    shown = degrees(least) if most - least < 1e-6 else f"{degrees(least)} to {degrees(most)}"
    blocks = f", after what {len(fit.blocks_used)} blocks differ by was taken out" if fit.blocks_used else ""
    return (f"How far bins scatter was judged from {shown} degrees of freedom{blocks}.",)


def _roles(analysis: Analysis) -> tuple[str, ...]:
    lines = []
    secondary = [outcome_noun(answer) for answer in analysis.answers if answer.role == "secondary"]
    if secondary:
        lines.append(
            f"{capitalised(listed(secondary))}: secondary; the p-values are adjusted so that together they raise a "
            "false alarm no more often than one would."
        )
    return tuple(lines)


def _variances(fit: Fit | None) -> tuple[str, ...]:
    if fit is None or fit.method == "permutation":
        return ()
    lines = []
    if fit.values.outcome.scale == "log":
        lines.append("Ratios assume that bins scatter by about the same factor around their treatment.")
    if fit.variances == "common":
        lines.append(
            "All treatments are taken to scatter alike. Where one of them varies four times as much, intervals of this "
            "kind hold in 90–93 % of trials rather than 95 %."
        )
    return tuple(lines)


def other_trials(analysis: Analysis) -> str:
    """What other trials found, where a live culture, soil or ready compost is on trial; empty elsewhere."""
    return BASE_RATE if has_role(analysis.trial, "live", "soil") else ""


def reading_line(analysis: Analysis) -> str:
    """One line on how to read estimate and range, for the handout."""
    found = comparisons(analysis)
    level = percent(found[0].interval.level) if found else "95 %"
    beside = control_names(analysis)
    return (
        f"How to read it: each dot is one bin. The bar is the {level} range of what fits these bins"
        + (f", beside {beside}" if beside else "")
        + "; where it crosses the line of no difference, either way is open."
    )


def answered_outcome(analysis: Analysis) -> str:
    """The outcome the first screen is about."""
    answer = main_answer(analysis)
    if answer is None:
        return ""
    for item in answer.comparisons:
        if isinstance(item, Comparison):
            return noun(item.outcome)
    return outcome_noun(answer)
