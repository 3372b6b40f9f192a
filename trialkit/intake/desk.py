"""What is gathered on the way from files to a trial: findings, sources, tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from trialkit.intake.cells import Parsed
from trialkit.intake.folder import TrialFiles
from trialkit.intake.trialfile import TrialFile
from trialkit.records import Finding, Source


@dataclass
class Desk:
    """What has been gathered on the way."""

    files: TrialFiles
    findings: list[Finding] = field(default_factory=list)
    rows: dict[str, int] = field(default_factory=dict)
    sources: list[Source] = field(default_factory=list)
    trial_file: TrialFile | None = None
    bins_table: Parsed | None = None
    readings: list[Parsed] = field(default_factory=list)
    reading_sources: list[int] = field(default_factory=list)

    def has_errors(self) -> bool:
        """Whether any finding is an error."""
        return any(finding.severity == "error" for finding in self.findings)

    def first_file(self) -> str:
        """The file that findings on the whole trial are put to."""
        return self.files.readings[0].name if self.files.readings else Path(self.files.folder).name

    def in_order(self) -> tuple[Finding, ...]:
        """The findings by file as read, then by line, the bin first."""
        order = {source.file: index for index, source in enumerate(self.sources)}
        return tuple(
            sorted(self.findings, key=lambda f: (order.get(f.file, len(order)), f.line or 0, f.column != "bin"))
        )
