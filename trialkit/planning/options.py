"""From flags, answers and a plan that is already in the folder to one request; what disagrees is an error."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, Literal, cast

from trialkit.errors import DesignError
from trialkit.planning.factorials import WITHOUT_ANY, factorial_treatments
from trialkit.planning.feedstocks import find_feedstock, own_feedstock
from trialkit.planning.layout_request import Kind, LayoutRequest
from trialkit.planning.recipe import TARGET_MOISTURE, Portion
from trialkit.planning.request import PlanRequest
from trialkit.planning.starters import Starter, role_by_name
from trialkit.records import Claim, Layout, Plan, Size, Treatment

_STARTER = ("water_l", "sugar_g", "urea_g", "soil_kg", "turns_per_week")
_SIZES: tuple[Size, ...] = ("times_as_fast", "at_least", "at_least_ratio", "within_days")
_PORTION = re.compile(r"\s*([^=,]+?)\s*=\s*([\d.]+)\s*kg\s*((?:,[^,]*)*)", re.IGNORECASE)


def stated_parts(stated: Plan | None) -> frozenset[str]:
    """Which of treatments, control and layout the folder already says."""
    if stated is None:
        return frozenset()
    parts = {"control"} if stated.control else set()
    parts |= {"treatments"} if stated.treatments else set()
    parts |= {"layout"} if stated.layout != Layout() else set()
    return frozenset(parts)


def build_request(
    given: Mapping[str, Any], today: date, *, stated: Plan | None = None, seed: int | None = None
) -> tuple[PlanRequest, tuple[str, ...]]:
    """The request, and sentences on what was taken from where.

    ``given`` holds flags by their names (``given_options``), ``stated`` the plan already in the folder, ``seed`` the
    one to use where none is named. Raises DesignError with every conflict and every flag that cannot be read.
    """
    notes: list[str] = []
    given, stated = _uncross(given, stated)
    treatments, control = _arms(given, stated, notes)
    layout = _layout(given, stated, treatments, control, seed, notes)
    base = stated or Plan(control)
    conflicts = _conflicts(given, stated)
    if conflicts:
        raise DesignError("\n".join(conflicts))
    primary = given.get("primary") or base.primary
    claims = base.claims or _claim(given, treatments, control, primary)
    request = PlanRequest(
        treatments=treatments,
        control=control,
        layout=layout,
        today=today,
        title=given.get("title") or base.title,
        question=given.get("question") or base.question,
        start=_date(given["start"]) if "start" in given else base.start,
        days=_days(given["days"]) if "days" in given else (),
        stated_on=base.stated_on,
        comparisons=base.comparisons,
        primary=primary,
        secondary=tuple(_names(given.get("secondary", ""))) or base.secondary,
        level=base.level,
        claims=claims,
        outcome_settings=base.outcome_settings,
        finish=base.finish,
        measured=tuple(_names(given.get("measure", ""))),
        portions=tuple(read_portion(text) for text in given.get("feed", ())),
        target_moisture_pct=given.get("target_moisture", TARGET_MOISTURE),
        starter=_starter(given),
        capacity_l=given.get("capacity_l"),
        blinded=bool(given.get("blinded")),
        paper=cast(Literal["A4", "Letter"], given.get("paper", "A4")),
        pupils=bool(given.get("pupils")) or base.pupils,
        materials=base.materials,
    )
    return request, tuple(notes)


def _uncross(given: Mapping[str, Any], stated: Plan | None) -> tuple[Mapping[str, Any], Plan | None]:
    """A stated split plot taken apart again: treatments without the whole-plot level, and the levels as a flag."""
    if stated is None or stated.layout.kind != "split plot":
        return given, stated
    factor = stated.layout.whole_plot_factor
    levels = list(dict.fromkeys(item.factors.get(factor, "") for item in stated.treatments))
    bases: dict[str, dict[str, Treatment]] = {level: {} for level in levels}
    for item in stated.treatments:
        level = item.factors.get(factor, "")
        name = item.name.removesuffix(f", {level}")
        rest = {key: value for key, value in item.factors.items() if key not in (factor, "treatment")}
        bases[level][name] = replace(item, name=name, factors=rest)
    if "" in bases or len({tuple(named) for named in bases.values()}) != 1:
        raise DesignError(
            f'the split plot in the folder does not hold every treatment at every level of "{factor}"; '
            "expected names as "
            '"starter, weekly" and "starter, never". Name the arms with --treatments and --whole-plots in '
            "a new folder."
        )
    arms = tuple(bases[levels[0]].values())
    control = (stated.control or "").removesuffix(f", {levels[0]}")
    plots = f"{factor}: {', '.join(levels)}"
    if "whole_plots" in given and _whole_plots(given["whole_plots"]) != (factor, tuple(levels)):
        raise DesignError(
            f'--whole-plots says "{given["whole_plots"]}" and the folder says "{plots}"; expected one '
            "answer. Leave the "
            "flag out, or change the file."
        )
    return {**given, "whole_plots": plots}, replace(stated, treatments=arms, control=control)


def read_portion(text: str) -> Portion:
    """ "leaves=20kg", or with a material's own figures "oak=20kg, nitrogen=0.8, cn=60, moisture=30"."""
    found = _PORTION.fullmatch(text)
    if found is None:
        raise DesignError(f'found --feed "{text}"; expected a material and its mass a bin, say "leaves=20kg".')
    name, mass, rest = found.groups()
    figures: dict[str, float] = {}
    for part in _names(rest):
        key, _, value = (piece.strip() for piece in part.partition("="))
        try:
            figures[key] = float(value)
        except ValueError:
            figures[key] = float("nan")
    if not figures:
        return Portion(find_feedstock(name), _number(mass, text))
    if set(figures) != {"nitrogen", "cn", "moisture"} or any(value != value for value in figures.values()):
        raise DesignError(
            f'found --feed "{text}"; expected all of nitrogen (% of dry mass), cn and moisture (% of wet mass) as '
            f'numbers, say "{name}={mass}kg, nitrogen=0.9, cn=54, moisture=38".'
        )
    return Portion(own_feedstock(name, figures["nitrogen"], figures["cn"], figures["moisture"]), _number(mass, text))


