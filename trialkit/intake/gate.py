"""The way in: a folder or a file to a Trial, or to every finding that stands against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import TemplateError
from trialkit.intake.binsfile import (
    bins_from_file,
    bins_from_readings,
    judge_agreement,
)
from trialkit.intake.claims import judge_trial_file, known_treatments, make_plan, settle_stated
from trialkit.intake.desk import Desk
from trialkit.intake.every_rule import apply_rules
from trialkit.intake.folder import find_files
from trialkit.intake.key import hides_treatments, judge_letters, open_key
from trialkit.intake.merge import Visits, join_visits, set_aside_rows
from trialkit.intake.plans import find_plan
from trialkit.intake.progress import Seen
from trialkit.intake.rows import Rows, count_days, find_starts, first_date, join_files, missing_days, unknown_bins
from trialkit.intake.tables import open_books, take_plan, take_tables
from trialkit.intake.wording import one_of
from trialkit.records import Bin, Finding, Plan, Readings, SetAside, Trial, read_only


def load_trial(path: str | Path, control: str | None = None) -> Trial:
    """A trial folder, or a single readings file, as a Trial. ``control`` names the control where no trial file does.

    In a blinded trial the key is opened, and that is a finding. Raises TemplateError with every finding where the files
    do not fit, cannot be read, or name no control.
    """
    desk, trial, _ = go_through(path, control, with_key=True)
    if trial is not None and trial.plan.control is None:
        names = [item.name for item in trial.plan.treatments]
        desk.findings.append(
            Finding(
                "error",
                "control-missing",
                desk.first_file(),
                None,
                None,
                "nothing says which treatment is the control",
                f"expected {one_of(names)}",
                'Name it: --control NAME, or control = "NAME" in a trial.toml.',
            )
        )
    if trial is not None and not len(trial.readings.day) and not desk.has_errors():
        desk.findings.append(
            Finding(
                "error", "no-readings", desk.first_file(), None, None, "no readings yet", "", "Read the bins first."
            )
        )
    if trial is None or desk.has_errors():
        raise TemplateError(desk.in_order(), desk.rows)
    return replace(trial, findings=desk.in_order())


def read_plan(path: str | Path) -> Plan | None:
    """The plan that a folder states, in trial.toml or the workbook; None where it states none. Bins are not looked at.

    Raises TemplateError with every finding where the plan is wrong.
    """
    files, found = find_files(path)
    # a plan that cannot be opened is not a plan that is not there
    closed = [finding for finding in found if finding.code in ("workbook", "not-readable")]
    desk = Desk(replace(files, readings=[], bins=None), closed)
    open_books(desk)
    take_plan(desk)
    plan = None
    if desk.trial_file is not None:
        desk.findings += judge_trial_file(desk.trial_file, ())
        plan = make_plan(desk.trial_file, known_treatments(desk.trial_file, ()), has_blocks=False)
    if desk.has_errors():
        raise TemplateError(desk.in_order(), desk.rows)
    return plan


def go_through(
    path: str | Path, control: str | None, *, with_key: bool = False
) -> tuple[Desk, Trial | None, tuple[Bin, ...]]:
    """Read and judge everything. The trial is None where an error stands against it; the bins are those known.

    The key of a blinded trial is read only ``with_key``; without it the bins keep their letters.
    """
    files, findings = find_files(path)
    desk = Desk(files, findings)
    named = files.trial or files.bins or files.readings or files.workbook
    if (desk.has_errors() and not named) or (files.single and desk.has_errors()):
        return desk, None, ()
    open_books(desk)
    if not (files.trial or files.bins or files.readings or desk.books):
        return desk, None, ()
    take_plan(desk)
    take_tables(desk)
    return _put_together(desk, control, with_key)


def _put_together(desk: Desk, control: str | None, with_key: bool) -> tuple[Desk, Trial | None, tuple[Bin, ...]]:
    if desk.bins_table is not None:
        bins, findings = bins_from_file(desk.bins_table)
    else:
        bins, findings = bins_from_readings(desk.readings)
    desk.findings += findings
    typed = bins
    bins, treatments, lettered = _see_treatments(desk, bins, with_key)
    plan = find_plan(desk, control, typed, treatments, lettered=lettered)
    if desk.bins_table is None and not desk.has_errors() and not any(parsed.rows for parsed in desk.readings):
        said = "there is no bins.csv and no row of readings"
        desk.findings.append(
            Finding("error", "nothing-to-read", desk.first_file(), None, None, said, "", "Fill in one of the two.")
        )
    strangers: tuple[str, ...] = ()
    if desk.bins_table is not None and bins:
        desk.findings += unknown_bins(desk.readings, bins)
        for parsed in desk.readings:
            desk.findings += judge_agreement(typed, parsed)
        known = {item.bin for item in bins}
        texts = (text for parsed in desk.readings if "bin" in parsed.names for text in parsed.names["bin"].texts)
        strangers = tuple(dict.fromkeys(text for text in texts if text and text not in known))
    # bins that the bins file lacks take part in the rules, so that all is told at once; the trial ends in errors anyway
    everyone = (*bins, *(Bin(name, "") for name in strangers))
    trial = _judge_readings(desk, plan, everyone, len(bins))
    return desk, trial, bins


def _see_treatments(desk: Desk, bins: tuple[Bin, ...], with_key: bool) -> tuple[tuple[Bin, ...], tuple[str, ...], bool]:
    """The bins, their true treatments as far as they are known, and whether the tables hold letters in their place."""
    names = tuple(dict.fromkeys(item.treatment for item in bins if item.treatment))
    declared = known_treatments(desk.trial_file, ()) if desk.trial_file is not None else []
    hidden = hides_treatments(names, declared, with_key=desk.files.key is not None)
    opened = False
    if with_key:
        bins, opened = open_key(desk, bins, declared, hidden=hidden)
    if opened:
        return bins, tuple(dict.fromkeys(item.treatment for item in bins if item.treatment)), True
    if not hidden:
        return bins, names, False
    if not with_key:
        desk.findings += judge_letters(names, declared, desk.bins_file or desk.first_file())
    return bins, (), True


def _judge_readings(desk: Desk, plan: Plan | None, bins: tuple[Bin, ...], planned: int) -> Trial | None:
    rows = join_files(desk.readings, bins)
    calendar = find_starts(rows, bins, plan)
    day, findings = count_days(rows, calendar)
    desk.findings += findings
    desk.findings += missing_days(desk.readings)
    inferred = np.isfinite(calendar.start) & ~calendar.declared
    if inferred.any() and not np.isfinite(rows.day).any():
        said = "the trial has no start; day 0 is the first date of each bin"
        desk.findings.append(Finding("note", "start-from-first-date", desk.first_file(), None, "date", said))
    aside = set_aside_rows(rows, day, bins)
    if plan is not None and plan.declared and desk.trial_file is not None:
        place = desk.trial_file.places.place(("stated_on",))
        # a visit that is planned and not yet read is no data
        read = np.ones(rows.count, bool)
        read[aside[0][0]] = False
        first = first_date(rows, calendar, day, read)
        if read.any() and (first is not None or not desk.has_errors()):
            plan, findings = settle_stated(plan, place, first)
            desk.findings += findings
    used = np.ones(rows.count, bool)
    for out, _ in aside:
        used[out] = False
    if not used.any() and bins and not desk.has_errors():
        desk.findings.append(Finding("note", "no-readings", desk.first_file(), None, None, "no readings yet"))
    visits, findings = join_visits(rows, day, used)
    desk.findings += findings
    desk.seen = Seen((visits.bin, visits.day), (rows.bin[aside[0][0]], day[aside[0][0]]))
    apply_rules(desk, plan, rows, day, visits, bins, planned if desk.bins_table is not None else 0)
    if plan is None or desk.has_errors():
        return None
    return _make_trial(desk, plan, bins, rows, visits, aside)


def _make_trial(
    desk: Desk,
    plan: Plan,
    bins: tuple[Bin, ...],
    rows: Rows,
    visits: Visits,
    aside: Sequence[tuple[NDArray[np.intp], str]],
) -> Trial:
    out = sorted((int(row), reason) for group, reason in aside for row in group)
    set_aside = tuple(SetAside(rows.files[rows.file[row]], int(rows.line[row]), reason) for row, reason in out)
    for reason in dict.fromkeys(reason for _, reason in out):
        first = next(row for row, why in out if why == reason)
        count = sum(why == reason for _, why in out)
        said = f"{count} row{'s are' if count > 1 else ' is'} set aside, the first on this line: {reason}"
        desk.findings.append(rows.finding("note", "set-aside", first, "bin", said))
    source = np.array(desk.reading_sources, np.intp)
    readings = Readings(
        bin=read_only(visits.bin),
        day=read_only(visits.day),
        columns=MappingProxyType({name: read_only(values) for name, values in visits.columns.items()}),
        row_file=read_only(source[rows.file[visits.rows]] if len(source) else np.empty(0, np.intp)),
        row_line=read_only(rows.line[visits.rows]),
        row_visit=read_only(visits.of_row),
    )
    return Trial(
        folder=desk.files.folder,
        plan=plan,
        bins=bins,
        readings=readings,
        findings=(),
        sources=tuple(desk.sources),
        rows_read=rows.count,
        rows_used=len(visits.rows),
        set_aside=set_aside,
    )
