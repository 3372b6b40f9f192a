"""What this trial cannot tell, built from the trial itself."""

from __future__ import annotations

from trialkit.records import Analysis, BinValues, Comparison, Refusal, Treatment, Trial
from trialkit.report.answers import outcome_noun
from trialkit.report.facts import AMOUNTS, amount, arms, days_read, has_role, is_longer
from trialkit.report.passages import capitalised, counted, listed
from trialkit.report.rounding import plain
from trialkit.report.tables import values_of
from trialkit.report.words import noun

UNTRIED = "Other feeds, seasons and bin sizes were not tried"
WARNED = "Warning: "  # how a note of the bench begins where it is one
JUDGED = ("finished", "appearance_score", "odour_score")


def limit_lines(analysis: Analysis) -> tuple[str, ...]:
    """Sentences on what cannot be concluded, the weightiest first."""
    return (
        *_refused(analysis),
        *_microbes(analysis.trial),
        *_declared(analysis),
        *_lost(analysis.trial),
        *_warned(analysis),
        *_outcomes(analysis),
        *_conduct(analysis.trial),
        *_reach(analysis),
    )


def short_limits(analysis: Analysis) -> tuple[str, ...]:
    """The two that the one-page handout has room for."""
    lines = (
        *_refused(analysis)[:1],
        *_microbes(analysis.trial),
        *_lost(analysis.trial),
        *_declared(analysis)[:1],
        *_reach(analysis),
    )
    return lines[:2]


def quotable_limit(analysis: Analysis) -> str:
    """The one limit that goes with the answer wherever it is quoted."""
    return next(iter((*_microbes(analysis.trial), *_declared(analysis), f"{UNTRIED}.")))


def _refused(analysis: Analysis) -> tuple[str, ...]:
    lines: dict[str, None] = {}
    for answer in analysis.answers:
        stopped = next((part for part in (answer.values, answer.fit) if isinstance(part, Refusal)), None)
        parts = [stopped] if stopped is not None else [c for c in answer.comparisons if isinstance(c, Refusal)]
        for part in parts:
            pair = f" between {part.treatment} and {part.against}" if part.treatment and part.against else ""
            lines[f"{capitalised(outcome_noun(answer))} could not be compared{pair}. {' '.join(part.reasons)}"] = None
    return tuple(lines)


def _microbes(trial: Trial) -> tuple[str, ...]:
    if has_role(trial, "live") and not has_role(trial, "killed"):
        missing = "No arm had the same liquid with its microbes killed."
        if has_role(trial, "carrier"):
            return (
                f"{missing} The carrier alone was tried, so what stays open is what dead microbes and their broth do.",
            )
        return (
            f"{missing} Whatever the live treatment did, this trial cannot separate the microbes from "
            f"{_came_with(trial)}.",
        )
    if has_role(trial, "live") and not has_role(trial, "soil"):
        return ("No arm had a handful of soil or ready compost, so whether free microbes do the same was not tried.",)
    return ()


def _came_with(trial: Trial) -> str:
    """What the live arms got and the control did not, by the trial file; the liquid itself where nothing is named."""
    found = {item.name: item for item in trial.plan.treatments}
    control = found.get(trial.plan.control or "", Treatment(""))
    live = [item for item in found.values() if item.role == "live"]
    more = [
        AMOUNTS[name][0]
        for name in ("water_l", "sugar_g", "nitrogen_g", "soil_kg")
        if any(amount(item.amounts, name) != amount(control.amounts, name) for item in live)
    ]
    return f"the {listed(more)} that came with them" if more else "the rest of the liquid that they came in"


def _declared(analysis: Analysis) -> tuple[str, ...]:
    plan = analysis.trial.plan
    if not plan.declared:
        return (
            "No trial file came with the readings: nothing counts as stated before the data, and every outcome is "
            "exploratory. What stands out here may stand out by chance.",
        )
    lines = []
    if not plan.stated_before_data:
        lines.append(
            "The plan counts as stated after the data began: a plan made after a look at the data can be bent to fit."
        )
    exploratory = [outcome_noun(answer) for answer in analysis.answers if answer.role == "exploratory"]
    if exploratory:
        verb = "was" if len(exploratory) == 1 else "were"
        lines.append(
            f"{capitalised(listed(exploratory))} {verb} not named before the data: exploratory, "
            "a start for a next trial."
        )
    return tuple(lines)


