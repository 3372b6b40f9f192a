"""Writes a plan as the text of trial.toml, so that reading it back gives the same plan."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from trialkit.records import Claim, Plan, Treatment

# what a [[treatment]] may hold, per bin
AMOUNTS = ("water_l", "sugar_g", "nitrogen_g", "soil_kg", "turns_per_week", "urea_g", "manure_kg", "char_kg")


def write_trial_file(plan: Plan, heading: Sequence[str] = ()) -> str:
    """The whole file. ``heading`` lines become comments at the top; without a claim an example stands commented."""
    lines = [f"# {line}".rstrip() for line in heading]
    lines += _pairs(
        {
            "title": plan.title or None,
            "question": plan.question or None,
            "start": plan.start,
            "stated_on": plan.stated_on,
            "control": plan.control,
            "comparisons": plan.comparisons,
            "primary": plan.primary,
            "secondary": list(plan.secondary) or None,
            "level": plan.level,
            "materials": list(plan.materials) or None,
            "pupils": plan.pupils or None,
        }
    )
    layout = plan.layout
    lines += ["", "[layout]"]
    lines += _pairs(
        {
            "kind": layout.kind,
            "variances": layout.variances,
            "seed": layout.seed,
            "drawn": layout.drawn or None,
            "redraw_rule": layout.redraw_rule,
            "whole_plot_factor": layout.whole_plot_factor or None,
        }
    )
    for treatment in plan.treatments:
        lines += ["", "[[treatment]]", *_treatment(treatment)]
    for name, table in plan.outcome_settings.items():
        lines += ["", f"[outcome.{_key(name)}]", *_pairs(dict(table))]
    for claim in plan.claims:
        lines += ["", "[[claim]]", *_claim(claim)]
    if not plan.claims:
        lines += ["", *_example(plan)]
    if plan.finish:
        lines += ["", "[finish]", *_pairs(dict(plan.finish))]
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:
    """One value in TOML. Raises TypeError for what a trial file cannot hold."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON escapes are TOML escapes, but for DEL, which TOML wants escaped
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(name)} = {toml_value(item)}" for name, item in value.items()) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"a trial file cannot hold {value!r}")


def _key(name: str) -> str:
    plain = name and all(letter.isascii() and (letter.isalnum() or letter in "_-") for letter in name)
    return name if plain else toml_value(name)


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(name)} = {toml_value(value)}" for name, value in table.items() if value is not None]


def _treatment(treatment: Treatment) -> list[str]:
    table: dict[str, Any] = {"name": treatment.name, "role": treatment.role, "factors": dict(treatment.factors) or None}
    amounts = {name: treatment.amounts[name] for name in treatment.amounts if name in AMOUNTS}
    lines = _pairs(table | amounts)
    if not amounts:
        lines.append(
            "# water_l = 1.0        # what one bin gets: water_l, sugar_g, nitrogen_g, soil_kg, turns_per_week"
        )
    return lines


def _claim(claim: Claim) -> list[str]:
    return _pairs(
        {
            "text": claim.text,
            "treatment": claim.treatment,
            "against": claim.against,
            "outcome": claim.outcome,
            claim.size: claim.amount,
            "family": claim.family,
            "equivalence": None if claim.equivalence is None else list(claim.equivalence),
        }
    )


def _example(plan: Plan) -> list[str]:
    names = [treatment.name for treatment in plan.treatments if treatment.name != plan.control]
    live = [treatment.name for treatment in plan.treatments if treatment.role == "live"]
    claim = Claim(
        text="at least one and a half times as fast",
        treatment=(live or names or ["?"])[0],
        against=plan.control,
        outcome="decay_rate",
        size="times_as_fast",
        amount=1.5,
        equivalence=(0.8, 1.25),
    )
    return [
        "# Nothing is claimed yet. A claim counts only when it is written here before the first reading:",
        "# [[claim]]",
        *(f"# {line}" for line in _claim(claim)),
    ]
