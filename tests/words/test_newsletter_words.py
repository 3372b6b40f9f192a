"""Five sentences for a newsletter, to the letter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.records import (
    Analysis,
    Answer,
    Bin,
    Claim,
    Comparison,
    Interval,
    Outcome,
    Plan,
    Readings,
    Refusal,
    Treatment,
    Trial,
    Verdict,
)
from trialkit.report.newsletter_words import newsletter_sentences

DECAY = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "", "", "")
ARMS = (Treatment("water only", "water"), Treatment("live starter", "live"))
PLAN = Plan(control="water only", primary="decay_rate", treatments=ARMS, stated_before_data=True)


def analysed(days: float = 42.0) -> Analysis:
    interval = Interval(1.2, 1.6, 0.95)
    comparison = Comparison(
        DECAY, PLAN, "live starter", "water only", "ratio", 1.4, interval, interval, interval, interval, 0.05, 6.0,
        0.004, (2, 2), role="primary",
    )  # fmt: skip
    claim = Claim("Twice as fast as water.", "live starter", "water only", "decay_rate", "times_as_fast", 2.0)
    verdict = Verdict(claim, "less_than_claimed", comparison, interval, interval, 1, None, True)
    place = np.repeat(np.arange(4), 2).astype(np.intp)
    readings = Readings(place, np.tile([0.0, days], 4), {}, place, place, place)
    bins = tuple(Bin(f"B{n}", ARMS[n % 2].name) for n in range(4))
    trial = Trial("x", PLAN, bins, readings, (), (), 8, 8)
    refusal = Refusal("outcomes", ("x",))
    answers = (Answer("decay_rate", "primary", refusal, refusal, (comparison,)),)
    return Analysis(trial, answers, (verdict,))


def test_five_sentences_that_can_stand_alone() -> None:
    sentences = newsletter_sentences(analysed())
    assert sentences == (
        "A trial set live starter beside water only in 4 compost bins, followed for 42 days.",
        "On the claim “Twice as fast as water”: faster, but less than claimed: with live starter, decay ran 1.4 times "
        "as fast as with water only, between 1.2 and 1.6 (2 bins each).",
        "No arm had the same liquid with its microbes killed.",
        "A single small trial should be repeated elsewhere before anybody relies on it.",
        "The full report shows every bin and says how each number was made.",
    )


def test_a_trial_without_a_claim_and_without_days_has_its_sentences() -> None:
    analysis = analysed(days=0.0)
    sentences = newsletter_sentences(replace(analysis, verdicts=()))
    assert sentences[0] == "A trial set live starter beside water only in 4 compost bins."
    assert sentences[1] == (
        "With live starter, decay ran 1.4 times as fast as with water only, between 1.2 and 1.6 (2 bins each)."
    )
    assert len(sentences) == 5
