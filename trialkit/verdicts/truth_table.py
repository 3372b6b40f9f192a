"""The truth table: which facts about the intervals lead to which call. The first row that fits is the call.

Facts, of intervals turned so that more is as claimed:

``at_or_beyond_size``  the whole interval lies at or beyond the claimed size
``short_of_size``      the whole interval lies short of the claimed size
``beyond_no_effect``   the whole interval lies beyond no effect, as claimed
``inside_margin``      the level 1 − 2α interval lies inside the equivalence margin
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialkit.records import Call
from trialkit.verdicts.claims import Turned

FACTS = ("at_or_beyond_size", "short_of_size", "beyond_no_effect", "inside_margin")


@dataclass(frozen=True)
class Row:
    """A call, and the facts that must hold and must fail for it."""

    call: Call
    holds: tuple[str, ...] = ()
    fails: tuple[str, ...] = ()


TABLE = (
    Row("support", holds=("at_or_beyond_size",)),
    Row("less_than_claimed", holds=("short_of_size", "beyond_no_effect"), fails=("inside_margin",)),
    Row("no_difference", holds=("inside_margin",)),
    Row("contradict", holds=("short_of_size",)),
    Row("cannot_tell"),
)

# What can be said at all where less is known: a bound on one side, or one treatment beside a number.
ONE_SIDED = frozenset[Call]({"support", "cannot_tell"})
LEVEL = frozenset[Call]({"support", "contradict", "cannot_tell"})
EVERY = frozenset[Call](row.call for row in TABLE)


def facts_of(found: Turned) -> dict[str, bool]:
    """The facts of one claim. The margin is open: touching it is not lying inside."""
    none, margin = found.no_effect, found.margin
    return {
        "at_or_beyond_size": found.low >= found.size,
        "short_of_size": found.high < found.size,
        "beyond_no_effect": none is not None and found.low > none,
        "inside_margin": margin is not None and margin[0] < found.margin_low and found.margin_high < margin[1],
    }


def call_of(facts: dict[str, bool], possible: frozenset[Call] = EVERY) -> Call:
    """The first row of the table that fits and is possible."""
    for row in TABLE:
        if row.call in possible and all(facts[f] for f in row.holds) and not any(facts[f] for f in row.fails):
            return row.call
    return "cannot_tell"


def is_one_sided(found: Turned) -> bool:
    """Whether an end is open. A ratio's lower end at 0 is open too."""
    return math.isinf(found.low) or math.isinf(found.high) or (found.no_effect == 1.0 and found.low == 0.0)
