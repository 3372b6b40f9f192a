"""The pages of words: filling protocol, recipe, reader's card, safety."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from html import escape

from trialkit.numerics.mixtures import NITROGEN_IN_UREA
from trialkit.planning.cautions import Caution
from trialkit.planning.fairness import word_place
from trialkit.planning.feedstocks import Range
from trialkit.planning.recipe import GOOD_CN, Recipe, weigh_starter
from trialkit.planning.starters import Batch, Starter
from trialkit.records import Bin, Treatment

SQUEEZE = (
    "Squeeze test: take a handful from the middle and squeeze hard. It should hold its shape and let go "
    "one or two drops. "
    "Water running out: too wet (above about 60 %). No shine and it falls apart: too dry (below about 45 %)."
)
# control first, live last: what drips from a fork then never carries the culture into a control
POURING_ORDER = ("nothing", "water", "carrier", "soil", "other", "killed", "live")


def filling_page(bins: int, *, roles: Collection[str], turns: bool) -> str:
    """The protocol for the day of filling. ``roles`` are those of the arms."""
    order = "<b>Order: controls first, "
    order += "then the killed starter, " if "killed" in roles else "then the other arms, "
    order += "the live starter last.</b> " if "live" in roles else "always in the order of the pouring list.</b> "
    order += "A clean fork for each arm, or wash it between arms."
    if "live" in roles:
        order += " Whoever poured live starter touches no other bin that day."
    steps = [
        "Mix <b>one heap</b> for all bins: shred, turn it over three times, and moisten it to the recipe. " + SQUEEZE,
        f"Fill the {bins} bins in rounds: one shovel to each bin in turn, B1 first, until each holds its mass. "
        "<b>The same wet mass in every bin, to within 2 %</b>, from the same height, without treading. Write the mass "
        "down (start_wet_mass_kg in bins.csv).",
        "Level the surface. Read volume or height. Take a handful from every fifth shovel for one sample of the heap: "
        "moisture, and ash if losses are reckoned from it.",
        "Put up the labels, then the bins on their places of the map. " + escape(word_place()),
        "Open <b>every</b> bin, the control too, and mix it with the same number of fork strokes as the others when it "
        "gets its liquid.",
        order,
        "The same litres into every bin, within the same hour"
        + (", the liquids at the same temperature." if "killed" in roles else "."),
        "Close all lids alike. Read day 0.",
    ]
    if turns:
        steps.append("From now on turn all bins on the same days, with the same strokes, in the same order.")
    return "<h2>Filling the bins</h2><ol>" + "".join(f"<li>{step}</li>" for step in steps) + "</ol>"


def recipe_page(
    recipe: Recipe | None,
    starter: Starter | None,
    batch: Batch,
    bins: Sequence[Bin],
    control: str,
    letters: Mapping[str, str] | None = None,
) -> str:
    """Amounts per bin and in all, the brew, and the pouring list. ``letters`` maps treatments in a blinded trial."""
    parts = ["<h2>Recipe and pouring list</h2>"]
    parts.append(
        _heap(recipe, len(bins)) if recipe else "<p>No recipe was given; the heap is the same for all bins.</p>"
    )
    if batch.water_l > 0:
        parts.append(_brew(batch))
    if recipe and starter:
        parts.append(_what_it_adds(recipe, starter))
    parts.append(_pouring(batch, bins, control, letters))
    return "\n".join(parts)


def _heap(recipe: Recipe, bins: int) -> str:
    rows = ""
    for portion in recipe.portions:
        feed = portion.feedstock
        memory = f", {' and '.join(feed.from_memory)} from memory" if feed.from_memory else ""
        rows += (
            f'<tr><th scope="row">{escape(feed.name)}</th><td>{portion.wet_mass_kg:.1f}</td>'
            f"<td>{portion.wet_mass_kg * bins:.0f}</td><td>{_span(feed.nitrogen_pct)}</td>"
            f"<td>{_span(feed.cn_ratio)}</td><td>{_span(feed.moisture_pct)}</td><td "
            f'class="small">{escape(feed.source + memory)}</td></tr>'
        )
    rows += (
        f'<tr><th scope="row">water into the heap (L)</th><td>{recipe.water_l:.1f}</td>'
        f'<td>{recipe.water_l * bins:.0f}</td><td></td><td></td><td></td><td class="small">to reach '
        f"{recipe.target_moisture_pct:g} % moisture together with what every arm gets anyway</td></tr>"
    )
    low, high = recipe.cn_range
    mixture = recipe.mixture
    advice = ""
    if not GOOD_CN[0] <= mixture.cn_ratio <= GOOD_CN[1]:
        advice = " 25 to 40 works best; more green matter lowers it, more leaves raise it."
    return (
        '<table class="plain"><thead><tr><th scope="col">material</th><th scope="col">kg a bin</th>'
        f'<th scope="col">kg for {bins} bins</th><th scope="col">N, % dry</th><th scope="col">C:N</th>'
        f'<th scope="col">moisture, %</th><th scope="col">where from</th></tr></thead><tbody>{rows}</tbody></table>'
        f"<p>The heap: {mixture.wet_mass_kg:.1f} kg a bin at {mixture.moisture_pct:.0f} % moisture before "
        "water, C:N about "
        f"{mixture.cn_ratio:.0f}, anywhere from {low:.0f} to {high:.0f} by the ranges of its materials.{advice}</p>"
        f"<p>{SQUEEZE} Add the water in thirds and test in between: the table's moistures are typical, not yours.</p>"
    )


_AMOUNT_WORDS = {
    "water_l": "{:g} L water",
    "sugar_g": "{:g} g sugar",
    "nitrogen_g": "{:g} g nitrogen",
    "urea_g": "{:g} g urea",
    "soil_kg": "{:g} kg soil",
    "manure_kg": "{:g} kg manure",
    "char_kg": "{:g} kg char",
    "turns_per_week": "turned {:g} times a week",
    "start_wet_mass_kg": "{:g} kg at the start",
}
_IN_THE_LIQUID = ("sugar_g", "nitrogen_g", "soil_kg")


def word_amounts(amounts: Mapping[str, float]) -> str:
    """Amounts per bin in words, those above 0."""
    return ", ".join(_AMOUNT_WORDS.get(name, name + " {:g}").format(value) for name, value in amounts.items() if value)


def _span(span: Range) -> str:
    typical = f"{span.typical:g}"
    return typical if span.low == span.high else f"{typical} ({span.low:g} to {span.high:g})"


def _brew(batch: Batch) -> str:
    lines = [f"{batch.water_l:.1f} L water, warm to the hand and not hot"]
    if batch.sugar_g > 0:
        lines.append(f"{batch.sugar_g:.0f} g sugar")
    if batch.nitrogen_g > 0:
        lines.append(f"{batch.nitrogen_g:.1f} g nitrogen ({batch.nitrogen_g / NITROGEN_IN_UREA:.0f} g urea)")
    split = [
        f"{litres:.1f} L {what}"
        for litres, what in (
            (batch.live_l, "stay live"),
            (batch.killed_l, "are boiled for the killed starter"),
            (batch.carrier_l, "are made without culture"),
        )
        if litres > 0
    ]
    return (
        f"<p><b>One brew for all arms</b>, a tenth to spare: {'; '.join(lines)}; and the culture. Of it "
        f"{', '.join(split)}. "
        "Vented lid, never a sealed bottle.</p>"
    )


def _what_it_adds(recipe: Recipe, starter: Starter) -> str:
    effect = weigh_starter(recipe, starter)
    return (
        f"<p><b>What the liquid of one bin adds besides organisms:</b> {effect.sugar_carbon_g:.0f} g carbon as sugar "
        f"({effect.carbon_pct:+.1f} %), {effect.nitrogen_g:.1f} g nitrogen ({effect.nitrogen_pct:+.1f} %): C:N "
        f"{effect.cn_before:.1f} becomes {effect.cn_after:.1f}; moisture {effect.moisture_before_pct:.1f} becomes "
        f"{effect.moisture_after_pct:.1f} % in a heap as dry as its materials. To bring the heap to C:N 30 would take "
        f"{effect.nitrogen_to_30_g:.0f} g nitrogen ({effect.urea_to_30_g:.0f} g urea) a bin.</p>"
    )


def _pouring(batch: Batch, bins: Sequence[Bin], control: str, letters: Mapping[str, str] | None) -> str:
    rows = ""
    for pour in sorted(batch.pours, key=lambda item: (item.treatment != control, POURING_ORDER.index(item.role))):
        here = ", ".join(bin_.bin for bin_ in bins if bin_.treatment == pour.treatment)
        letter = f"<td>{escape(letters[pour.treatment])}</td>" if letters else ""
        words = word_amounts({name: pour.amounts[name] for name in _IN_THE_LIQUID if name in pour.amounts})
        litres = [f"{litre:.2f}" if "water_l" in pour.amounts else "–" for litre in (pour.liquid_l, pour.plain_water_l)]
        rows += (
            f'<tr><th scope="row">{escape(pour.treatment)}</th>{letter}<td>{litres[0]}</td>'
            f"<td>{litres[1]}</td><td>{escape(words)}</td><td>{escape(here)}</td>"
            f'<td class="small">{escape(pour.prepare)}</td></tr>'
        )
    open_amounts = any("water_l" not in pour.amounts and pour.role != "nothing" for pour in batch.pours)
    said = (
        "<p>– : no amount was declared. Whatever is poured, every bin gets the same litres.</p>" if open_amounts else ""
    )
    head = '<th scope="col">letter</th>' if letters else ""
    return (
        '<h3>Pour in this order</h3><table class="plain"><thead><tr><th scope="col">arm</th>'
        f'{head}<th scope="col">L of brew a bin</th><th scope="col">L of plain water a bin</th>'
        '<th scope="col">in it</th><th scope="col">bins</th><th scope="col">how it is made</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>{said}"
    )


_LOOK = (
    "as filled: every piece can be named",
    "darker, pieces whole",
    "edges soften, some pieces break when rubbed",
    "about half cannot be named any more",
    "dark and crumbly, few pieces can be named",
    "compost: dark, crumbly, only twigs and stones can be named",
)
_SMELL = (
    "ammonia, sour or rotten, strong",
    "the same, weak",
    "of the fresh material",
    "between fresh material and earth",
    "earthy with a trace of the material",
    "earthy like a forest floor",
)


def readers_card() -> str:
    """Anchors for the scores and the rule for "finished"."""
    rows = "".join(
        f'<tr><th scope="row">{score}</th><td>{look}</td><td>{smell}</td></tr>'
        for score, (look, smell) in enumerate(zip(_LOOK, _SMELL, strict=True))
    )
    return (
        "<h2>Reader's card</h2><p>Two readers who do not know the treatments score every bin by itself, "
        "without talking, "
        "and write their initials. Take the material from the middle, after the temperature is read. "
        "Never change a score "
        "after you have seen the other's.</p>"
        '<table class="plain"><thead><tr><th scope="col">score</th><th scope="col">look (appearance_score)</th>'
        f'<th scope="col">smell (odour_score)</th></tr></thead><tbody>{rows}</tbody></table>'
        "<h3>Finished?</h3><p>Yes only if all three hold: three days after turning the core is no more "
        "than 10 °C above the "
        "air; the look scores 4 or 5; the smell scores 4 or 5. A <b>dry or cold bin looks finished</b>: "
        "below 45 % moisture "
        "wet it, wait three days, judge again. Do not smell from close by: fan the air towards you.</p>"
        f"<p>{SQUEEZE}</p>"
    )


def safety_page(cautions: Sequence[Caution]) -> str:
    """Everything that applies to this trial, what its ingredients call for first."""
    items = "".join(
        f"<li><b>{escape(item.heading)}</b>"
        + ("" if item.because == "always" else f' <span class="small">({escape(item.because)})</span>')
        + f": {escape(item.text)}</li>"
        for item in cautions
    )
    return f'<h2>Safety</h2><p>Read this aloud before the first bin is filled.</p><ul class="safety">{items}</ul>'


def arms_page(treatments: Sequence[Treatment], control: str, warnings: Sequence[str]) -> str:
    """The arms as declared, and what differs between them."""
    rows = ""
    for item in treatments:
        amounts = word_amounts(item.amounts)
        mark = " (control)" if item.name == control else ""
        cells = f"<td>{escape(item.role)}</td><td>{escape(amounts)}</td>"
        rows += f'<tr><th scope="row">{escape(item.name + mark)}</th>{cells}</tr>'
    told = "".join(f"<li>{escape(text)}</li>" for text in warnings)
    return (
        '<h3>The arms</h3><table class="plain"><thead><tr><th scope="col">arm</th><th scope="col">role</th>'
        f'<th scope="col">a bin gets</th></tr></thead><tbody>{rows}</tbody></table>'
        + (f"<h3>What differs between them</h3><ul>{told}</ul>" if told else "")
    )
