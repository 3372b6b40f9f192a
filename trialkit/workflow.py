"""The corridor: from a folder to an ``Analysis``, through all the rooms.

The report notebook makes the same calls in visible cells and is the analysis; ``analyse`` is it without the paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit import __version__
from trialkit.contrasts import (
    adjust_secondary,
    compare,
    compare_again,
    compare_factors,
    compare_level,
    compare_ratios,
    finish_curves,
    levels_of,
    partition,
    rerandomise,
    rerandomise_factors,
)
from trialkit.errors import DesignError, TemplateError
from trialkit.intake import check_trial, load_trial, workbook_bytes
from trialkit.models import Changed, changed_values, check_curves, fit_bins
from trialkit.outcomes import available_outcomes, bin_maturity, bin_values, stretched_rates
from trialkit.planning.precision_inputs import PLANNING_GUESSES, cv_of_fit
from trialkit.records import (
    Analysis,
    Answer,
    BinValues,
    Call,
    Claim,
    Comparison,
    CurveCheck,
    Finding,
    Fit,
    Refusal,
    Sensitivity,
    Trial,
)
from trialkit.verdicts import judge

if TYPE_CHECKING:
    from trialkit.planning import PlannedTrial

REGISTRATION = "registration.txt"
Compared = tuple[Comparison | Refusal, ...]


def analyse(source: str | Path | Trial, control: str | None = None) -> Analysis:
    """Readings to verdicts. ``source`` is a trial folder, a single readings file, or a Trial already loaded.

    Raises TemplateError where the files do not fit; everything else that cannot be answered is a Refusal inside.
    """
    trial = source if isinstance(source, Trial) else load_trial(source, control=control)
    values = {name: bin_values(trial, name) for name in available_outcomes(trial)}
    fits = {name: fit_bins(value) for name, value in values.items()}
    comparisons = {name: compare(fit) for name, fit in fits.items()}
    return conclude(trial, values, fits, comparisons)


def conclude(
    trial: Trial,
    values: Mapping[str, BinValues | Refusal],
    fits: Mapping[str, Fit | Refusal],
    comparisons: Mapping[str, Compared],
) -> Analysis:
    """Draw the layout again, adjust across secondary outcomes, judge every claim, and bind all of it to one record.

    What hangs on a single bin, a block, the scale or the variances stands in each answer's ``sensitivity``.
    """
    plan = trial.plan
    roles = {name: plan.role_of(name) for name in values}
    tested = {name: rerandomise(fits[name], comparisons[name]) for name in values}
    drawn_again = {name: compared for name, (compared, _) in tested.items()}
    secondary = {name: drawn_again[name] for name, role in roles.items() if role == "secondary"}
    adjusted = {**drawn_again, **adjust_secondary(secondary, values)}
    answers = tuple(
        Answer(
            name,
            roles[name],
            values[name],
            fits[name],
            adjusted[name],
            sensitivity(fits[name], adjusted[name], secondary if name in secondary else {}, values),
            tested[name][1],
            rerandomise_factors(fits[name], compare_factors(fits[name])),
            partition(fits[name]),
            levels_of(values[name]),
            curves_checked(trial, name, values, adjusted),
            finish_curves(values[name]),
        )
        for name in values
    )
    verdicts = tuple(judge(answer_to(claim, adjusted, values), claim, plan=plan) for claim in plan.claims)
    return Analysis(_with_deviations(trial), answers, verdicts, __version__, bin_maturity(trial))


def _with_deviations(trial: Trial) -> Trial:
    """The trial with a note among its findings for everything that differs from its registration."""
    told = deviations_of(trial) or ()
    notes = [
        Finding("note", "registration-differs", REGISTRATION, None, None, sentence.removesuffix("."))
        for sentence in told
    ]
    return replace(trial, findings=(*trial.findings, *notes))


def curves_checked(
    trial: Trial, name: str, values: Mapping[str, BinValues | Refusal], comparisons: Mapping[str, Compared]
) -> tuple[CurveCheck, ...]:
    """Of the decay rate: other curves, known errors of k, and the time ratio of the trial's time outcome beside it."""
    if name != "decay_rate":
        return ()
    times = next((comparisons[time] for time in ("days_to_finish", "days_to_threshold") if time in comparisons), ())
    return check_curves(values[name], comparisons[name], stretched_rates(trial, values[name]), times)


def sensitivity(
    fit: Fit | Refusal,
    comparisons: Compared,
    secondary: Mapping[str, Compared] | None = None,
    measured: Mapping[str, BinValues | Refusal] | None = None,
) -> tuple[Sensitivity, ...]:
    """Every comparison with one thing changed: each bin and block left out, the other scale, the other variances.

    ``comparisons`` are those of the answer; each claim on them is judged again, one line a claim. ``secondary`` are the
    comparisons of all secondary outcomes where this is one of them, to adjust as the answer is, and ``measured`` the
    bin values of all outcomes. A change after which a comparison cannot be made has no interval.
    """
    if isinstance(fit, Refusal):
        return ()
    outcome = fit.values.outcome
    lines: list[Sensitivity] = []
    for change in changed_values(fit):
        refit = fit_bins(change.values, variances=change.variances)
        if change.what == "variances" and isinstance(refit, Fit) and refit.variances == fit.variances:
            continue  # too few bins for the other rule
        if change.what == "scale" and outcome.scale == "log":
            compared = compare_ratios(refit, outcome)
        else:
            compared = compare_again(refit)
        if secondary:
            compared = adjust_secondary(
                {**secondary, outcome.name: compared}, {**(measured or {}), outcome.name: change.values}
            )[outcome.name]
        found: dict[tuple[str | None, str | None], Comparison] = {
            (one.treatment, one.against): one for one in compared if isinstance(one, Comparison)
        }
        for asked in comparisons:
            lines += _changed_lines(change, asked, found.get((asked.treatment, asked.against)), fit.values.plan.claims)
    return tuple(lines)