def _number(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise DesignError(f'found "{text}" in --feed "{where}"; expected a number of kilograms.') from None


def _arms(given: Mapping[str, Any], stated: Plan | None, notes: list[str]) -> tuple[tuple[Treatment, ...], str]:
    arms: tuple[Treatment, ...] = ()
    if "factors" in given:
        if "treatments" in given:
            raise DesignError("found --treatments and --factors; expected one of them.")
        arms = factorial_treatments(_names(given["factors"]))
    elif "treatments" in given:
        arms = tuple(Treatment(name, role_by_name(name)) for name in _names(given["treatments"]))
    if stated is not None and stated.treatments:
        if arms and {item.name for item in arms} != {item.name for item in stated.treatments}:
            raise DesignError(
                f"the folder states the treatments {', '.join(item.name for item in stated.treatments)}; "
                "found other ones "
                f"among the flags ({', '.join(item.name for item in arms)}). Leave the flag out, or change the file."
            )
        arms = tuple(
            item if item.role != "other" else replace(item, role=role_by_name(item.name)) for item in stated.treatments
        )
    if not arms:
        raise DesignError(
            'no treatments are named; expected --treatments "water only,killed starter,starter", or a trial.toml with '
            "[[treatment]] tables in the folder."
        )
    if "factors" not in given:
        roles = "; ".join(f"{item.name} = {item.role}" for item in arms)
        notes.append(f"Roles: {roles}. Change them in trial.toml and trial.xlsx.")
    control = given.get("control") or (stated.control if stated else None)
    if control is None and "factors" in given:
        control = WITHOUT_ANY
        notes.append(f'No control was named: "{control}".')
    if control is None:
        names = ", ".join(item.name for item in arms)
        raise DesignError(f"no control is named; expected --control with one of {names}.")
    return arms, control


def _layout(
    given: Mapping[str, Any],
    stated: Plan | None,
    treatments: Sequence[Treatment],
    control: str,
    seed: int | None,
    notes: list[str],
) -> LayoutRequest:
    held = stated.layout if stated and stated.layout != Layout() else None
    kind = given.get("layout") or (held.kind if held else None)
    if kind is None:
        raise DesignError(
            "no layout is named; expected --layout blocks --blocks 4, or completely random with --bins, latin square, "
            "split plot."
        )
    factor, levels = _whole_plots(given.get("whole_plots"))
    lot = tuple(_names(given.get("lot", "")))
    chosen = given.get("seed", held.seed if held else None)
    if chosen is None and not lot:
        chosen = seed
        notes.append(f"No seed was given: {seed}.")
    replication: Any = given.get("control_bins", "equal")
    if isinstance(replication, str) and replication.isdecimal():
        replication = int(replication)
    rule = given.get("redraw_rule")
    if rule is None and held and held.redraw_rule != "none":
        rule = held.redraw_rule
    return LayoutRequest(
        kind=cast(Kind, kind),
        treatments=tuple(item.name for item in treatments),
        control=control,
        bins=given.get("bins"),
        blocks=given.get("blocks"),
        bins_per_block=given.get("bins_per_block"),
        control_replication=replication,
        whole_plot_factor=factor,
        whole_plot_levels=levels,
        seed=None if lot else chosen,
        lot=lot,
        redraw_rule=rule,
        variances=given.get("variances") or (held.variances if held else None),
    )


def _whole_plots(text: str | None) -> tuple[str, tuple[str, ...]]:
    if text is None:
        return "", ()
    factor, colon, levels = text.partition(":")
    if not colon:
        raise DesignError(
            f'found --whole-plots "{text}"; expected a factor, a colon and levels: "turning: weekly, never".'
        )
    return factor.strip(), tuple(_names(levels))


def _conflicts(given: Mapping[str, Any], stated: Plan | None) -> list[str]:
    """Flags that say something else than the file in the folder."""
    if stated is None:
        return []
    held: dict[str, Any] = {
        "control": stated.control,
        "title": stated.title or None,
        "question": stated.question or None,
        "start": stated.start.isoformat() if stated.start else None,
        "primary": stated.primary,
        "secondary": ", ".join(stated.secondary) or None,
    }
    if stated.layout != Layout():
        held |= {
            "layout": stated.layout.kind,
            "seed": stated.layout.seed,
            "variances": stated.layout.variances,
            "redraw_rule": stated.layout.redraw_rule if stated.layout.redraw_rule != "none" else None,
        }
    reasons = []
    for name, value in held.items():
        if value is None or name not in given:
            continue
        same = _names(given[name]) == _names(value) if name == "secondary" else given[name] == value
        if not same:
            flag = f"--{name.replace('_', '-')}"
            reasons.append(
                f'{flag} says "{given[name]}" and the folder says "{value}"; expected one answer. Leave '
                "the flag out, or "
                "change the file."
            )
    if stated.claims and "claim" in given:
        reasons.append("the folder states a claim and --claim another; expected one. Leave the flag out.")
    return reasons


def _claim(
    given: Mapping[str, Any], treatments: Sequence[Treatment], control: str, primary: str | None
) -> tuple[Claim, ...]:
    sizes = [(size, given[size]) for size in _SIZES if size in given]
    parts = [name for name in ("claim", "claim_treatment", "against", "outcome", "margin") if name in given]
    if not sizes and not parts:
        return ()
    if not sizes:
        raise DesignError(
            "the claim has no size; expected one of --times-as-fast, --at-least, --at-least-ratio, --within-days."
        )
    treatment = given.get("claim_treatment")
    if treatment is None:
        others = [item for item in treatments if item.name != control]
        live = [item for item in others if item.role == "live"] or others
        if len(live) != 1:
            names = ", ".join(item.name for item in others)
            raise DesignError(f"the claim names no treatment; expected --claim-treatment with one of {names}.")
        treatment = live[0].name
    size, amount = sizes[0]
    against = None if size == "within_days" else given.get("against", control)
    outcome = given.get("outcome") or primary or ("days_to_finish" if size == "within_days" else "decay_rate")
    words = {"times_as_fast": f"{amount:g} times as fast", "within_days": f"within {amount:g} days"}
    text = given.get("claim") or f"{treatment}: {words.get(size, f'at least {amount:g}')}"
    margin = tuple(given["margin"]) if "margin" in given else None
    return (Claim(text, treatment, against, outcome, size, float(amount), "all", cast(Any, margin)),)


def _starter(given: Mapping[str, Any]) -> Starter | None:
    amounts = {name: given[name] for name in _STARTER if name in given}
    if not amounts:
        return None
    if "water_l" not in amounts and set(amounts) != {"turns_per_week"}:
        raise DesignError("the starter has no water; expected --water-l, the litres that every arm gets.")
    return Starter(**{"water_l": 0.0, **amounts})


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise DesignError(f'found --start "{text}"; expected a date as 2026-10-03.') from None


def _days(text: str) -> tuple[int, ...]:
    days = []
    for part in _names(text):
        try:
            value = float(part)
            if value != int(value):
                raise ValueError
        except (ValueError, OverflowError):
            raise DesignError(f'found "{part}" among --days; expected whole numbers with commas, say 0,7,14.') from None
        days.append(int(value))
    if not days:
        raise DesignError("found no day after --days; expected whole numbers with commas, say 0,7,14.")
    return tuple(days)
