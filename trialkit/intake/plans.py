"""The plan of a trial, and whether bins and control fit it."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.errors import nearest_name
from trialkit.intake import rules
from trialkit.intake.binsfile import judge_layout, judge_treatments
from trialkit.intake.claims import judge_trial_file, known_treatments, make_plan
from trialkit.intake.desk import Desk
from trialkit.intake.wording import one_of
from trialkit.records import Bin, Finding, Layout, Plan, Treatment


def find_plan(
    desk: Desk, control: str | None, bins: Sequence[Bin], treatments: Sequence[str], *, lettered: bool = False
) -> Plan | None:
    """The plan of the trial file, or the bare one where there is none; None where the trial file cannot be read.

    ``lettered``: letters stand for treatments in the tables; ``treatments`` are then the true ones, or empty where the
    key stayed shut.
    """
    has_blocks = any(item.block is not None for item in bins)
    tables = [desk.bins_table] if desk.bins_table is not None else desk.readings
    declared: Sequence[str] = ()
    plan: Plan | None = None
    if not desk.with_plan:
        layout = Layout(kind="blocks" if has_blocks else "completely random")
        plan = Plan(control, layout=layout, treatments=tuple(Treatment(name) for name in treatments), declared=False)
        if control is not None and treatments and control not in treatments:
            near = nearest_name(control, treatments)
            desk.findings.append(
                Finding(
                    "error",
                    "control-unknown",
                    desk.first_file(),
                    None,
                    "treatment",
                    f'the control "{control}" is no treatment of the trial',
                    f"expected {one_of(treatments)}",
                    f'Nearest is "{near}".' if near else "Name one of them.",
                )
            )
    elif desk.trial_file is not None:
        trial_file = desk.trial_file
        desk.findings += judge_trial_file(trial_file, treatments)
        declared = [item.name for item in trial_file.part.treatment]
        if control is not None and control != trial_file.part.control:
            desk.findings.append(
                trial_file.finding(
                    ("control",),
                    "control-differs",
                    f'the command names "{control}" as the control',
                    f'the trial file names "{trial_file.part.control}"',
                    "Leave --control out, or change the file.",
                )
            )
        plan = make_plan(trial_file, known_treatments(trial_file, treatments), has_blocks)
    desk.findings += judge_treatments(bins, () if lettered else declared, tables)
    if desk.bins_table is not None:
        desk.findings += rules.too_rich_bins(desk.bins_table, plan)
    if plan is not None and bins:
        desk.findings += judge_layout(bins, plan, tables[0] if tables else None, desk.first_file())
    return plan
