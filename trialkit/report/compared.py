"""What was compared: the arms, what each was given, and how they differ in more than the thing on trial."""

from __future__ import annotations

from typing import Any

from trialkit.records import Analysis
from trialkit.report.answers import outcome_noun
from trialkit.report.facts import AMOUNTS, amount, amounts_apart, amounts_declared, arms, days_read
from trialkit.report.passages import capitalised, counted, listed, named
from trialkit.report.rounding import plain
from trialkit.report.tables import Table, number_cell, table, text_cell

LAYOUTS = {
    "completely random": "Treatments were given to bins anywhere, without blocks.",
    "blocks": "Bins stood in {blocks}; comparisons are made inside blocks.",
    "latin square": "Bins stood in rows and columns, each treatment once in each.",
    "split plot": "One factor was set for whole groups of bins, the other bin by bin.",
}
DRAWN = {"by seed": "The layout was drawn by seed{seed}.", "by lot": "The layout was drawn by lot.",
         "by hand": "Treatments were given out by hand."}  # fmt: skip


def compared_lines(analysis: Analysis) -> tuple[str, ...]:
    """Layout, days and roles of the outcomes."""
    trial, plan = analysis.trial, analysis.trial.plan
    blocks = dict.fromkeys(item.block for item in trial.bins if item.block)
    lines = [LAYOUTS[plan.layout.kind].format(blocks=counted(len(blocks), "block"))]
    if plan.layout.drawn in DRAWN:
        seed = "" if plan.layout.seed is None else f" {plan.layout.seed}"
        lines[0] += " " + DRAWN[plan.layout.drawn].format(seed=seed)
    days = days_read(trial)
    if days is not None:
        lines.append(
            f"{counted(trial.rows_read, 'row')} of readings, day {plain(days[0])} to day {plain(days[1])}: "
            f"{trial.rows_used} used, {len(trial.set_aside)} set aside."
        )
    for role, words in (("primary", "The primary outcome"), ("secondary", "Secondary"), ("exploratory", "Exploratory")):
        names = [outcome_noun(answer) for answer in analysis.answers if answer.role == role]
        if names:
            lines.append(f"{words}: {listed(names)}.")
    return tuple(lines)


def fairness_lines(analysis: Analysis) -> tuple[str, ...]:
    """One sentence an arm that got more or less of something than the control."""
    plan = analysis.trial.plan
    found = {arm.treatment.name: arm.treatment for arm in arms(analysis)}
    control = found.get(plan.control or "")
    if control is None:
        return ()
    alike: dict[tuple[str, ...], list[str]] = {}
    for name, treatment in found.items():
        apart = () if name == control.name else amounts_apart(treatment, control)
        if apart:
            alike.setdefault(apart, []).append(name)
    lines = [
        f"{capitalised(listed(named(name) for name in names))} got {listed(apart)} in each bin than "
        f"{named(control.name)}; a difference may come from that alone."
        for apart, names in alike.items()
    ]
    if not lines and not amounts_declared(analysis.trial) and len(found) > 1:
        lines.append(
            "The files do not say how much water, sugar, nitrogen or soil each treatment got; unequal amounts can make "
            "a difference of their own."
        )
    return tuple(lines)


def arms_table(analysis: Analysis) -> Table:
    """One row a treatment: role, factors, amounts a bin, bins, and bins with a value of the main outcome."""
    found = arms(analysis)
    amounts = amounts_declared(analysis.trial)
    factors = list(dict.fromkeys(name for arm in found for name in arm.treatment.factors))
    control = analysis.trial.plan.control
    roles = any(arm.treatment.role != "other" for arm in found)
    columns = [("treatment", "Treatment", False)]
    if roles:
        columns.append(("role", "Role", False))
    columns += [(name, name.replace("_", " "), False) for name in factors]
    columns += [(name, _head(name), True) for name in amounts]
    columns += [("bins", "Bins", True), ("with_value", "With a value", True)]
    rows: list[list[tuple[Any, str]]] = []
    for arm in found:
        name = arm.treatment.name
        row: list[tuple[Any, str]] = [(name, f"{name} (control)" if name == control else name)]
        if roles:
            row.append(text_cell(arm.treatment.role))
        row += [text_cell(arm.treatment.factors.get(factor)) for factor in factors]
        for kind in amounts:
            number = amount(arm.treatment.amounts, kind)
            row.append((number, plain(number)))
        row += [number_cell(arm.bins), number_cell(arm.with_value)]
        rows.append(row)
    return table("arms", "What each treatment got, per bin", columns, rows)


def _head(name: str) -> str:
    what, unit = AMOUNTS.get(name, (name.replace("_", " "), ""))
    return capitalised(f"{what}, {unit}" if unit else what)
