"""From a comparison and a claim to a verdict."""

from __future__ import annotations

from typing import Literal

from trialkit.errors import DesignError
from trialkit.numerics.turning import inverted
from trialkit.records import Claim, Comparison, Interval, Plan, Refusal, Verdict
from trialkit.verdicts.claims import claim_contradiction, turned
from trialkit.verdicts.shown import could_show
from trialkit.verdicts.truth_table import EVERY, LEVEL, ONE_SIDED, call_of, facts_of, is_one_sided

_WITHOUT_SIZE = (
    "Scores are steps, not amounts: only which of two bins scored higher is compared, so no range can be set beside "
    "the size claimed. How often a bin of one treatment stands above one of the other is in the table of comparisons."
)


def judge(comparison: Comparison | Refusal, claim: Claim, *, plan: Plan | None = None) -> Verdict:
    """What may be said of a claim.

    A Refusal gives "not_answerable" with its reasons (``plan`` tells then whether the claim was stated before the data,
    where the refusal carries no values). So does a comparison of scores: a claim names a size, scores are steps without
    one, and no number of bins would change that. A comparison of the same pair in the opposite order is inverted first.
    The interval is the family's; with ``family = "claim only"``, which a file with exactly one claim may say, the one
    alone. DesignError for a claim that contradicts itself, or that the comparison does not answer.
    """
    if isinstance(comparison, Refusal):
        known = comparison.values.plan if plan is None and comparison.values is not None else plan
        return _unanswered(claim, known, comparison.reasons)
    if comparison.kind == "superiority":
        _as_claimed(comparison, claim)
        return _unanswered(claim, comparison.plan if plan is None else plan, (_WITHOUT_SIZE,))
    problem = claim_contradiction(claim, comparison.outcome)
    if problem is not None:
        raise DesignError(problem)
    asked = _as_claimed(comparison, claim)
    interval, margin_interval = _intervals(asked, claim)
    found = turned(claim, asked.outcome, interval, margin_interval)
    facts = facts_of(found)
    possible = EVERY
    if is_one_sided(found):
        possible = ONE_SIDED
    elif claim.size == "within_days":
        possible = LEVEL
    beyond: Literal[-1, 0, 1] = 0
    if found.no_effect is not None:
        beyond = 1 if found.low > found.no_effect else -1 if found.high < found.no_effect else 0
    call = call_of(facts, possible)
    too_weak = _too_weak(asked, is_one_sided(found))
    if too_weak and call != "cannot_tell":
        call = "cannot_tell"
    return Verdict(
        claim=claim,
        call=call,
        comparison=asked,
        interval=interval,
        margin_interval=margin_interval,
        beyond_no_effect=beyond,
        inside_margin=None if found.margin is None else facts["inside_margin"],
        stated_before_data=_stated_before(claim, asked.plan if plan is None else plan),
        reasons=(too_weak,) if too_weak else (),
        could_show=could_show(asked, claim, interval) if call == "cannot_tell" else None,
    )


def _unanswered(claim: Claim, plan: Plan | None, reasons: tuple[str, ...]) -> Verdict:
    return Verdict(
        claim=claim,
        call="not_answerable",
        comparison=None,
        interval=None,
        margin_interval=None,
        beyond_no_effect=0,
        inside_margin=None,
        stated_before_data=plan is not None and _stated_before(claim, plan),
        reasons=reasons,
    )


def _as_claimed(comparison: Comparison, claim: Claim) -> Comparison:
    """The comparison in the order of the claim."""
    if comparison.outcome.name != claim.outcome:
        raise DesignError(
            f'claim "{claim.text}": found a comparison of {comparison.outcome.name}; expected one of {claim.outcome}.'
        )
    kind = {"within_days": "level", "at_least": "difference"}.get(claim.size, "ratio")
    if comparison.kind not in (kind, "superiority"):
        raise DesignError(
            f'claim "{claim.text}": found a comparison of kind "{comparison.kind}"; {claim.size} needs "{kind}".'
        )
    if (comparison.treatment, comparison.against) == (claim.treatment, claim.against):
        return comparison
    if (comparison.against, comparison.treatment) == (claim.treatment, claim.against):
        return inverted(comparison)
    beside = "" if comparison.against is None else f" with {comparison.against}"
    wanted = "" if claim.against is None else f" with {claim.against}"
    raise DesignError(
        f'claim "{claim.text}": found a comparison of {comparison.treatment}{beside}; '
        f"expected one of {claim.treatment}{wanted}."
    )


def _intervals(comparison: Comparison, claim: Claim) -> tuple[Interval, Interval]:
    if claim.family == "all":
        return comparison.interval, comparison.margin_interval
    others = [other for other in comparison.plan.claims if other != claim]
    if others:
        raise DesignError(
            f'claim "{claim.text}": found family = "claim only" beside {len(others)} more '
            f"claim{'' if len(others) == 1 else 's'}; it is for a file with exactly one claim. Remove it."
        )
    return comparison.alone, comparison.margin_alone


def _too_weak(comparison: Comparison, one_sided: bool) -> str:
    """Why a bound with a confidence of its own settles nothing, as a sentence; empty where it may.

    A two-sided interval errs on the claim's side in half of α only, so a bound must hold as often: 97.5 % at 95 %.
    """
    level, attained = comparison.plan.level, comparison.level_attained
    if attained is None:
        return ""
    needed = 0.5 * (1.0 + level) if one_sided else level
    if attained >= needed - 1e-12:
        return ""
    what = "This bound" if one_sided else "This range"
    return (
        f"{what} holds with confidence {100 * attained:.3g} % only, which comes from the number of bins; at least "
        f"{100 * needed:.4g} % is asked for here, so it settles no claim."
    )


def _stated_before(claim: Claim, plan: Plan) -> bool:
    return plan.stated_before_data and claim in plan.claims
