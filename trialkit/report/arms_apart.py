"""How fair the comparison was: in what arms differ besides the thing on trial, and how large such a difference can be.

Sizes come from rough models (numerics.confounders). They say what a difference *could* do; no comparison is ever
corrected by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log

from trialkit.numerics.confounders import Confounder, moisture_ratio, size_confounders, temperature_ratio
from trialkit.numerics.precision import exclusion, pooled_law
from trialkit.records import Analysis, Comparison, Treatment
from trialkit.report.answers import main_answer
from trialkit.report.arm_facts import ArmFacts, facts_of
from trialkit.report.facts import AMOUNTS, amounts_declared, arms
from trialkit.report.passages import capitalised, listed, named
from trialkit.report.rounding import figures, fixed, plain, ratio

ALIKE = {"turns_per_week": "turning"}
APART_C = 0.5  # °C between the mean ambients of two arms: less is the thermometer
SMALL_DF = 20.0  # above, what stands out is hardly exaggerated any more
THAN = "\0than"  # where a sentence names the arm beside which this one stands
SPOT = "a spot 3 °C warmer could make a bin {low} to {high} times as fast"


def fairness_sentences(analysis: Analysis) -> tuple[str, ...]:
    """Differences between arms with their possible sizes, what was alike, and what the files do not say."""
    found = {arm.treatment.name: arm.treatment for arm in arms(analysis)}
    facts = {name: facts_of(analysis.trial, treatment) for name, treatment in found.items()}
    lines: dict[tuple[str, str], list[str]] = {}
    same = []
    for arm, other in _pairs(analysis, found):
        apart = _differences(facts[arm], facts[other])
        if not apart and found[other].role == "killed" and found[arm].amounts:
            same.append(f"{capitalised(named(arm))} and {named(other)} got the same; they differ in what is alive.")
        for text in apart:
            lines.setdefault((text, other), []).append(arm)
    told = []
    for (text, other), names in lines.items():
        text = text.replace("were ", "was ", 1) if text.startswith("were ") and len(names) == 1 else text
        text = text.replace(THAN, f" than {named(other)}")
        told.append(f"{capitalised(listed(named(name) for name in names))} {text}")
    return (*told, *same, *_alike(analysis, found), *_unsaid(analysis, facts))


def _pairs(analysis: Analysis, found: Mapping[str, Treatment]) -> tuple[tuple[str, str], ...]:
    """Every arm beside the control; and live beside killed, where that is the question."""
    control = analysis.trial.plan.control
    pairs = [(name, control) for name in found if control in found and name != control]
    killed = [name for name, item in found.items() if item.role == "killed" and name != control]
    pairs += [(name, sham) for sham in killed for name, item in found.items() if item.role == "live"]
    return tuple((first, second) for first, second in pairs if second is not None)


def _differences(arm: ArmFacts, other: ArmFacts) -> list[str]:
    base = other.heap or arm.heap
    sized = size_confounders(
        arm.amounts,
        other.amounts,
        wet_mass_kg=base.get("wet_mass_kg"),
        moisture_pct=base.get("moisture_pct"),
        carbon_g=base.get("carbon_g"),
        nitrogen_g=base.get("nitrogen_g"),
    )
    told = [_say(item) for item in sized]
    if arm.start_moisture_pct is not None and other.start_moisture_pct is not None:
        told += _moisture(arm.start_moisture_pct, other.start_moisture_pct)
    if arm.ambient_c is not None and other.ambient_c is not None:
        told += _ambient(arm.ambient_c - other.ambient_c)
    return told


def _say(item: Confounder) -> str:
    more = "more" if item.difference > 0 else "less"
    amount = f"{plain(float(f'{abs(item.difference):.3g}'))} {item.unit} {more}"
    if item.name == "water":
        return f"got {amount} water in each bin{THAN}. {_water(item)}"
    if item.name == "sugar":
        share = "" if item.share_pct is None else f", {fixed(abs(item.share_pct), 1)} % of the heap's carbon"
        return (
            f"got {amount} sugar in each bin{THAN}{share}. In one published trial molasses alone, without added "
            "microbes, saved about a tenth of the time (56 days beside 62)."
        )
    if item.name == "nitrogen":
        states = (item.arm_state, item.other_state)
        cn = f" (C:N {fixed(states[0], 0)} beside {fixed(states[1], 0)})" if None not in states else ""
        return (
            f"got {amount} nitrogen in each bin{THAN}{cn}. Nitrogen can speed up leaves or slow them down; in field "
            "trials of leaf litter the mean effect was about nil."
        )
    if item.name == "soil":
        share = "" if item.share_pct is None else f" ({fixed(abs(item.share_pct), 1)} % of the mass)"
        return (
            f"got {amount} soil in each bin{THAN}{share}. Soil brings ash, water, nitrogen and microbes of its own, "
            "and spoils losses reckoned from ash."
        )
    if item.name == "turning":
        return (
            f"were turned {_often(abs(item.difference))} a week {more}{THAN}. That did little in open windrows, but "
            "can do much where leaves mat."
        )
    share = "" if item.share_pct is None else f" ({fixed(abs(item.share_pct), 0)} %)"
    return f"started with {amount}{THAN}{share}. A fuller bin holds heat better; near self-heating that can do much."


def _often(times: float) -> str:
    return {1.0: "once", 2.0: "twice"}.get(times, f"{plain(times)} times")


def _water(item: Confounder) -> str:
    if item.rate_ratio is not None:
        return (
            f"Moisture {fixed(item.arm_state, 1)} % beside {fixed(item.other_state, 1)} % could alone multiply the "
            f"rate by {ratio(item.rate_ratio)}."
        )
    return (
        f"What water does depends on the moisture: from 45 to 50 % could alone multiply the rate by "
        f"{ratio(moisture_ratio(50, 45))}, from 40 to 50 % by {ratio(moisture_ratio(50, 40))}."
    )


def _moisture(mine: float, other: float) -> list[str]:
    if abs(mine - other) < 1.0:  # percentage points: less is the drying oven
        return []
    return [
        f"were {'moister' if mine > other else 'drier'} at the start{THAN}, {fixed(mine, 1)} % beside "
        f"{fixed(other, 1)} %. That could alone multiply the rate by {ratio(moisture_ratio(mine, other))}."
    ]


def _ambient(warmer: float) -> list[str]:
    if abs(warmer) < APART_C:
        return []
    full = temperature_ratio(warmer)
    low, high = sorted((full, full**0.5))
    return [
        f"stood {fixed(abs(warmer), 1)} °C {'warmer' if warmer > 0 else 'cooler'} on average{THAN}. That could alone "
        f"multiply the rate by {ratio(low)} to {ratio(high)}."
    ]


def _alike(analysis: Analysis, found: Mapping[str, Treatment]) -> list[str]:
    """What the trial file gives in the same amount to every arm."""
    same = [
        ALIKE.get(name, AMOUNTS[name][0]) if name in AMOUNTS else name.replace("_", " ")
        for name in amounts_declared(analysis.trial)
        if len({float(item.amounts.get(name, 0.0)) for item in found.values()}) == 1
    ]
    return [f"Alike in every arm, by the trial file: {listed(same)}."] if same and len(found) > 1 else []


def _unsaid(analysis: Analysis, facts: Mapping[str, ArmFacts]) -> list[str]:
    lines = []
    declared = amounts_declared(analysis.trial)
    if set(declared) <= set(ALIKE) and len(facts) > 1:
        turned = "" if declared else ", or how often it was turned"
        lines.append(
            f"The files do not say how much water, sugar, nitrogen or soil each treatment got{turned}. Water "
            "alone can do much: from 40 to 50 % moisture, the rate could be multiplied by "
            f"{ratio(moisture_ratio(50, 40))}."
        )
    if any(item.ambient_c is None for item in facts.values()):
        warm = temperature_ratio(3.0)
        spot = SPOT.format(low=ratio(warm**0.5), high=ratio(warm))
        lines.append(f"Ambient was not read beside every arm, so a warmer place cannot be ruled out; {spot}.")
    return lines


def exaggeration_sentence(analysis: Analysis) -> str:
    """What a small trial does to the size of what stands out; empty where nothing does, where the trial is not small,
    and where half the effect found would stand out in every second such trial or more."""
    answer = main_answer(analysis)
    found = [c for c in (answer.comparisons if answer is not None else ()) if isinstance(c, Comparison)]
    outstanding = [item for item in found if _stands_out(item) and (item.df or SMALL_DF) < SMALL_DF and item.std_error]
    if not outstanding:
        return ""
    item = max(outstanding, key=lambda one: abs(_on_scale(one.estimate, one)))
    std_error, df = float(item.std_error or 0.0), float(item.df or 0.0)
    half = abs(_on_scale(item.interval.high or 0.0, item) - _on_scale(item.estimate, item))
    truth = 0.5 * _on_scale(item.estimate, item)
    law = pooled_law(std_error, df, half / std_error, half / std_error)
    found_out = exclusion(law, abs(truth))
    if found_out.power >= 0.5:
        return ""
    factor = found_out.exaggeration
    small, seen = (_shown(value, item) for value in (truth, truth * factor))
    if small == seen:
        return ""
    return (
        f"Small trials flatter what they find. If the truth for {named(item.treatment)} were only {small}, then those "
        f"trials like this one whose range lies clear of “no difference” would on average show {seen}."
    )


def _stands_out(item: Comparison) -> bool:
    low, high = item.interval.low, item.interval.high
    neutral = {"ratio": 1.0, "difference": 0.0}.get(item.kind)
    if neutral is None or low is None or high is None or (item.kind == "ratio" and low <= 0):
        return False
    return low > neutral or high < neutral


def _on_scale(value: float, item: Comparison) -> float:
    return log(value) if item.kind == "ratio" else value


def _shown(value: float, item: Comparison) -> str:
    return f"{ratio(exp(value))} times" if item.kind == "ratio" else figures(value, 2)
