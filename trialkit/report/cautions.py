"""Cautions that the records call for; they defer to local rules and licensed practice and certify nothing."""

from __future__ import annotations

from trialkit.records import Trial
from trialkit.report.facts import amount, has_role, largest_volume, warmest
from trialkit.report.rounding import plain

HANDS = (
    "Wash hands after handling compost, before touching the face, food or a cigarette. "
    "Compost can carry Legionella longbeachae; avoid dust and splash, and tip it gently."
)
DUST = (
    "Turn bins damp and outdoors, standing upwind. People with weak immunity, a transplant, severe asthma or cystic "
    "fibrosis should ask a doctor first and leave the turning to others."
)
LOCAL = (
    "Local rules, school policy and licensed practice come first. "
    "This report is not a permit, a laboratory certificate, or medical or legal advice."
)
BURNS = (
    "Do not put bare hands into a hot core: contact at 60 °C can burn the skin within seconds. "
    "Probes and steam burn too."
)
HOT = (
    "At 70 °C and above, look out for fire: keep the pile damp, no deeper than 6 ft (1.8 m), away from walls, "
    "and check it daily."
)
FIRE = "Above 80 °C a large pile may catch fire when opened. Leave it closed and call the fire service."
LARGE = "A volume above 3 m³ can heat itself to ignition when dry or packed: probe it weekly."
BREW = (
    "Sugar in a home-brewed liquid can let Salmonella and E. coli grow back. Use drinking water, no manure in the "
    "brew, no tasting, no fine spray, and discard old brews."
)
PRESSURE = (
    "Never seal a fermenting sugar liquid: 100 g sugar can give about 28 L of gas. "
    "Use a vented lid, no glass, and eye protection."
)
PESTS = "Sugar draws rats, flies and wasps: cover it, close the lid, and put fine mesh (6 mm) below and around the bin."
KILLING = "Boiling or pressure-cooking a sugary liquid is a task for adults; let it cool before use."
AMMONIA = "Added nitrogen such as urea or an ammonium salt can give off ammonia: follow its label and keep air moving."
HERBICIDE = (
    "Some weed killers survive composting in hay, manure and grass clippings, and stunt seedlings. "
    "Test the compost on beans or peas before garden use."
)
GERMS = (
    "Manure and food scraps can carry E. coli, Salmonella and parasites, and a small bin rarely gets hot enough "
    "everywhere: no pet or human waste, and none of this compost on food that is eaten raw."
)
SCRAPS = (
    "Food scraps, like sugar, draw rats, flies and wasps: no meat, dairy or oil, a closed lid, and fine mesh (6 mm) "
    "below and around."
)
PUPILS = "With pupils, an adult is there throughout, nobody eats, allergies are listed, and photographs need consent."
SANITATION = (
    "Criteria for sanitation, such as 40 CFR 503 Appendix B, were written for sewage sludge and for all of the "
    "material; one core probe in a bin with cool edges cannot show pathogen reduction. Not a safety certificate."
)


def caution_lines(trial: Trial) -> tuple[str, ...]:
    """The cautions this trial calls for, those of its own readings and recipe first, the standing ones last."""
    lines: list[str] = []
    hot = warmest(trial)
    if hot is not None:
        degrees, name = hot
        if degrees >= 80:
            lines.append(f"Bin {name} was read at {plain(degrees)} °C. {FIRE}")
        if degrees >= 70:
            lines.append(HOT if degrees >= 80 else f"Bin {name} was read at {plain(degrees)} °C. {HOT}")
        if degrees >= 65:
            lines.append(BURNS if degrees >= 70 else f"Bin {name} was read at {plain(degrees)} °C. {BURNS}")
        if degrees >= 55:
            lines.append(SANITATION)
    if largest_volume(trial) > 3000:
        lines.append(LARGE)
    amounts = [treatment.amounts for treatment in trial.plan.treatments]
    materials = set(trial.plan.materials)
    if any(amount(one, "manure_kg") > 0 for one in amounts):
        materials.add("manure")
    if any(amount(one, "sugar_g") > 0 for one in amounts):
        lines += [BREW, PRESSURE] if "food" in materials else [BREW, PRESSURE, PESTS]
    if materials & {"manure", "food"}:
        lines.append(GERMS)
    if "food" in materials:
        lines.append(SCRAPS)
    if has_role(trial, "killed"):
        lines.append(KILLING)
    if any(amount(one, name) > 0 for one in amounts for name in ("nitrogen_g", "urea_g")):
        lines.append(AMMONIA)
    measured = trial.readings.columns
    sown = any(name in measured for name in ("germination_pct", "seedlings_pct", "root_length_pct"))
    if sown or materials & {"grass", "hay", "straw", "manure"}:
        lines.append(HERBICIDE)
    if trial.plan.pupils:
        lines.append(PUPILS)
    return (*lines, HANDS, DUST, LOCAL)
