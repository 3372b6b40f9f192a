"""A precision as sentences and as a table over bins, for the terminal and the notebooks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

# what a report would say of a claim; the order is from what supports it to what says nothing
CALL_WORDS = {
    "support": "supports the claim",
    "less_than_claimed": "there, but less",
    "no_difference": "no difference that matters",
    "contradict": "contradicts the claim",
    "cannot_tell": "cannot tell",
    "not_answerable": "no answer at all",
}


def precision_sentences(found: Mapping[str, Any]) -> list[str]:
    """``found`` holds the fields of a precision (``dataclasses.asdict``). One sentence a line."""
    each = "block" if found["layout"] == "blocks" else "bin a treatment"
    n = found["bins_per_treatment"]
    lines = [
        f"{found['treatments']} treatments, {found['layout']}, {n} {each if n == 1 else _plural(each)}, "
        f"{found['bins']} bins; bins treated alike differ by {_percent(found['cv'])} (a guess unless measured).",
        f'The claim: "{found["ratio"]:g} times the control". If it is true, expect a range from '
        f"{found['expected_low']:.2f} to {found['expected_high']:.2f}.",
        f"The range leaves out no effect in {_in_100(found['power'])} such trials if the claim is true, in "
        f"{_in_100(found['power_half'])} if half of it is ({found['half_ratio']:.2f} times).",
        _ratio_sentence(
            found["smallest_ratio_shown"],
            "The smallest true ratio that is told from none in {chance} trials: {ratio}.",
            "No true ratio is told from none in {chance} trials.",
            found,
        ),
        _ratio_sentence(
            found["smallest_ratio_ruled_out"],
            "If nothing happens, claims from {ratio} on are ruled out in {chance} trials.",
            "If nothing happens, no claim is ruled out in {chance} trials.",
            found,
        ),
        _ratio_sentence(
            found["true_ratio_to_support"],
            "To have the claim itself supported in {chance} trials, the truth must be {ratio}.",
            "No truth has the claim supported in {chance} trials.",
            found,
        ),
    ]
    for truth, chances in found["calls"].items():
        lines.append(f"What the report would say, {_truth(truth)}: {_told(chances)}.")
    for truth, chances in found.get("simulated_calls", {}).items():
        lines.append(f"Counted in simulated trials, {_truth(truth)}: {_told(chances)}.")
    lines.append(
        f"Re-randomising the two treatments can give no p below {found['rerandomisation_floor']:.3g}"
        + (", so it cannot confirm the range at 5 %." if found["rerandomisation_floor"] > 0.05 else ".")
    )
    if found["power_half"] < 0.5:
        lines.append(
            f"Small trials exaggerate: if half of the claim is true, the ranges that leave out no effect show it "
            f"{found['exaggeration']['half true']:.1f} times too large on average, and "
            f"{_percent(found['wrong_sign']['half true'])} of them on the wrong side."
        )
    lines += [
        f"With {row['lost']} {'bin' if row['lost'] == 1 else 'bins'} lost: {_in_100(row['power'])} instead."
        for row in found["with_lost"]
    ]
    if found["bins_needed"] is not None:
        lines.append(
            f"{found['bins_needed']} {'blocks' if found['layout'] == 'blocks' else 'bins a treatment'} tell the claim "
            f"from no effect in {_in_100(found['chance'])} trials if it is true."
        )
    return [*lines, *found["notes"]]


def precision_table(curve: Sequence[Mapping[str, Any]]) -> list[str]:
    """One line a number of bins: range half-width as a factor, chances of being told from none and of support."""
    lines = ["bins a treatment   range ×÷   told from none   claim supported   cannot tell"]
    for found in curve:
        factor = found["expected_high"] / found["ratio"]
        calls = found["calls"]["claim true"]
        lines.append(
            f"{found['bins_per_treatment']:>16}   {factor:>8.2f}   {_percent(found['power']):>14}   "
            f"{_percent(calls['support']):>15}   {_percent(calls['cannot_tell']):>11}"
        )
    return lines


def _ratio_sentence(ratio: float | None, sentence: str, without: str, found: Mapping[str, Any]) -> str:
    chance = _in_100(found["chance"])
    return without.format(chance=chance) if ratio is None else sentence.format(chance=chance, ratio=f"{ratio:.2f}")


def _told(chances: Mapping[str, float]) -> str:
    return ", ".join(f"{CALL_WORDS[call]} {_percent(chance)}" for call, chance in chances.items() if chance >= 0.005)


def _truth(name: str) -> str:
    return {"claim true": "if the claim is true", "half true": "if half of it is true"}.get(name, "if nothing happens")


def _plural(noun: str) -> str:
    return "bins a treatment" if noun.startswith("bin") else f"{noun}s"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _in_100(chance: float) -> str:
    return f"{100 * chance:.0f} of 100"