def _changed_lines(
    change: Changed, asked: Comparison | Refusal, found: Comparison | None, claims: tuple[Claim, ...]
) -> list[Sensitivity]:
    if isinstance(asked, Refusal) or asked.against is None:
        return []
    own: list[Claim | None] = [
        claim
        for claim in (() if asked.kind == "superiority" else claims)  # no claim names a share of pairs
        if claim.outcome == asked.outcome.name and {claim.treatment, claim.against} == {asked.treatment, asked.against}
    ]
    lines = []
    for claim in own or [None]:
        call: Call | None = None
        if claim is not None and found is None:
            call = "not_answerable"
        elif claim is not None and found is not None and found.kind == asked.kind:
            call = judge(found, claim).call  # a difference does not answer a claim about a ratio
        lines.append(
            Sensitivity(
                change.what,
                change.name,
                asked.treatment,
                asked.against,
                float("nan") if found is None else found.estimate,
                None if found is None else found.interval.low,
                None if found is None else found.interval.high,
                call,
                None if claim is None else claim.text,
                _other_way(change, asked, found),
            )
        )
    return lines


def _other_way(change: Changed, asked: Comparison, found: Comparison | None) -> str:
    """How the comparison was made without a bin or block, where that is another way than with it."""
    if change.what != "left out" or found is None or found.method == asked.method:
        return ""
    return found.method


def answer_to(
    claim: Claim, comparisons: Mapping[str, Compared], values: Mapping[str, BinValues | Refusal]
) -> Comparison | Refusal:
    """The comparison a claim speaks of, or the refusal that stands in its place."""
    measured = values.get(claim.outcome)
    if claim.against is None and isinstance(measured, BinValues):
        return compare_level(measured, claim.treatment)
    compared = comparisons.get(claim.outcome, ())
    for item in compared:
        if {item.treatment, item.against} == {claim.treatment, claim.against}:
            return item
    whole = [item for item in compared if isinstance(item, Refusal) and item.treatment is None]
    if whole:
        return whole[0]
    reason = f"Nothing in these files compares {claim.treatment} with {claim.against or 'a number of days'}."
    return Refusal("contrasts", (reason,), claim.outcome, claim.treatment, claim.against)


def planned_workbook(planned: PlannedTrial) -> bytes:
    """The workbook of a planned trial, with a row for every bin and visit; letters stand where the trial is blinded."""
    letters = planned.letters or {}
    bins = [replace(item, treatment=letters.get(item.treatment, item.treatment)) for item in planned.bins]
    return workbook_bytes(planned.plan, bins=bins, days=planned.days, columns=planned.columns)


def deviations_of(trial: Trial) -> tuple[str, ...] | None:
    """Every difference between a trial and the registration.txt in its folder; None where there is none to compare."""
    from trialkit.planning.registration import deviations

    stub = Path(trial.folder) / REGISTRATION
    if not stub.is_file():
        return None
    try:
        text = stub.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return ("The registration could not be read; nothing could be compared.",)
    return deviations(text, trial)


def question_of(folder: str | Path, *, outcome: str | None = None, control: str | None = None) -> dict[str, Any]:
    """What a planned or an earlier trial says of a precision: treatments, layout, bins, level, claim and, once there
    are readings, the CV between its bins, by the names of the arguments of ``planning.precision.precision``.

    ``outcome`` defaults to the primary one. Raises TemplateError, and DesignError for an earlier trial whose bins
    cannot be compared on that outcome.
    """
    checked = check_trial(Path(folder))
    if checked.trial is None:
        raise TemplateError(checked.findings, checked.rows)
    plan, bins = checked.trial.plan, checked.trial.bins
    arms = {item.treatment for item in bins}
    name = outcome or plan.primary or "decay_rate"
    question: dict[str, Any] = {
        "treatments": len(arms),
        "layout": plan.layout.kind,
        "bins_per_treatment": max(len(bins) // max(len(arms), 1), 1),
        "level": plan.level,
    }
    sizes = [claim.amount for claim in plan.claims if claim.outcome == name and claim.size != "at_least"]
    if sizes:
        question["ratio"] = sizes[0]
    if checked.trial.rows_used:
        fit = fit_bins(bin_values(load_trial(folder, control=control), name))
        if isinstance(fit, Refusal):
            raise DesignError(f"No CV can be had from {folder}: {' '.join(fit.reasons)} Give --cv instead of --from.")
        question["cv"] = cv_of_fit(fit)
    elif name in PLANNING_GUESSES:
        question["cv"] = PLANNING_GUESSES[name].cv
    return question
