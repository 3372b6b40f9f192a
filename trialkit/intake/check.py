"""``check``: the same way in, with or without a control, and never an exception for what the files hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from trialkit.intake.gate import go_through
from trialkit.intake.progress import Progress, find_progress
from trialkit.records import Finding, Trial


@dataclass(frozen=True, eq=False)
class Checked:
    """What ``check_trial`` found. ``rows`` maps each file to its data rows; ``trial`` is None where errors stand
    against it; ``bins_file`` is the one of the files that lists bins.
    """

    folder: str
    findings: tuple[Finding, ...]
    rows: dict[str, int]
    trial: Trial | None
    progress: Progress
    bins_file: str = ""

    def summary(self) -> CheckSummary:
        """The same as plain data."""
        trial = self.trial
        read = sum(count for name, count in self.rows.items() if name != self.bins_file) if trial is None else 0
        return CheckSummary(
            folder=self.folder,
            fits=not any(finding.severity == "error" for finding in self.findings),
            rows={
                "read": trial.rows_read if trial else read,
                "used": trial.rows_used if trial else 0,
                "set_aside": len(trial.set_aside) if trial else 0,
            },
            files=dict(self.rows),
            findings=self.findings,
            progress=self.progress,
        )


@dataclass(frozen=True)
class CheckSummary:
    """What ``check --json`` prints."""

    folder: str
    fits: bool
    rows: dict[str, int]
    files: dict[str, int]
    findings: tuple[Finding, ...]
    progress: Progress


def check_trial(path: str | Path, *, open_key: bool = False) -> Checked:
    """Look through the files of a trial, with or without a control. Never raises on what the files hold.

    The bins of a blinded trial keep their letters and its key is not read, unless ``open_key``.
    """
    desk, trial, bins = go_through(path, None, with_key=open_key)
    findings = desk.in_order()
    if desk.has_errors():
        trial = None
    elif trial is not None:
        trial = replace(trial, findings=findings)
    progress = find_progress(bins, desk.seen, findings)
    return Checked(str(path), findings, desk.rows, trial, progress, desk.bins_file)
