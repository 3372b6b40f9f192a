"""Exact sentences from hand-built records, one for each call of the truth table and each kind of number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from trialkit.records import (
    Claim,
    Comparison,
    CouldShow,
    Interval,
    Outcome,
    Plan,
    Refusal,
    Verdict,
)
from trialkit.report.answers import refusal_sentence
from trialkit.report.passages import listed
from trialkit.report.reach import reach_sentences
from trialkit.report.rounding import raised
from trialkit.report.words import both_readings, claimed_size, comparison_sentence, verdict_notes, verdict_sentence

DECAY = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "", "", "")
LOSS = Outcome("dry_matter_loss_pct", "dry-matter loss", "% of what was put in", "identity", 1, "", "", "")
NITROGEN = Outcome("nitrogen_loss_pct", "nitrogen loss", "%", "identity", -1, "", "", "")
CN = Outcome("cn_ratio", "C:N", "ratio", "log", -1, "", "", "")
DAYS = Outcome("days_to_threshold", "time to the threshold", "days", "log", -1, "", "", "")
PH = Outcome("ph", "pH", "", "identity", 0, "", "", "")
SCORE = Outcome("odour_score", "smell", "score", "identity", 1, "", "", "")
PLAN = Plan(control="water only")


def compared(
    estimate: float, low: float | None, high: float | None, outcome: Outcome = DECAY, **changes: Any
) -> Comparison:
    interval = Interval(low, high, 0.95, "multivariate t")
    comparison = Comparison(
        outcome=outcome,
        plan=PLAN,
        treatment="live starter",
        against="water only",
        kind="ratio" if outcome.scale == "log" else "difference",
        estimate=estimate,
        interval=interval,
        margin_interval=replace(interval, level=0.9),
        alone=interval,
        margin_alone=interval,
        std_error=0.1,
        df=6.0,
        p=0.03,
        bins=(4, 4),
        role="primary",
    )
    return replace(comparison, **changes)


def claimed(amount: float = 2.0, size: str = "times_as_fast", outcome: str = "decay_rate", **changes: Any) -> Claim:
    claim = Claim("as told", "live starter", "water only", outcome, size, amount)  # type: ignore[arg-type]
    return replace(claim, **changes)


def judged(call: str, comparison: Comparison | None, claim: Claim | None = None, **changes: Any) -> Verdict:
    verdict = Verdict(
        claim or claimed(), call, comparison, comparison and comparison.interval,  # type: ignore[arg-type]
        comparison and comparison.margin_interval, 0, None, True,
    )  # fmt: skip
    return replace(verdict, **changes)


MARGIN = claimed(equivalence=(0.8, 1.25))
CALLS = {
    "support": (
        judged("support", compared(2.41, 2.12, 2.83), beyond_no_effect=1),
        "The data support this claim: with live starter, decay ran 2.4 times as fast as with water only, "
        "between 2.1 and 2.8 (4 bins each).",
    ),
    "less than claimed": (
        judged("less_than_claimed", compared(1.3, 1.12, 1.52), beyond_no_effect=1),
        "Faster, but less than claimed: with live starter, decay ran 1.3 times as fast as with water only, "
        "between 1.1 and 1.5 (4 bins each).",
    ),
    "no difference": (
        judged("no_difference", compared(1.02, 0.93, 1.12), MARGIN, inside_margin=True),
        "No difference that matters: with live starter, decay ran 1.02 times as fast as with water only, "
        "between 0.93 and 1.12 (90 % range, 4 bins each). That rules out more than 25 % either way, the margin set for "
        "it (0.8 to 1.25 times).",
    ),
    "small difference": (
        judged("no_difference", compared(1.1, 1.03, 1.17), MARGIN, inside_margin=True, beyond_no_effect=1),
        "A small difference, inside the margin: with live starter, decay ran 1.10 times as fast as with water only, "
        "between 1.03 and 1.17 (90 % range, 4 bins each). That rules out more than 25 % either way, the margin set for "
        "it (0.8 to 1.25 times).",
    ),
    "contradict": (
        judged("contradict", compared(0.95, 0.85, 1.08)),
        "The data contradict this claim: with live starter, decay ran 0.95 times as fast as with water only, "
        "between 0.85 and 1.08 (4 bins each).",
    ),
    "cannot tell, beyond": (
        judged("cannot_tell", compared(2.0, 1.3, 3.1), beyond_no_effect=1),
        "Decay ran faster with live starter than with water only, 2.0 times, between 1.3 and 3.1; "
        "whether at least twice as fast, these bins cannot tell (4 bins each).",
    ),
    "cannot tell": (
        judged("cannot_tell", compared(1.4, 0.8, 2.5, bins=(4, 3))),
        "These bins cannot tell: with live starter, decay ran 1.4 times as fast as with water only, "
        "but anything between 0.8 and 2.5 fits (4 and 3 bins).",
    ),
    "not answerable": (
        judged("not_answerable", None, reasons=("Each treatment stood in one bin only.",)),
        "This trial cannot answer this claim. Each treatment stood in one bin only.",
    ),
    "time, support": (
        judged("support", compared(0.44, 0.39, 0.48, DAYS), claimed(outcome="days_to_threshold"), beyond_no_effect=1),
        "The data support this claim: with live starter, bins were 2.3 times as fast as with water only, "
        "between 2.1 and 2.6 (4 bins each).",
    ),
    "difference, support": (
        judged("support", compared(7.3, 5.4, 9.2, LOSS), claimed(5, "at_least", LOSS.name), beyond_no_effect=1),
        "The data support this claim: with live starter, dry-matter loss was 7.3 percentage points higher "
        "than with water only, between 5.4 and 9.2 (4 bins each).",
    ),
    "difference where less is better": (
        judged(
            "less_than_claimed",
            compared(-2.2, -3.4, -1.0, NITROGEN),
            claimed(5, "at_least", NITROGEN.name),
            beyond_no_effect=1,
        ),
        "Lower, but less than claimed: with live starter, nitrogen loss was 2.2 percentage points lower "
        "than with water only, between 1.0 and 3.4 (4 bins each).",
    ),
    "difference, either way": (
        judged("cannot_tell", compared(2.0, -1.2, 5.2, LOSS), claimed(5, "at_least", LOSS.name)),
        "These bins cannot tell: with live starter, dry-matter loss was 2.0 percentage points higher than "
        "with water only, but anything between 1.2 lower and 5.2 higher fits (4 bins each).",
    ),
    "difference, cannot tell but beyond": (
        judged("cannot_tell", compared(4.1, 1.1, 7.1, LOSS), claimed(5, "at_least", LOSS.name), beyond_no_effect=1),
        "Dry-matter loss was higher with live starter than with water only, by 4.1 percentage points, "
        "between 1.1 and 7.1; whether at least 5, these bins cannot tell (4 bins each).",
    ),
    "ratio where less is better": (
        judged("contradict", compared(0.95, 0.87, 1.04, CN), claimed(1.2, "at_least_ratio", CN.name)),
        "The data contradict this claim: with water only, C:N was 1.05 times that with live starter, "
        "between 0.96 and 1.15 (4 bins each).",
    ),
    "within days": (
        judged(
            "support",
            compared(24.2, 20.1, 28.7, DAYS, kind="level", against=None, bins=(4, 0)),
            claimed(30, "within_days", DAYS.name, against=None),
        ),
        "The data support this claim: with live starter, bins took 24 days, between 20 and 29 (4 bins).",
    ),
    "one-sided": (
        judged("support", compared(2.6, 2.2, None), beyond_no_effect=1),
        "The data support this claim: with live starter, decay ran 2.6 times as fast as with water only, "
        "at least 2.2 (4 bins each).",
    ),
}


@pytest.mark.parametrize("name", CALLS)
def test_every_call_has_its_sentence(name: str) -> None:
    verdict, sentence = CALLS[name]
    assert verdict_sentence(verdict) == sentence


@pytest.mark.parametrize("name", CALLS)
def test_no_sentence_of_the_top_part_is_longer_than_thirty_words(name: str) -> None:
    verdict, _ = CALLS[name]
    for text in (verdict_sentence(verdict), *verdict_notes(verdict)):
        for sentence in text.split(". "):
            assert len(sentence.split()) <= 30, sentence


GRADES = ("significant", "substantial", "clearly", "strong", "dramatic", "marginal", "trend", "proven", "proves")


@pytest.mark.parametrize("name", CALLS)
def test_sentences_never_grade(name: str) -> None:
    verdict, _ = CALLS[name]
    text = " ".join((verdict_sentence(verdict), *verdict_notes(verdict))).lower()
    assert not [word for word in GRADES if word in text]


def test_comparisons_without_a_claim() -> None:
    assert comparison_sentence(compared(1.229090, 1.178663, 1.281674)) == (
        "With live starter, decay ran 1.23 times as fast as with water only, between 1.18 and 1.28 (4 bins each)."
    )
    assert comparison_sentence(compared(1.05, 0.9, 1.22)) == (
        "These bins cannot tell live starter from water only: decay ran 1.05 times as fast, "
        "but anything between 0.90 and 1.22 fits (4 bins each)."
    )
    assert comparison_sentence(compared(-0.31, -0.52, -0.10, PH)) == (
        "With live starter, pH was 0.3 lower than with water only, between 0.1 and 0.5 (4 bins each)."
    )
    assert comparison_sentence(compared(0.7, 0.55, 0.9, DAYS)) == (
        "With live starter, bins took 0.70 times as long as with water only, between 0.55 and 0.90 (4 bins each)."
    )
    assert comparison_sentence(compared(0.8, 0.62, 0.93, SCORE, kind="superiority")) == (
        "A bin with live starter stood above one with water only on smell in 0.80 of all pairs, "
        "between 0.62 and 0.93 (4 bins each)."
    )
    scores = compared(0.875, None, None, SCORE, kind="superiority", p=0.0625, df=None, std_error=None)
    assert comparison_sentence(scores) == (
        "A bin with live starter stood above one with water only on smell in 0.88 of all pairs, ties counting half; "
        "p = 0.0625 by shuffling labels (4 bins each)."
    )
    assert comparison_sentence(replace(scores, p=None)) == (
        "A bin with live starter stood above one with water only on smell in 0.88 of all pairs, ties counting half "
        "(4 bins each)."
    )
    assert comparison_sentence(compared(0.85, 0.78, 0.93, CN, bins=(1, 1))) == (
        "With live starter, C:N was 0.85 times that with water only, between 0.78 and 0.93 (1 bin each)."
    )


def test_a_claim_is_read_both_ways() -> None:
    # rate ratio 1.5 is 66.7 % of the time, 2 is half of it (common practice); only with a common end level
    assert (
        both_readings(claimed(2.0), DECAY)
        == "Twice as fast is half the time, as long as all bins end at the same level."
    )
    assert both_readings(claimed(1.5), DECAY) == (
        "1.5 times as fast is 50 % faster and takes about 67 % of the time, as long as all bins end at the same level. "
        "It is not half the time."
    )
    assert both_readings(claimed(1.25), DAYS) == (
        "1.25 times as fast is 25 % faster and takes 80 % of the time. It is not half the time."
    )
    assert both_readings(claimed(5, "at_least"), LOSS) == ""


def test_claimed_sizes_in_words() -> None:
    assert claimed_size(claimed(2.0), DECAY) == "at least twice as fast"
    assert claimed_size(claimed(1.2), DECAY) == "at least 1.2 times as fast"
    assert claimed_size(claimed(5, "at_least"), LOSS) == "at least 5 percentage points higher"
    assert claimed_size(claimed(5, "at_least"), NITROGEN) == "at least 5 percentage points lower"
    assert claimed_size(claimed(1.2, "at_least_ratio"), CN) == "lower by a factor of at least 1.2"
    assert claimed_size(claimed(30, "within_days"), DAYS) == "within 30 days"


def test_notes_say_margin_role_and_lateness() -> None:
    verdict = judged("no_difference", compared(1.02, 0.93, 1.12, role="secondary"), MARGIN, stated_before_data=False)
    assert verdict_notes(verdict) == (
        "Twice as fast is half the time, as long as all bins end at the same level.",
        "The claim itself is not supported.",
        "Decay rate is a secondary outcome of this trial.",
        "This claim counts as stated after the data began, so it needs a fresh trial to stand on.",
    )


@pytest.mark.parametrize(
    ("margin", "outcome", "told"),
    [
        ((0.8, 1.25), DECAY, "That rules out more than 25 % either way, the margin set for it (0.8 to 1.25 times)."),
        ((0.5, 1.1), DECAY, "That rules out anything outside 0.5 to 1.1 times, the margin set for it."),
        # times are turned to speeds, and their margin with them
        ((0.5, 1.25), DAYS, "That rules out anything outside 0.8 to 2 times, the margin set for it."),
        ((-3.0, 3.0), LOSS, "That rules out more than 3 percentage points either way, the margin set for it."),
        ((-2.0, 5.0), LOSS, "That rules out anything outside −2 to 5 percentage points, the margin set for it."),
        ((-0.2, 0.2), PH, "That rules out more than 0.2 either way, the margin set for it."),
    ],
)
def test_a_margin_is_named_with_what_it_rules_out(margin: tuple[float, float], outcome: Outcome, told: str) -> None:
    kind = "ratio" if outcome.scale == "log" else "difference"
    found = compared(1.02, 0.93, 1.12, outcome) if kind == "ratio" else compared(0.1, -0.1, 0.15, outcome)
    size = "times_as_fast" if kind == "ratio" else "at_least"
    claim = claimed(3.0, size, outcome=outcome.name, equivalence=margin)
    verdict = judged("no_difference", found, claim, inside_margin=True)
    assert verdict_sentence(verdict).endswith(told)
    assert verdict_sentence(replace(verdict, claim=replace(claim, equivalence=None))).endswith("4 bins each).")


def test_reasons_handed_on_are_printed_once() -> None:
    told = judged("cannot_tell", compared(1.4, 0.8, 2.5), reasons=("Eight bins each would settle it.",))
    assert verdict_notes(told)[-1] == "Eight bins each would settle it."
    refused = judged("not_answerable", None, reasons=("One bin each.",))
    assert "One bin each." not in verdict_notes(refused)


def test_refusals_name_the_pair_or_the_outcome() -> None:
    pair = Refusal("contrasts", ("they never stood in one block",), "decay_rate", "live starter", "water only")
    assert refusal_sentence(pair) == (
        "Live starter and water only cannot be compared here. They never stood in one block."
    )
    assert refusal_sentence(Refusal("models", ("One bin each.",)), "decay rate") == (
        "This trial cannot compare treatments on decay rate. One bin each."
    )


def test_rounding_keeps_what_a_range_says() -> None:
    near = judged("cannot_tell", compared(2.2, 1.96, 2.47), beyond_no_effect=1)
    assert "between 1.96 and 2.47" in verdict_sentence(near)  # not "2.0", which would read as the claimed size
    just = comparison_sentence(compared(1.04, 1.002, 1.08))
    assert "between 1.002 and 1.080" in just  # not "1.00", which would read as no difference


def test_lists_in_words() -> None:
    assert listed([]) == ""
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c"]) == "a, b and c"


def test_names_that_would_run_into_the_sentence_are_quoted() -> None:
    assert comparison_sentence(compared(1.5, 1.2, 1.9, treatment="with manure, turned", against="no manure")) == (
        "With “with manure, turned”, decay ran 1.5 times as fast as with “no manure”, "
        "between 1.2 and 1.9 (4 bins each)."
    )


def test_a_range_that_stands_alone_says_so() -> None:
    alone = judged("support", compared(2.6, 2.0, 3.4), interval=Interval(2.2, 3.1, 0.95), beyond_no_effect=1)
    assert verdict_sentence(alone).endswith("between 2.2 and 3.1 (4 bins each).")
    assert verdict_notes(alone)[1] == (
        "This range stands for the one claim alone; figure and table widen it for all comparisons."
    )


# ---------------------------------------------------------------- what it could have shown
REACH = {
    "rate": (
        judged("cannot_tell", compared(1.4, 0.8, 2.5), could_show=CouldShow(1.6712, 3.3424, 9, 0.8)),
        (
            "With bins that scatter like these, a true speed-up to 1.68 times would have shown as faster "
            "in 8 of 10 such trials.",
            "To support the claim as often, it would have to be 3.4 times.",
            "About 9 bins a treatment would settle “at least twice as fast” in 8 of 10 trials, "
            "if the truth is what these bins estimate.",
        ),
    ),
    "no number of bins": (
        judged("cannot_tell", compared(1.2001, 1.1, 1.31), claimed(1.2), could_show=CouldShow(1.12, 1.344, None, 0.8)),
        (
            "With bins that scatter like these, a true speed-up to 1.12 times would have shown as faster "
            "in 8 of 10 such trials.",
            "To support the claim as often, it would have to be 1.35 times.",
            "If the truth is what these bins estimate, no number of bins that anyone could fill would settle "
            "“at least 1.2 times as fast”.",
        ),
    ),
    "difference where less is better": (
        judged(
            "cannot_tell",
            compared(-2.0, -5.4, 1.4, NITROGEN),
            claimed(4, "at_least", NITROGEN.name),
            could_show=CouldShow(4.61, 8.61, 1240, 0.85),
        ),
        (
            "With bins that scatter like these, a true difference of 4.7 percentage points would have shown as lower "
            "in 85 of 100 such trials.",
            "To support the claim as often, it would have to be 8.7 percentage points.",
            "About 1,240 bins a treatment would settle “at least 4 percentage points lower” in 85 of 100 trials, "
            "if the truth is what these bins estimate.",
        ),
    ),
    "ratio where less is better": (
        judged(
            "cannot_tell",
            compared(0.95, 0.75, 1.2, CN),
            claimed(1.2, "at_least_ratio", CN.name),
            could_show=CouldShow(1.38, 1.656, 40, 0.8),
        ),
        (
            "With bins that scatter like these, a true factor of 1.38 would have shown as lower in 8 of 10 such "
            "trials.",
            "To support the claim as often, it would have to be 1.66.",
            "About 40 bins a treatment would settle “lower by a factor of at least 1.2” in 8 of 10 trials, "
            "if the truth is what these bins estimate.",
        ),
    ),
}


@pytest.mark.parametrize("name", REACH)
def test_under_cannot_tell_stands_what_could_have_been_shown(name: str) -> None:
    verdict, sentences = REACH[name]
    assert reach_sentences(verdict) == sentences
    for sentence in sentences:
        assert len(sentence.split()) <= 30, sentence
        assert not [word for word in GRADES if word in sentence.lower()]


def test_nothing_could_have_been_shown_where_the_call_is_made() -> None:
    assert reach_sentences(judged("support", compared(2.4, 2.1, 2.8), could_show=CouldShow(1.2, 2.4, 9, 0.8))) == ()
    assert reach_sentences(judged("cannot_tell", compared(1.4, 0.8, 2.5))) == ()


def test_a_smallest_size_is_never_shown_below_itself() -> None:
    assert [raised(value) for value in (1.2, 1.201, 1.999, 2.41, 12.4, 140.2, 0.0512)] == [
        "1.20", "1.21", "2.00", "2.5", "13", "141", "0.052",
    ]  # fmt: skip
