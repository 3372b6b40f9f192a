"""The liquid: what each arm gets a bin, and the batch for the whole trial, split so that the arms are fair."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from trialkit.errors import DesignError
from trialkit.numerics.mixtures import NITROGEN_IN_UREA
from trialkit.records import Treatment

SPARE = 0.10
LIQUID_ROLES = ("carrier", "killed", "live")
# words of a name -> role, tried in this order: a "killed starter" is killed before it is a starter
_ROLE_WORDS = (
    ("killed", "killed boiled sterile sterilised sterilized autoclaved dead sham cooked"),
    ("live", "live starter culture cultures inoculum inoculant microbes microorganisms tea yeast bokashi activator"),
    ("soil", "soil compost topsoil"),
    ("carrier", "sugar molasses carrier syrup"),
    ("nothing", "nothing untreated none dry"),
)
_PLAIN_WATER = frozenset(["water", "only", "plain", "tap", "just", "rain", "same", "with"])


@dataclass(frozen=True)
class Starter:
    """The liquid as it goes into one bin: water, sugar, urea; and the soil of a soil arm."""

    water_l: float
    sugar_g: float = 0.0
    urea_g: float = 0.0
    soil_kg: float = 0.0
    turns_per_week: float | None = None

    def __post_init__(self) -> None:
        for name in ("water_l", "sugar_g", "urea_g", "soil_kg", "turns_per_week"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < 100_000:
                raise DesignError(f"the starter: found {name} {value:g}; expected a number from 0 up to 100 000.")

    @property
    def nitrogen_g(self) -> float:
        """Nitrogen that the urea brings, grams."""
        return self.urea_g * NITROGEN_IN_UREA


@dataclass(frozen=True)
class Pour:
    """What one arm gets: its bins, the amounts per bin, and the litres of starter liquid and of plain water a bin.

    ``prepare`` is the sentence on how its liquid is made.
    """

    treatment: str
    role: str
    bins: int
    amounts: Mapping[str, float]
    liquid_l: float
    plain_water_l: float
    prepare: str


@dataclass(frozen=True)
class Batch:
    """One brew for all arms that get liquid, with a tenth to spare; litres and grams in all."""

    water_l: float
    sugar_g: float
    nitrogen_g: float
    killed_l: float
    live_l: float
    carrier_l: float
    pours: tuple[Pour, ...]


def role_by_name(name: str) -> str:
    """The role that a treatment's name suggests: water, killed, live, carrier, soil, nothing, or other."""
    words = set(re.findall(r"[a-z]+", name.lower()))
    for role, telling in _ROLE_WORDS:
        if words & set(telling.split()):
            return role
    return "water" if "water" in words and words <= _PLAIN_WATER else "other"


def propose_arms(starter: Starter) -> tuple[Treatment, ...]:
    """The fair arms for a liquid starter: water only, killed, live, and free soil where some is given."""
    names = [("water only", "water"), ("killed starter", "killed"), ("live starter", "live")]
    if starter.soil_kg > 0:
        names.append(("garden soil", "soil"))
    return tuple(with_amounts(Treatment(name, role), starter) for name, role in names)


def with_amounts(treatment: Treatment, starter: Starter) -> Treatment:
    """The treatment with the amounts its role implies; amounts already declared stand."""
    amounts: dict[str, float] = {}
    if treatment.role != "nothing":
        amounts["water_l"] = starter.water_l
    sugar = nitrogen = treatment.role in LIQUID_ROLES
    if "nitrogen" in treatment.factors:  # a factor of its own, not part of the carrier
        nitrogen = treatment.factors["nitrogen"] == "with"
    if sugar:
        amounts["sugar_g"] = starter.sugar_g
    if nitrogen:
        amounts["nitrogen_g"] = round(starter.nitrogen_g, 3)
    if treatment.role == "soil":
        amounts["soil_kg"] = starter.soil_kg
    if starter.turns_per_week is not None:
        amounts["turns_per_week"] = starter.turns_per_week
    return replace(treatment, amounts={**amounts, **treatment.amounts})


def split_batch(treatments: Sequence[Treatment], bins: Mapping[str, int]) -> Batch:
    """Scale the brew to the trial. ``bins`` maps a treatment to its number of bins.

    Every arm that gets liquid takes it from one brew (without the nitrogen where that is a factor of its own); arms
    whose declared water is more than the brew's share are topped up with plain water. Raises DesignError where arms
    that share the brew declare different sugar or nitrogen.
    """
    sharing = [item for item in treatments if item.role in LIQUID_ROLES]
    apart = any("nitrogen" in item.factors for item in treatments)
    recipes = {
        (item.amounts.get("sugar_g", 0.0), 0.0 if apart else item.amounts.get("nitrogen_g", 0.0)) for item in sharing
    }
    if len(recipes) > 1:
        words = "; ".join(
            f"{item.name}: {item.amounts.get('sugar_g', 0.0):g} g sugar, {item.amounts.get('nitrogen_g', 0.0):g} g "
            "nitrogen"
            for item in sharing
        )
        raise DesignError(
            f"arms that share one brew differ ({words}); expected the same sugar and nitrogen a bin in every carrier, "
            "killed and live arm. Give them the same amounts, or another role."
        )
    liquid = min((item.amounts.get("water_l", 0.0) for item in sharing), default=0.0)
    sugar, nitrogen = recipes.pop() if recipes else (0.0, 0.0)
    litres = dict.fromkeys(LIQUID_ROLES, 0.0)
    pours = []
    for item in treatments:
        water = item.amounts.get("water_l", 0.0)
        share = liquid if item.role in LIQUID_ROLES else 0.0
        count = bins.get(item.name, 0)
        if item.role in LIQUID_ROLES:
            litres[item.role] += share * count
        prepare = _PREPARE[item.role]
        if item.factors.get("culture") == "with" and item.role == "other":
            prepare = "The cells of the live brew, strained off and rinsed, in plain water."
        if item.factors.get("nitrogen") == "with":
            prepare += " The nitrogen is weighed into each bin's share."
        pours.append(Pour(item.name, item.role, count, item.amounts, share, water - share, prepare))
    portions = sum(pour.bins for pour in pours if pour.role in LIQUID_ROLES) * (1 + SPARE)
    return Batch(
        water_l=liquid * portions,
        sugar_g=sugar * portions,
        nitrogen_g=nitrogen * portions,
        killed_l=litres["killed"] * (1 + SPARE),
        live_l=litres["live"] * (1 + SPARE),
        carrier_l=litres["carrier"] * (1 + SPARE),
        pours=tuple(pours),
    )


_PREPARE = {
    "nothing": "Nothing is poured; the bin is opened, mixed and closed like the others.",
    "water": "Plain water, at the temperature of the other liquids.",
    "carrier": "From the same sugar, nitrogen and water as the brew, without culture, made fresh on the day.",
    "killed": "Taken from the finished brew, boiled for 20 minutes under a lid, cooled to the temperature of the "
    "others, and topped up with boiled water to the old level.",
    "live": "Taken from the finished brew as it is. Warm the water for it to hand heat (30 to 38 °C); hot water kills "
    "the culture.",
    "soil": "The soil is mixed into plain water of the same litres and poured, stirred, with the others.",
    "other": "As the trial says.",
}
