"""What ``check`` prints: one screen of what was read, what is missing, and every finding."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from trialkit.errors import describe_findings
from trialkit.intake.check import Checked
from trialkit.intake.columns import show_number
from trialkit.intake.progress import Progress

_BINS_SHOWN = 8


def summarise_check(checked: Checked) -> str:
    """The findings, then visits in and missing and bins that look odd, by bin and never by treatment."""
    errors = sum(finding.severity == "error" for finding in checked.findings)
    lines = describe_findings(checked.findings, checked.rows)
    if lines:
        lines.append("")
    trial, progress = checked.trial, checked.progress
    if errors:
        lines += _visits(progress)
        lines.append(f"{checked.folder} does not fit yet: {_count(errors, 'problem')} to put right.")
        return "\n".join(lines)
    lines.append(f"{checked.folder} fits.")
    if trial is not None and trial.rows_read:
        aside = len(trial.set_aside)
        lines.append(f"Rows: {trial.rows_read} read, {trial.rows_used} used, {aside} set aside.")
    if trial is not None and not trial.rows_used:
        lines.append(f"{_count(progress.bins, 'bin')} planned, no readings yet.")
    lines += _visits(progress)
    if progress.odd:
        lines.append("Bins that look odd:")
        for name in list(progress.odd)[:_BINS_SHOWN]:
            said = progress.odd[name]
            more = f"; and {len(said) - 1} more" if len(said) > 1 else ""
            lines.append(f"  bin {name}: {said[0]}{more}")
        lines += _rest(progress.odd)
    elif trial is not None and trial.rows_used:
        lines.append("No bin looks odd.")
    return "\n".join(lines)


def _visits(progress: Progress) -> Iterator[str]:
    if progress.expected:
        days = progress.visit_days
        span = f"day {days[0]:g}" if len(days) == 1 else f"{len(days)} visits, day {days[0]:g} to {days[-1]:g}"
        yield f"Visits ({span}): {progress.read} of {progress.expected} bin visits are in."
    for name in list(progress.missing)[:_BINS_SHOWN]:
        shown = ", ".join(show_number(day) for day in progress.missing[name][:10])
        more = f" and {len(progress.missing[name]) - 10} more" if len(progress.missing[name]) > 10 else ""
        yield f"  bin {name}: no reading on day {shown}{more}"
    yield from _rest(progress.missing)
    if progress.next_day is not None:
        verb = "is" if progress.to_come == 1 else "are"
        first = "on" if progress.to_come == 1 else "the first on"
        yield f"{_count(progress.to_come, 'bin visit')} {verb} still to come, {first} day {progress.next_day:g}."


def _rest(bins: Sequence[str] | object) -> list[str]:
    count = len(bins) - _BINS_SHOWN  # type: ignore[arg-type]
    return [f"  … and {_count(count, 'bin')} more."] if count > 0 else []


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
