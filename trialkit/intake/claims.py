"""What a trial file means: claims that contradict themselves, names that do not exist, and the plan itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from types import MappingProxyType

from trialkit.errors import nearest_name
from trialkit.intake.columns import show_number
from trialkit.intake.finish import judge_finish
from trialkit.intake.parts import AMOUNTS, SIZES, ClaimPart, TreatmentPart
from trialkit.intake.trialfile import TrialFile
from trialkit.intake.wording import one_of
from trialkit.outcome_names import OUTCOMES, SCORES
from trialkit.records import Claim, Finding, Layout, Plan, Size, Treatment

RATES_AND_TIMES = ("decay_rate", "days_to_threshold", "days_to_finish")
TIMES = ("days_to_threshold", "days_to_finish", "days_to_peak")


def judge_trial_file(trial: TrialFile, treatments: Sequence[str]) -> list[Finding]:
    """Everything in a trial file that is well formed and still wrong. ``treatments`` are those of the bins."""
    return [
        *_treatments(trial, treatments),
        *_outcome_names(trial),
        *_settings(trial),
        *judge_finish(trial),
        *_layout(trial),
        *(finding for number in range(len(trial.part.claim)) for finding in _claim(trial, number, treatments)),
        *_control(trial, treatments),
    ]


def known_treatments(trial: TrialFile, treatments: Sequence[str]) -> list[str]:
    """The declared treatments, or those of the bins where none are declared."""
    declared = list(dict.fromkeys(part.name for part in trial.part.treatment))
    return declared or list(treatments)


def make_plan(trial: TrialFile, treatments: Sequence[str], has_blocks: bool) -> Plan:
    """The plan of a trial file that was judged; ``stated_before_data`` is settled once the readings are in."""
    part = trial.part
    if part.treatment:
        arms = tuple(_make_treatment(item) for item in part.treatment)
    else:
        arms = tuple(Treatment(name) for name in treatments)
    layout = Layout(kind="blocks" if has_blocks else "completely random")
    if part.layout is not None:
        given = part.layout
        layout = Layout(
            given.kind or layout.kind,
            given.variances,
            given.seed,
            given.drawn,
            given.redraw_rule,
            given.whole_plot_factor,
        )
    finish = part.finish.model_dump(exclude_none=True) if part.finish else {}
    return Plan(
        control=part.control,
        title=part.title,
        question=part.question,
        start=part.start,
        stated_on=part.stated_on,
        comparisons=part.comparisons,
        primary=part.primary,
        secondary=tuple(part.secondary),
        level=part.level,
        layout=layout,
        treatments=arms,
        outcome_settings=MappingProxyType({name: MappingProxyType(dict(t)) for name, t in trial.settings.items()}),
        claims=tuple(_make_claim(item) for item in part.claim),
        finish=MappingProxyType(finish),
        materials=tuple(part.materials),
        pupils=part.pupils,
    )


def settle_stated(
    plan: Plan, place: tuple[str, int | None, str | None], first_reading: date | None
) -> tuple[Plan, list[Finding]]:
    """Whether the claims were stated before the data began, which needs both dates; ``place`` is that of stated_on."""
    if not plan.claims:
        return plan, []

    def warn(found: str, remedy: str) -> tuple[Plan, list[Finding]]:
        said = Finding("warning", "stated-after-data", *place, found, "", remedy)
        return replace(plan, stated_before_data=False), [said]

    if plan.stated_on is None:
        return warn(
            "the file does not say when the claims were stated; they do not count as stated before the data",
            "Give the day the claims were written down, as in stated_on = 2026-09-20.",
        )
    if first_reading is None:
        return warn(
            "no date of a reading is known; the claims do not count as stated before the data",
            "Give the start of the trial, as in start = 2026-10-03.",
        )
    if plan.stated_on > first_reading:
        return warn(
            f"the claims were stated on {plan.stated_on}, after the data began ({first_reading})",
            "They are judged and marked as stated after the data began.",
        )
    return replace(plan, stated_before_data=True), []


def _make_treatment(part: TreatmentPart) -> Treatment:
    amounts = {name: float(value) for name in AMOUNTS if (value := getattr(part, name)) is not None}
    return Treatment(part.name, part.role, MappingProxyType(dict(part.factors)), MappingProxyType(amounts))


def _size_of(part: ClaimPart) -> tuple[Size, float] | None:
    given: list[tuple[Size, float]] = []
    for size in SIZES:
        amount = getattr(part, size)
        if amount is not None:
            given.append((size, amount))
    return given[0] if len(given) == 1 else None


def _make_claim(part: ClaimPart) -> Claim:
    size, amount = _size_of(part) or ("times_as_fast", 1.0)  # judged before: exactly one is given
    margin = (float(part.equivalence[0]), float(part.equivalence[1])) if part.equivalence else None
    return Claim(part.text, part.treatment, part.against, part.outcome, size, float(amount), part.family, margin)


# ---------------------------------------------------------------- rules
def _treatments(trial: TrialFile, treatments: Sequence[str]) -> Iterator[Finding]:
    names = [part.name for part in trial.part.treatment]
    for number, name in enumerate(names):
        if name in names[:number]:
            yield trial.finding(
                ("treatment", number, "name"),
                "name-twice",
                f'"{name}" is declared twice',
                "expected every treatment once",
                "Remove one.",
            )
        elif treatments and name not in treatments:
            yield trial.finding(
                ("treatment", number, "name"),
                "treatment-without-bin",
                f'no bin has the treatment "{name}"',
                "",
                "Check the treatments of the bins.",
                "warning",
            )


def _outcome_names(trial: TrialFile) -> Iterator[Finding]:
    places: list[tuple[tuple[str | int, ...], str]] = []
    if trial.part.primary is not None:
        places.append((("primary",), trial.part.primary))
    places += [(("secondary",), name) for name in trial.part.secondary]
    places += [(("outcome", name), name) for name in trial.part.outcome]
    places += [(("claim", number, "outcome"), part.outcome) for number, part in enumerate(trial.part.claim)]
    for path, name in places:
        if name not in OUTCOMES:
            yield _unknown(trial, path, "outcome-unknown", name, list(OUTCOMES))
    doubled = {name for name in trial.part.secondary if trial.part.secondary.count(name) > 1}
    if trial.part.primary in trial.part.secondary:
        doubled.add(str(trial.part.primary))
    for name in sorted(doubled):
        yield trial.finding(
            ("secondary",), "name-twice", f'"{name}" has two roles', "expected every outcome once", "Remove one."
        )


def _unknown(trial: TrialFile, path: tuple[str | int, ...], code: str, name: str, known: Sequence[str]) -> Finding:
    near = nearest_name(name, known)
    if near and len(known) > 12:
        return trial.finding(path, code, f'found "{name}"', f'nearest is "{near}"', "Rename it.")
    remedy = f'Nearest is "{near}".' if near else ""
    return trial.finding(path, code, f'found "{name}"', f"expected {one_of(known)}", remedy)


def _settings(trial: TrialFile) -> Iterator[Finding]:
    both = trial.settings.get("days_to_threshold")
    if both is not None and len({"percent_of_start", "percent_of_achievable"} & set(both)) == 2:
        yield trial.finding(
            ("outcome", "days_to_threshold"),
            "threshold-twice",
            "both percent_of_start and percent_of_achievable",
            "expected one of them",
            "Remove one.",
        )


def _layout(trial: TrialFile) -> Iterator[Finding]:
    layout = trial.part.layout
    if layout is None or layout.kind != "split plot":
        return
    factor = layout.whole_plot_factor
    names = sorted({name for part in trial.part.treatment for name in part.factors})
    if not factor:
        yield trial.finding(
            ("layout", "kind"),
            "key-missing",
            "a split plot without whole_plot_factor",
            "expected the factor that is set per whole plot",
            'Add whole_plot_factor = "…".',
        )
    elif factor not in names:
        yield _unknown(trial, ("layout", "whole_plot_factor"), "factor-unknown", factor, names)
    for number, part in enumerate(trial.part.treatment):
        if factor in names and factor not in part.factors:
            yield trial.finding(
                ("treatment", number, "factors"),
                "key-missing",
                f'"{part.name}" has no level of "{factor}"',
                "expected one in a split plot",
                f'Add {factor} = "…" to its factors.',
            )


def _control(trial: TrialFile, treatments: Sequence[str]) -> Iterator[Finding]:
    known = known_treatments(trial, treatments)
    if known and trial.part.control not in known:
        yield _unknown(trial, ("control",), "control-unknown", trial.part.control, known)


def _claim(trial: TrialFile, number: int, treatments: Sequence[str]) -> Iterator[Finding]:
    part, known = trial.part.claim[number], known_treatments(trial, treatments)

    def say(key: str, code: str, found: str, expected: str = "", remedy: str = "") -> Finding:
        return trial.finding(("claim", number, key), code, found, expected, remedy)

    for key, name in (("treatment", part.treatment), ("against", part.against)):
        if name is not None and known and name not in known:
            yield _unknown(trial, ("claim", number, key), "treatment-unknown", name, known)
    if part.treatment == part.against:
        yield say(
            "against", "claim-contradicts", f'"{part.against}" is compared with itself', "", "Name two treatments."
        )
    given = [size for size in SIZES if getattr(part, size) is not None]
    if len(given) != 1:
        found = " and ".join(given) if given else "the claim has no size"
        yield say(given[0] if given else "text", "claim-size", found, f"expected exactly one of {', '.join(SIZES)}")
    if "within_days" in given and part.against is not None:
        yield say(
            "against",
            "claim-contradicts",
            f'within_days together with against = "{part.against}"',
            "a number of days is compared with no other treatment",
            "Remove one of the two.",
        )
    if part.against is None and given and "within_days" not in given:
        yield say(
            "text",
            "claim-incomplete",
            "the claim names no treatment to compare with",
            "expected against",
            f'Add against = "{trial.part.control}" if it is the control.',
        )
    if part.family == "claim only" and len(trial.part.claim) != 1:
        yield say(
            "family",
            "claim-contradicts",
            f'"claim only" in a file with {len(trial.part.claim)} claims',
            "expected exactly one claim",
            'Write family = "all".',
        )
    if part.outcome in OUTCOMES:
        yield from _size_fits(part, given, say)
    if part.outcome in SCORES and given == ["at_least"]:
        yield trial.finding(
            ("claim", number, "at_least"),
            "claim-without-answer",
            f"at_least on {part.outcome}; scores are steps, and only which of two bins scored higher is compared",
            "",
            'The report will say "cannot be answered" of this claim. Claim something measured, or leave it out.',
            "warning",
        )


def _size_fits(part: ClaimPart, given: Sequence[str], say: object) -> Iterator[Finding]:
    assert callable(say)
    better, scale = OUTCOMES[part.outcome]
    for size in given:
        if size == "times_as_fast" and part.outcome not in RATES_AND_TIMES:
            why = "has no better direction" if better == 0 else "is neither a rate nor a time"
            other = "at_least_ratio" if scale == "log" else "at_least"
            yield say(
                size,
                "claim-size",
                f"times_as_fast on {part.outcome}, which {why}",
                f"expected one of {', '.join(RATES_AND_TIMES)}",
                f"Use {other}, or another outcome.",
            )
        elif size == "within_days" and part.outcome not in TIMES:
            yield say(
                size,
                "claim-size",
                f"within_days on {part.outcome}, which is not a time",
                f"expected one of {', '.join(TIMES)}",
                "Use another outcome.",
            )
        elif size == "at_least" and scale == "log":
            yield say(
                size,
                "claim-size",
                f"at_least, a difference, on {part.outcome}",
                "this outcome is compared as a ratio",
                "Use at_least_ratio.",
            )
        elif size == "at_least_ratio" and scale == "identity":
            yield say(
                size,
                "claim-size",
                f"at_least_ratio on {part.outcome}",
                "this outcome is compared as a difference",
                "Use at_least.",
            )
        elif size in ("times_as_fast", "at_least_ratio") and getattr(part, size) <= 1:
            less = " (less of it)" if better < 0 else ""
            yield say(
                size,
                "claim-size",
                f"found {show_number(getattr(part, size))}",
                f"expected a ratio above 1, counted in the better direction{less}",
                "A claim says that something is gained.",
            )
    if part.equivalence is not None:
        yield from _margin_fits(part, given, scale, better, say)


def _margin_fits(part: ClaimPart, given: Sequence[str], scale: str, better: int, say: object) -> Iterator[Finding]:
    assert callable(say) and part.equivalence is not None
    if "within_days" in given:
        yield say(
            "equivalence",
            "claim-contradicts",
            "an equivalence margin beside within_days",
            "a margin needs two treatments to compare",
            "Leave it out.",
        )
        return
    low, high = part.equivalence
    none = 1.0 if scale == "log" else 0.0
    shown = f"[{show_number(low)}, {show_number(high)}]"
    if not (low < none < high) or (scale == "log" and low <= 0):
        kind = "two ratios on either side of 1" if scale == "log" else "two differences on either side of 0"
        yield say("equivalence", "margin", f"found {shown}", f"expected {kind} for {part.outcome}, the lower first")
        return
    if part.against is None or len(given) != 1:
        return
    size = given[0]
    amount = float(getattr(part, size))
    # the margin is turned, as a claim counts in the better direction, so that both are on one side
    if better < 0:
        low, high = (1 / high, 1 / low) if scale == "log" else (-high, -low)
    if low < amount < high:
        claimed = amount if better >= 0 else 1 / amount if scale == "log" else -amount
        yield say(
            "equivalence",
            "claim-contradicts",
            f"the size claimed, {show_number(claimed)}, lies inside the claim's own equivalence margin {shown}",
            "a claim cannot say both more and the same",
            "Narrow the margin or claim more.",
        )
