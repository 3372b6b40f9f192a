"""Warns, with sizes, where arms that are to be compared differ in more than the treatment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trialkit.numerics.confounders import Confounder, size_confounders, temperature_ratio
from trialkit.planning.recipe import Recipe
from trialkit.records import Treatment


def warn_unfair(treatments: Sequence[Treatment], control: str, recipe: Recipe | None = None) -> tuple[str, ...]:
    """One sentence for everything in which an arm differs from the control, or live from killed; sizes where known.

    Without a recipe the sizes that need the heap are left out and one sentence says so.
    """
    by_name = {item.name: item for item in treatments}
    pairs = [(item, by_name[control]) for item in treatments if item.name != control]
    killed = [item for item in treatments if item.role == "killed"]
    pairs += [(item, sham) for sham in killed for item in treatments if item.role == "live" and sham.name != control]
    sentences: list[str] = []
    for arm, other in (pair for pair in pairs if _are_neighbours(*pair)):
        found = compare_arms(arm, other, recipe)
        told = [_say(item, arm, other, recipe) for item in found if item.name not in _OF_THE_CARRIER]
        carrier = [item for item in found if item.name in _OF_THE_CARRIER]
        if carrier:
            told.append(_say_carrier(carrier, arm, bool(killed)))
        sentences += [f"{arm.name} beside {other.name}: {text}" for text in told]
    sentences += _missing_arms(treatments, control)
    if recipe is None and any(item.amounts for item in treatments):
        sentences.append(
            "Without a recipe (--feed) the sizes of differences between arms in % of the heap are unknown."
        )
    return tuple(sentences)


def compare_arms(
    arm: Treatment, other: Treatment, recipe: Recipe | None = None, *, wetted: bool = True
) -> tuple[Confounder, ...]:
    """The confounders between two arms, sized against the heap of the recipe, wetted to its target or as it comes."""
    if recipe is None:
        return size_confounders(arm.amounts, other.amounts)
    heap = recipe.mixture
    mass = recipe.filled_mass_kg if wetted else heap.wet_mass_kg
    return size_confounders(
        arm.amounts,
        other.amounts,
        wet_mass_kg=mass,
        moisture_pct=100 * (1 - heap.dry_mass_kg / mass),
        carbon_g=1000 * heap.carbon_kg,
        nitrogen_g=1000 * heap.nitrogen_kg,
    )


def _are_neighbours(arm: Treatment, other: Treatment) -> bool:
    """In a factorial only arms that differ in one factor are set beside each other; the rest follows from these."""
    if arm.factors.keys() != other.factors.keys() or not arm.factors:
        return True
    return sum(arm.factors[name] != other.factors[name] for name in arm.factors) == 1


_OF_THE_CARRIER = ("sugar", "nitrogen")
_FACTOR_OF = {"carrier": "sugar", "nitrogen": "nitrogen"}


def _brought(arm: Treatment) -> set[str | None]:
    """What comes with the carrier where nitrogen is no factor of its own."""
    return {"nitrogen"} if "carrier" in arm.factors and "nitrogen" not in arm.factors else set()


def word_place() -> str:
    """What a warmer place can do, for the filling protocol."""
    low, high = temperature_ratio(3.0) ** 0.5, temperature_ratio(3.0)
    return (
        f"A spot 3 °C warmer could alone make a bin {low:.2f} to {high:.2f} times as fast (rate doubling every 10 °C, "
        "or half of that where oxygen limits): keep to the map."
    )


def _say(item: Confounder, arm: Treatment, other: Treatment, recipe: Recipe | None) -> str:
    more = "more" if item.difference > 0 else "less"
    amount = f"{abs(item.difference):.3g} {item.unit} {more} {item.name} a bin"
    if item.name == "turning":
        return f"turned {abs(item.difference):g} times a week {more}. Turn every bin on the same days."
    if item.name == "start mass":
        share = "" if item.share_pct is None else f" ({item.share_pct:+.0f} %)"
        return f"{abs(item.difference):.3g} kg {more} at the start{share}. Weigh the bins to within 2 %."
    if item.name == "soil":
        share = "" if item.share_pct is None else f" ({item.share_pct:+.1f} % of the mass)"
        return (
            f"{amount}{share}. Soil brings ash, water and nitrogen: losses reckoned from ash need the ash of the "
            "assembled bin."
        )
    size = ""
    if item.rate_ratio is not None:
        (as_it_comes,) = [x for x in compare_arms(arm, other, recipe, wetted=False) if x.name == "water"]
        size = (
            f"; moisture {item.arm_state:.1f} against {item.other_state:.1f} %, which alone could multiply the rate by "
            f"{item.rate_ratio:.2f}, and by {as_it_comes.rate_ratio:.2f} where the heap is no wetter than "
            "its materials "
            f"({as_it_comes.arm_state:.1f} against {as_it_comes.other_state:.1f} %)"
        )
    return f"{amount}{size}. Give every arm the same litres."


def _say_carrier(items: Sequence[Confounder], arm: Treatment, sham_is_there: bool) -> str:
    amounts = []
    for item in items:
        more = "more" if item.difference > 0 else "less"
        whole = "carbon" if item.name == "sugar" else "nitrogen"
        share = "" if item.share_pct is None else f" ({item.share_pct:+.1f} % of the heap's {whole})"
        amounts.append(f"{abs(item.difference):.3g} {item.unit} {more} {item.name} a bin{share}")
    text = " and ".join(amounts)
    if items[0].arm_state is not None and items[0].other_state is not None:
        text += f"; C:N {items[0].arm_state:.1f} against {items[0].other_state:.1f}"
    if {item.name for item in items} <= {_FACTOR_OF.get(factor) for factor in arm.factors} | _brought(arm):
        return f"{text}. By design: the factorial tells its factors apart."
    if arm.role == "killed":
        return f"{text}. That is the carrier's share of any difference, without live organisms."
    if arm.role == "live" and sham_is_there:
        return f"{text}. The killed arm tells this from what the organisms do."
    return f"{text}. Add a killed arm with the same liquid, or give the other arm the same."


def _missing_arms(treatments: Sequence[Treatment], control: str) -> Iterable[str]:
    roles = {item.role for item in treatments}
    by_name = {item.name: item for item in treatments}
    if "live" in roles and "killed" not in roles:
        yield (
            "No killed starter among the arms: a difference cannot be told apart from what the liquid itself brings. "
            "Three arms (water only, killed, live) answer both."
        )
    if by_name[control].role == "nothing":
        yield (
            f"The control {control} gets no water: it mixes the effects of water, of opening and of the starter. Water "
            "only is the fairer control."
        )
