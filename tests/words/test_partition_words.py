"""A whole effect taken apart, to the letter."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trialkit.records import (
    Analysis,
    Answer,
    Outcome,
    Partition,
    PartitionStep,
    Plan,
    Readings,
    Refusal,
    Trial,
)
from trialkit.report.partition_words import partition_sentences

DECAY = Outcome("decay_rate", "decay rate", "1/day", "log", 1, "", "", "")
LOSS = Outcome("dry_matter_loss_pct", "dry-matter loss", "% of what was put in", "identity", 1, "", "", "")


def told(partition: Partition | None) -> tuple[str, ...]:
    import numpy as np

    none = np.zeros(0, dtype=np.intp)
    readings = Readings(none, np.zeros(0), {}, none, none, none)
    trial = Trial("x", Plan("water only", primary="decay_rate"), (), readings, (), (), 0, 0)
    refusal = Refusal("models", ("x",))
    answer = Answer("decay_rate", "primary", refusal, refusal, (), partition=partition)
    return partition_sentences(Analysis(trial, (answer,), ()))


# the three-arm block trial worked by hand: water, killed, live; geometric means 0.0304, 0.0344, 0.0374 per day
STEPS = (
    PartitionStep("carrier", "killed starter", "water only", 1.132413, 1.085953, 1.180861),
    PartitionStep("live organisms", "live starter", "killed starter", 1.085373, 1.040860, 1.131789),
)
TOTAL = PartitionStep("total", "live starter", "water only", 1.229090, 1.178663, 1.281674)
WHOLE = Partition(DECAY, "ratio", STEPS, TOTAL, 0.95, "multivariate t")


def test_carrier_and_live_organisms() -> None:
    assert told(WHOLE) == (
        "Of the speed-up of 23 % with live starter beside water only, about 13 % came with the carrier and 8.5 % needs "
        "live organisms.",
        "Carrier: between 1.09 and 1.18 times; live organisms, on top of that: between 1.04 and 1.13 times.",
    )


def test_a_part_that_may_be_nothing_is_said_to_be_so() -> None:
    steps = (STEPS[0], replace(STEPS[1], low=0.97, high=1.21))
    assert told(replace(WHOLE, steps=steps)) == (
        "Of the speed-up of 23 % with live starter beside water only, about 13 % came with the carrier and 8.5 %, if "
        "anything, needs live organisms.",
        "Carrier: between 1.09 and 1.18 times; live organisms, on top of that: between 0.97 and 1.21 times, so nothing "
        "at all fits as well.",
    )


def test_parts_that_pull_apart_are_listed() -> None:
    steps = (replace(STEPS[0], estimate=1.3), replace(STEPS[1], estimate=0.945, low=0.9, high=0.99))
    assert told(replace(WHOLE, steps=steps))[0] == (
        "Decay rate taken apart: carrier 1.30 times and live organisms 0.945 times; together 1.23 times."
    )


def test_differences_add_up() -> None:
    steps = (
        PartitionStep("water and handling", "water only", "nothing", 1.4, 0.2, 2.6),
        PartitionStep("carrier", "killed", "water only", 3.1, 1.9, 4.3),
        PartitionStep("live organisms", "live", "killed", 0.7, -0.5, 1.9),
    )
    total = PartitionStep("total", "live", "nothing", 5.2, 4.0, 6.4)
    assert told(Partition(LOSS, "difference", steps, total, 0.95, "bonferroni"))[0] == (
        "Of the rise in dry-matter loss of 5.2 percentage points with live beside nothing, about 1.4 came with water "
        "and handling, 3.1 came with the carrier and 0.70, if anything, needs live organisms."
    )


@pytest.mark.parametrize("partition", [None, replace(WHOLE, steps=())])
def test_nothing_is_said_without_a_partition(partition: Partition | None) -> None:
    assert told(partition) == ()
