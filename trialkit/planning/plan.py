"""From a request to a planned trial: layout drawn, recipe reckoned, every file's text made; nothing "
"touches the disk."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from trialkit.numerics.mixtures import fermentation_gas
from trialkit.planning.calendar import write_calendar
from trialkit.planning.cautions import Caution, call_cautions
from trialkit.planning.fairness import warn_unfair
from trialkit.planning.labels import NO_CODES, can_draw_codes
from trialkit.planning.layout_map import draw_map
from trialkit.planning.layout_request import arms_of, crossed
from trialkit.planning.layouts import DrawnLayout, draw_layout, shuffled
from trialkit.planning.pages import recipe_page
from trialkit.planning.recipe import Recipe, make_recipe
from trialkit.planning.registration import write_registration
from trialkit.planning.request import PlanRequest, complete_request
from trialkit.planning.sheets import bind, draw_sheets
from trialkit.planning.starters import Batch, split_batch, with_amounts
from trialkit.planning.tables import KEY_FILE, write_bins, write_key, write_readings
from trialkit.planning.trial_file import write_trial_file
from trialkit.records import MATERIALS, Bin, Plan, Treatment

# letters and digits that nobody takes for one another
_CODE_LETTERS = "ABCDEFGHKMNPRTUVWXY"


@dataclass(frozen=True, eq=False)
class PlannedTrial:
    """A trial ready to be written. ``bins`` carry the true treatments, also in a blinded trial.

    ``letters`` maps treatments to letters where the trial is blinded, else None. ``warnings`` are the unfair
    differences between arms, ``notes`` everything else to be said, one sentence each. ``files`` maps names inside the
    folder to their bytes.
    """

    request: PlanRequest
    plan: Plan
    drawn: DrawnLayout
    bins: tuple[Bin, ...]
    days: tuple[int, ...]
    columns: tuple[str, ...]
    recipe: Recipe | None
    batch: Batch
    cautions: tuple[Caution, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    letters: Mapping[str, str] | None
    files: Mapping[str, bytes]


def plan_trial(request: PlanRequest) -> PlannedTrial:
    """Draw, reckon and write down a trial. The same request gives the same bytes.

    Raises DesignError with every reason why the plan cannot work, and the nearest plan that can.
    """
    request, notes = complete_request(request)
    drawn = draw_layout(request.layout)
    bins = _coded(drawn.bins, request)
    treatments = _arms(request)
    control = _control(request)
    counts = Counter(bin_.treatment for bin_ in bins)
    batch = split_batch(treatments, counts)
    recipe = _recipe(request, treatments, len(bins))
    warnings = warn_unfair(treatments, control, recipe)
    cautions = _cautions(request, batch, treatments)
    plan = Plan(
        control=control,
        title=request.title,
        question=request.question,
        start=request.start,
        stated_on=request.stated_on,
        comparisons=request.comparisons,
        primary=request.primary,
        secondary=request.secondary,
        level=request.level,
        layout=drawn.layout,
        treatments=treatments,
        outcome_settings=request.outcome_settings,
        claims=request.claims,
        finish=request.finish,
        materials=_materials(request),
        pupils=request.pupils,
        stated_before_data=bool(request.claims),
    )
    letters = _letters(request, treatments) if request.blinded else None
    if letters:
        notes = (*notes, f"Blinded: bins.csv holds letters; {KEY_FILE} tells them and belongs to the one who pours.")
    if not can_draw_codes():
        notes = (*notes, NO_CODES)
    planned = PlannedTrial(
        request, plan, drawn, bins, request.days, request.measured, recipe, batch, cautions, warnings,
        (*notes, *drawn.notes), letters, {},
    )  # fmt: skip
    return replace(planned, files=_write_files(planned))


def _arms(request: PlanRequest) -> tuple[Treatment, ...]:
    """The treatments as bins get them, with the amounts their roles imply."""
    arms = request.treatments
    if request.starter is not None:
        arms = tuple(with_amounts(item, request.starter) for item in arms)
    if request.layout.kind != "split plot":
        return arms
    by_name = {item.name: item for item in arms}
    factor = request.layout.whole_plot_factor
    return tuple(
        replace(
            by_name[name],
            name=crossed(name, level),
            factors={**(by_name[name].factors or {"treatment": name}), factor: level},
        )
        for level in request.layout.whole_plot_levels
        for name in request.layout.treatments
    )


def _control(request: PlanRequest) -> str:
    """The control as bins.csv names it: in a split plot the one at the first level of the whole-plot factor."""
    arms = arms_of(request.layout)
    if request.control in arms:
        return request.control
    return crossed(request.control, request.layout.whole_plot_levels[0])


def _recipe(request: PlanRequest, treatments: Sequence[Treatment], bins: int) -> Recipe | None:
    if not request.portions:
        return None
    poured = min(item.amounts.get("water_l", 0.0) for item in treatments)
    return make_recipe(request.portions, bins, target_moisture_pct=request.target_moisture_pct, poured_l=poured)


def _materials(request: PlanRequest) -> tuple[str, ...]:
    kinds = {kind for portion in request.portions for kind in portion.feedstock.kinds} | set(request.materials)
    return tuple(name for name in MATERIALS if name in kinds)


def _cautions(request: PlanRequest, batch: Batch, treatments: Sequence[Treatment]) -> tuple[Caution, ...]:
    return call_cautions(
        _materials(request),
        sugar_g=batch.sugar_g,
        gas_l=fermentation_gas(batch.sugar_g)[1],
        nitrogen_g=batch.nitrogen_g + sum(item.amounts.get("nitrogen_g", 0.0) for item in treatments),
        killed=any(item.role == "killed" for item in treatments),
        volume_l=request.capacity_l,
        pupils=request.pupils,
    )


def _coded(bins: Sequence[Bin], request: PlanRequest) -> tuple[Bin, ...]:
    """The bins with a code each, for readers who must not know the treatment."""
    digits = 2 if len(bins) <= 500 else 3
    codes = [f"{letter}{number}" for letter in _CODE_LETTERS for number in range(10 ** (digits - 1), 10**digits)]
    stream = random.Random(f"{request.layout.seed}|{'|'.join(request.layout.lot)}|codes")
    starts = {} if request.capacity_l is None else {"capacity_l": request.capacity_l}
    return tuple(
        replace(bin_, code=code, starts=starts) for bin_, code in zip(bins, shuffled(codes, stream), strict=False)
    )


def _letters(request: PlanRequest, treatments: Sequence[Treatment]) -> dict[str, str]:
    # a letter that is a treatment's own name too would not say which of the two it means
    own = {item.name.casefold() for item in treatments}
    alphabet = [letter for letter in map(chr, range(ord("A"), ord("Z") + 1)) if letter.casefold() not in own]
    names = alphabet
    if len(treatments) > len(alphabet):
        numbered = (f"T{number}" for number in range(1, 2 * len(treatments) + 1))
        names = [name for name in numbered if name.casefold() not in own]
    taken = names[: len(treatments)]
    stream = random.Random(f"{request.layout.seed}|{'|'.join(request.layout.lot)}|letters")
    return dict(zip((item.name for item in treatments), shuffled(taken, stream), strict=True))


def _write_files(planned: PlannedTrial) -> dict[str, bytes]:
    request, plan, letters = planned.request, planned.plan, planned.letters
    assert request.start is not None
    shown = {bin_.bin: letters[bin_.treatment] if letters else bin_.treatment for bin_ in planned.bins}
    recipe = recipe_page(planned.recipe, request.starter, planned.batch, planned.bins, plan.control or "", letters)
    heading = (
        f"Planned on {request.today.isoformat()}. What stands here before the first reading counts as stated before "
        "the data.",
        "Change the words freely; draw a new layout rather than change [layout] by hand.",
        "A workbook trial.xlsx beside this file says the same. What is added may stand in one of the two; what is",
        "changed must be changed in both.",
    )
    sheets = draw_sheets(
        plan,
        planned.drawn,
        days=planned.days,
        start=request.start,
        columns=planned.columns,
        cautions=planned.cautions,
        warnings=planned.warnings,
        recipe=None if letters else recipe,
        paper=request.paper,
        letters=letters,
        bins=planned.bins,
    )
    texts = {
        "trial.toml": write_trial_file(plan, heading),
        "bins.csv": write_bins(planned.bins, letters),
        "readings.csv": write_readings(planned.bins, planned.days, planned.columns),
        "visits.ics": write_calendar(
            plan.title,
            request.start,
            planned.days,
            bins=len(planned.bins),
            stamp=request.today,
            reminder="Bring the field sheet of the day, probe, scale and pencil.",
        ),
        "layout.svg": draw_map(planned.drawn, shown, title=plan.title),
        "registration.txt": write_registration(
            plan, planned.bins, planned.days, request.today, blinded=letters is not None
        ),
        "sheets/sheets.html": sheets,
        "sheets/recipe.html": bind([("", recipe)], f"{plan.title or 'Compost trial'}: recipe", request.paper),
    }
    if letters:
        texts[KEY_FILE] = write_key(letters)
    return {name: text.encode() for name, text in texts.items()}
