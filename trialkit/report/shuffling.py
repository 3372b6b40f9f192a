"""The test by drawing the layout again, in words: beside the model, with its floor, and both where they disagree."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.records import Answer, Comparison, Rerandomisation
from trialkit.report.passages import named
from trialkit.report.rounding import between, counted_p, is_shown, percent, together
from trialkit.report.words import unit_words


def shuffling_lines(found: Iterable[Comparison]) -> tuple[str, ...]:
    """Each comparison's test beside its range; those of which the same is to be said share a sentence."""
    groups: dict[tuple[str, str], list[str]] = {}
    for item in found:
        p, floor = item.rerandomisation_p, item.rerandomisation_floor
        if p is None or not is_shown(p):
            continue
        lowest = "" if floor is None else f"; the least it can be with these bins is {counted_p(floor)}"
        told = f"gives p {_equals(p)}{lowest}."
        pair = f"{named(item.treatment)} and {named(item.against or '')}"
        groups.setdefault((told, _beside(item, p, floor)), []).append(pair)
    return tuple(
        f"Shuffling the labels of {_pairs(pairs)} as they could have been drawn {told} {tail}".strip()
        for (told, tail), pairs in groups.items()
    )


def shuffled_ranges(found: Iterable[Comparison]) -> tuple[str, ...]:
    """The range that goes with the shuffle, where there are layouts enough for one, with the level it has."""
    lines = []
    for item in found:
        ends = item.rerandomised
        if ends is None or ends.level_attained is None:
            continue
        ratio = item.kind == "ratio"
        shown = together(item.estimate, ends.low, ends.high, landmarks=(1.0 if ratio else 0.0,), least=1)
        unit = "times" if ratio else unit_words(item.outcome)
        lines.append(
            f"If the effect is the same in every bin, shuffling alone leaves open anything "
            f"{between(shown.low, shown.high)}{f' {unit}' if unit else ''} for {named(item.treatment)} beside "
            f"{named(item.against or '')} ({percent(round(ends.level_attained, 3))} range of this one comparison)."
        )
    return tuple(lines)


def _pairs(pairs: list[str]) -> str:
    return ", of ".join(pairs[:-1]) + f", and of {pairs[-1]}" if len(pairs) > 1 else pairs[0]


def _equals(p: float) -> str:
    shown = counted_p(p)
    return shown if shown.startswith("<") else f"= {shown}"


def _beside(comparison: Comparison, p: float, floor: float | None) -> str:
    """Where the range without adjustment and the shuffle disagree at the level of the trial, both are said."""
    alone, alpha = comparison.alone, 1.0 - comparison.alone.level
    neutral = {"ratio": 1.0, "difference": 0.0, "superiority": 0.5}.get(comparison.kind)
    if neutral is None or (alone.low is None and alone.high is None):
        return ""
    beyond = (alone.low is not None and alone.low > neutral) or (alone.high is not None and alone.high < neutral)
    rare = p <= alpha * (1 + 1e-9)
    level = percent(alone.level)
    if beyond == rare:
        return ""
    if beyond and floor is not None and floor > alpha:
        return (
            f"The range of this one comparison at {level} lies clear of “no difference”; the shuffle could not say so, "
            "however large the effect, because there are too few ways to share out these bins."
        )
    if beyond:
        return (
            f"The two disagree: the range of this one comparison at {level} lies clear of “no difference”, the shuffle "
            "does not. The range leans on how scatter is usually shaped, the shuffle on nothing but the draw; both "
            "stand."
        )
    return (
        f"The two disagree: by the shuffle “no difference” fits badly, the range of this one comparison at {level} "
        "holds it. The range leans on how scatter is usually shaped, the shuffle on nothing but the draw; both stand."
    )


def together_line(answer: Answer) -> str:
    """The test of all treatments together, for the appendix; why there is none where the layout allows none."""
    found = answer.rerandomisation
    if found is None:
        return ""
    if found.p is None:
        return f"No test of all treatments together by drawing again: {found.reason}".rstrip()
    note = f" {found.note}" if found.note else ""
    return (
        f"All treatments together, labels shuffled as they could have been drawn: p {_equals(found.p)}, from "
        f"{_layouts(found)} (the least possible is {counted_p(found.floor)}).{note}"
    )


def _layouts(found: Rerandomisation) -> str:
    return f"all {found.layouts:,} layouts" if found.exact else f"{found.layouts:,} layouts drawn at random"