def _lost(trial: Trial) -> tuple[str, ...]:
    lost = [item for item in trial.bins if item.lost_on_day is not None]
    if not lost:
        return ()
    told = listed(
        f"{item.bin} on day {plain(item.lost_on_day or 0.0)} ({item.lost_reason or 'no reason given'})" for item in lost
    )
    return (
        f"{capitalised(counted(len(lost), 'bin'))} of {len(trial.bins)} {'was' if len(lost) == 1 else 'were'} lost: "
        f"{told}. If bins are lost because of how they were doing, no analysis can put that right.",
    )


def _warned(analysis: Analysis) -> tuple[str, ...]:
    """What the measuring of an outcome warns of: bins that may only look finished, treatments looked at unequally."""
    return tuple(
        f"{capitalised(outcome_noun(answer))}: {note.removeprefix(WARNED)}"
        for answer in analysis.answers
        for note in (answer.values.notes if isinstance(answer.values, BinValues) else ())
        if note.startswith(WARNED)
    )


def _outcomes(analysis: Analysis) -> tuple[str, ...]:
    lines: dict[str, None] = {}
    undirected = []
    for answer in analysis.answers:
        values = values_of(answer)
        if values is None:
            continue
        if values.outcome.better == 0 and any(isinstance(c, Comparison) for c in answer.comparisons):
            undirected.append(noun(values.outcome))
        if values.outcome.cannot_tell:
            lines[f"{capitalised(noun(values.outcome))}: {values.outcome.cannot_tell}"] = None
        longer = [value.bin for value in values.values if is_longer(value, values)]
        if longer:
            verb, they = ("was", "It counts") if len(longer) == 1 else ("were", "They count")
            lines[
                f"{capitalised(noun(values.outcome))}: {listed(longer)} {verb} not there by the last visit. {they} as "
                "longer; by how much, nobody saw."
            ] = None
        missing = [value for value in values.values if value.value is None and not is_longer(value, values)]
        if isinstance(answer.values, BinValues) and missing:
            lines[
                f"{capitalised(noun(values.outcome))} is without a value in {counted(len(missing), 'bin')} "
                f"({listed(value.bin for value in missing)}); the appendix says why."
            ] = None
    if undirected:
        verb = "has" if len(undirected) == 1 else "have"
        lines[
            f"{capitalised(listed(undirected))} {verb} no better or worse: a difference there is a change, not a gain."
        ] = None
    return tuple(lines)


def _conduct(trial: Trial) -> tuple[str, ...]:
    lines = []
    drawn = trial.plan.layout.drawn
    if not drawn:
        lines.append(
            "The files do not say how bins were given their treatment. Unless it was by lot or by seed, bins may have "
            "differed before the start."
        )
    elif drawn == "by hand":
        lines.append("Treatments were given out by hand, so bins may have differed before the start.")
    if not all(item.code for item in trial.bins):
        judged = any(name in trial.readings.columns for name in JUDGED)
        lines.append(
            "The files do not say that those who read the bins were kept from knowing the treatment"
            + ("; scores and judgements feel that most." if judged else ".")
        )
    return tuple(lines)


def _reach(analysis: Analysis) -> tuple[str, ...]:
    trial = analysis.trial
    sites = {item.site for item in trial.bins if item.site}
    days = days_read(trial)
    span = f" read to day {plain(days[1])}" if days is not None else ""
    start = f", started {trial.plan.start.isoformat()}" if trial.plan.start is not None else ""
    place = f" at {len(sites)} sites" if len(sites) > 1 else " at one place"
    bins = [arm.bins for arm in arms(analysis)]
    return (
        f"These are {counted(sum(bins), 'bin')}{place}{span}{start}. {UNTRIED}; "
        "small bins lose heat, so heat in them does not carry over to a large pile, nor back.",
    )
