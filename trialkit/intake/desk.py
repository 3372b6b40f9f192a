"""What is gathered on the way from files to a trial: findings, sources, tables."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from trialkit.intake.cells import Parsed
from trialkit.intake.folder import TrialFiles
from trialkit.intake.progress import Seen
from trialkit.intake.trialfile import TrialFile
from trialkit.intake.workbook import Book
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
    books: dict[Path, Book] = field(default_factory=dict)
    digests: dict[Path, str] = field(default_factory=dict)
    bins_file: str = ""
    with_bins: bool = False
    with_plan: bool = False
    letters: dict[str, dict[str, str]] = field(default_factory=dict)
    seen: Seen = field(default_factory=Seen)

    def has_errors(self) -> bool:
        """Whether any finding is an error."""
        return any(finding.severity == "error" for finding in self.findings)

    def first_file(self) -> str:
        """The file that findings on the whole trial are put to."""
        named = self.files.readings[0] if self.files.readings else self.files.workbook
        return named.name if named is not None else Path(self.files.folder).name

    def in_order(self) -> tuple[Finding, ...]:
        """The findings by file as read, then by line, the bin first; on a sheet the column has its letters too."""
        order = {source.file: index for index, source in enumerate(self.sources)}
        ordered = sorted(self.findings, key=lambda f: (order.get(f.file, len(order)), f.line or 0, f.column != "bin"))
        return tuple(self._with_letters(finding) for finding in ordered)

    def _with_letters(self, finding: Finding) -> Finding:
        letters = self.letters.get(finding.file, {}).get(finding.column or "")
        return replace(finding, column=f"{finding.column} (column {letters})") if letters else finding
