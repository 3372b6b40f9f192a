"""The cautions that a trial's ingredients and setting call for. Local codes and school policy come first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution: a short heading and what to do. ``because`` names what called for it ("always" for all trials)."""

    key: str
    heading: str
    text: str
    because: str


_TEXTS = {
    "burns": (
        "Heat",
        "The core of a working bin can reach 55 to 70 °C, hot enough to scald within seconds. No bare hands in a hot "
        "core; stand back from steam when opening; probes get hot too.",
    ),
    "dust": (
        "Dust and spores",
        "Handle compost damp and outdoors, upwind. Whoever has a weak immune system, a transplant, severe asthma or "
        "cystic fibrosis asks a doctor first and does not turn.",
    ),
    "hands": (
        "Hands",
        "Wash hands before touching face, food or a cigarette: compost can carry Legionella. Gloves and boots; cover "
        "cuts; keep tetanus vaccination current. Tip and trowel gently.",
    ),
    "gas in bins": (
        "Closed spaces",
        "Working compost uses up oxygen and gives off carbon dioxide and ammonia. Never put your head into a bin, air "
        "sheds and classrooms, and mix in neither bleach nor acid.",
    ),
    "lifting": (
        "Lifting",
        "Wet compost weighs 0.5 to 0.9 kg a litre: 20 L can weigh 18 kg. Lift in pairs; fill buckets by half.",
    ),
    "plants": (
        "What stays out",
        "No oleander or yew, no black walnut leaves, no diseased plants and no invasive weeds in seed.",
    ),
    "law": (
        "Rules",
        "Permits, waste rules and school policy differ from place to place. This sheet is no permit, no laboratory "
        "certificate and no medical or legal advice.",
    ),
    "pathogens": (
        "Germs in food scraps and manure",
        "They may carry E. coli, Salmonella or parasites, and a small bin rarely gets hot enough everywhere. No pet or "
        "human waste. Do not use the product on food eaten raw.",
    ),
    "pests": (
        "Rats and wasps",
        "Food scraps and sugar attract them. No meat, dairy or oil; cover every addition; mesh of 6 mm or finer below "
        "and around; a tight lid on the bin.",
    ),
    "brew": (
        "Home-brewed liquid",
        "Sugar can let dangerous germs multiply. Use drinking water, no manure in the brew; never taste it, never "
        "spray it as a mist; throw old brews away.",
    ),
    "pressure": (
        "Never seal the bottle",
        "Sugar liquid that ferments makes gas ({gas}) and a closed bottle can burst. Use a vented lid or a loose cap, "
        "no glass, and eye protection when opening.",
    ),
    "boiling": (
        "Boiling the killed starter",
        "Boiling or pressure-cooking a sugary liquid is work for an adult. Let it cool before it is poured.",
    ),
    "herbicides": (
        "Herbicide in grass, hay, straw, manure",
        "Some lawn and hay herbicides survive composting and harm beans, peas and tomatoes. Ask what was sprayed; sow "
        "beans in the finished compost first. Residues also spoil germination readings.",
    ),
    "ammonia": (
        "Urea and ammonium",
        "They release ammonia. Follow the label, dissolve outdoors, do not breathe over the bucket.",
    ),
    "fire": (
        "Large heaps",
        "Above about 3 m³ a dry or packed heap can heat itself until it burns. Keep it below 1.8 m high, probe every "
        "week, act at 70 °C; above 80 °C do not open it, call the fire service. Keep bins away from walls.",
    ),
    "pupils": (
        "Pupils",
        "An adult is there throughout; no eating; an allergy list at hand; consent for photographs and data.",
    ),
}
_ALWAYS = ("burns", "dust", "hands", "gas in bins", "lifting", "plants", "law")


def call_cautions(
    kinds: Iterable[str],
    *,
    sugar_g: float = 0.0,
    gas_l: float = 0.0,
    nitrogen_g: float = 0.0,
    killed: bool = False,
    volume_l: float | None = None,
    pupils: bool = False,
) -> tuple[Caution, ...]:
    """Every caution that applies, those called for by something first.

    ``kinds`` are the kinds of the feedstocks; ``sugar_g`` and ``gas_l`` are for the whole brew; ``volume_l`` is that of
    one bin.
    """
    kinds = set(kinds)
    called: dict[str, str] = {}
    if sugar_g > 0:
        called |= dict.fromkeys(("pressure", "brew", "pests"), "sugar in the starter")
    if killed:
        called["boiling"] = "a killed starter"
    if nitrogen_g > 0:
        called["ammonia"] = "nitrogen in the starter"
    if kinds & {"food", "manure"}:
        called["pathogens"] = "food scraps or manure in the bins"
        called.setdefault("pests", "food scraps or manure in the bins")
    if kinds & {"grass", "hay", "straw", "manure"}:
        called["herbicides"] = "grass, hay, straw or manure in the bins"
    if volume_l is not None and volume_l > 3000:
        called["fire"] = "more than 3 m³ in one bin"
    if pupils:
        called["pupils"] = "a class"
    called |= {key: "always" for key in _ALWAYS if key not in called}
    gas = f"about {gas_l:.0f} L of carbon dioxide from this brew" if gas_l >= 1 else "carbon dioxide"
    return tuple(
        Caution(key, _TEXTS[key][0], _TEXTS[key][1].replace("{gas}", gas), because) for key, because in called.items()
    )
