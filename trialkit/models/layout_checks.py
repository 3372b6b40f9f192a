"""What no layout can answer: reasons in sentences, each with what would be needed."""

from __future__ import annotations

import numpy as np

from trialkit.models.measured import Measured, listed


def layout_problems(found: Measured) -> list[str]:
    """Why these bins cannot be compared at all, whatever the layout; empty where they can."""
    plan = found.values.plan
    label = found.values.outcome.label
    bins = found.bins_per_treatment
    if plan.comparisons == "with control":
        if plan.control is None:
            return ["No control is named, so there is nothing to compare with. Name one of the treatments as control."]
        if plan.control not in found.treatments:
            return [
                f'The control "{plan.control}" is not a treatment of these bins; they have {listed(found.treatments)}.'
            ]
        if bins[found.treatments.index(plan.control)] == 0:
            return [
                f"No bin of the control ({plan.control}) has a value of {label}, so nothing can be compared with it. "
                "Two bins of the control or more would be needed."
            ]
    present = [name for name, count in zip(found.treatments, bins, strict=True) if count > 0]
    if not present:
        return [f"No bin has a value of {label}."]
    if len(present) == 1:
        return [
            f"Only one treatment ({present[0]}) has a value of {label}, so there is nothing to compare it with. "
            "Two treatments with two bins each or more would be needed."
        ]
    if np.max(bins) == 1:
        return [
            "Each treatment has one bin, so a difference between treatments cannot be told from a difference between "
            "two bins treated alike. More readings of the same bins do not help; one more bin of each treatment would."
        ]
    return []


def block_problems(found: Measured) -> list[str]:
    """What contradicts a layout in blocks."""
    without = [name for name, block in zip(found.bins, found.block, strict=True) if block < 0]
    if without:
        return [
            f"The layout says blocks, but {_bins(without)} no block. "
            'Fill in the block of every bin, or declare the layout as "completely random" if that is how it was drawn.'
        ]
    return []


def confounded_treatments(found: Measured) -> dict[str, str]:
    """Treatments whose bins all stand in one block that holds nothing else, with that block's name."""
    confounded = {}
    for i, name in enumerate(found.treatments):
        places = np.unique(found.block[found.treatment == i])
        if places.size == 1 and np.all(found.treatment[found.block == places[0]] == i):
            confounded[name] = found.blocks[int(places[0])]
    return confounded


def confounded_reason(treatment: str, block: str, word: str = "block") -> str:
    """Why a treatment that coincides with a block (or a site) cannot be compared."""
    return (
        f"All bins of {treatment} stand in {word} {block}, which holds nothing else, so what {treatment} does "
        "cannot be "
        f"told from what that {word} does. Bins of {treatment} in a {word} with the others would be needed."
    )


def site_problems(found: Measured) -> list[str]:
    """Bins without a site where others have one."""
    if len(found.sites) < 2:
        return []
    without = [name for name, site in zip(found.bins, found.site, strict=True) if site < 0]
    if not without:
        return []
    return [
        f"The bins stand at several sites ({listed(found.sites)}), but {_bins(without)} no site. "
        "Fill in the site of every bin."
    ]


def site_notes(found: Measured) -> tuple[str, ...]:
    """What a trial over several sites answers."""
    if len(found.sites) < 2:
        return ()
    return (
        f"The bins stand at {len(found.sites)} sites ({listed(found.sites)}). What sites differ by is taken out, "
        "and the "
        "answer is an average over these sites; how much other sites would differ it cannot tell.",
    )


def absent_reason(treatment: str, label: str) -> str:
    """Why a treatment without a value cannot be compared."""
    return f"No bin of {treatment} has a value of {label}. Two bins or more would be needed."


def absent_reasons(found: Measured) -> dict[str, str]:
    """The treatments without a value, each with its reason."""
    label = found.values.outcome.label
    return {
        name: absent_reason(name, label)
        for name, count in zip(found.treatments, found.bins_per_treatment, strict=True)
        if count == 0
    }


def no_error_reason(found: Measured) -> str:
    """Why nothing is left to judge differences by."""
    kind = found.values.plan.layout.kind
    if kind == "latin square":
        return (
            f"After rows, columns and treatments are taken out, these {len(found.bins)} bins leave nothing to show how "
            "much bins treated alike differ. A larger square, or a second one at another site, would be needed."
        )
    if kind == "blocks":
        needed = "One more bin of each treatment, best as a further complete block, would be needed."
        return (
            "After differences between blocks and between treatments are taken out, these "
            f"{len(found.bins)} bins leave nothing to show how much bins treated alike differ. {needed}"
        )
    return (
        f"These {len(found.bins)} bins leave nothing to show how much bins treated alike differ. "
        "One more bin of each treatment would be needed."
    )


def no_spread_reason(found: Measured) -> str:
    """Why values without any spread carry no interval."""
    taken_out = {"blocks": "blocks", "latin square": "rows and columns", "split plot": "whole plots"}
    parts = taken_out.get(found.values.plan.layout.kind)
    inside = f" of a treatment, once {parts} are taken out," if parts else " of a treatment"
    return (
        f"The bins{inside} all have exactly the same {found.values.outcome.label}, so there is no spread to judge a "
        "difference by. Check whether values were copied or rounded."
    )


def single_bin_notes(found: Measured) -> tuple[str, ...]:
    """A sentence for each treatment that one bin stands for."""
    return tuple(
        f"Only one bin of {name} has a value; its interval rests on how much the bins of the other treatments differ."
        for name, count in zip(found.treatments, found.bins_per_treatment, strict=True)
        if count == 1
    )


def _bins(names: list[str]) -> str:
    return f"bin {names[0]} has" if len(names) == 1 else f"bins {listed(names)} have"
