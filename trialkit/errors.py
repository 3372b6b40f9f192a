"""What can go wrong, and the one function that words it.

``TemplateError``  the files do not fit; carries every finding at once.
``DesignError``    a plan or a request that contradicts itself or that the data cannot carry.

Found, allowed, what to do, where: in that order, in every sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from difflib import get_close_matches

from trialkit.records import Finding

SHOWN = 20
_RUNS_SHOWN = 8


class TrialkitError(Exception):
    """Base of the errors a user can cause; its text is a plain sentence."""


class DesignError(TrialkitError):
    """A plan that contradicts itself, or a question these data cannot carry."""


class TemplateError(TrialkitError):
    """Files that do not fit the template. ``findings`` holds every problem, ``rows`` the rows read per file."""

    def __init__(self, findings: Sequence[Finding], rows: dict[str, int] | None = None) -> None:
        self.findings = tuple(findings)
        self.rows = dict(rows or {})
        super().__init__("\n".join(describe_findings(self.findings, self.rows)))


def word_finding(finding: Finding, *same: Finding) -> str:
    """One finding as one line: ``line 14, wet_mass_kg: found "-2.0"; expected …. Remedy.``

    ``same``: further findings that say the same of other lines of the file; all the lines are named.
    """
    lines = sorted({one.line for one in (finding, *same) if one.line is not None})
    place = "" if not lines else f"line {lines[0]}" if len(lines) == 1 else f"lines {_name_lines(lines)}"
    if finding.column is not None:
        place = f"{place}, {finding.column}" if place else finding.column
    text = finding.found
    if finding.expected:
        text += f"; {finding.expected}"
    text = text.rstrip(".") + "."
    if finding.remedy:
        text += f" {finding.remedy}"
    return f"{place}: {text}" if place else text


def gather_findings(findings: Iterable[Finding]) -> list[tuple[Finding, ...]]:
    """Findings that say the same of several lines of a file together, in the order of the first of them."""
    gathered: dict[Finding, list[Finding]] = {}
    for finding in findings:
        gathered.setdefault(replace(finding, line=None, bin=None), []).append(finding)
    return [tuple(same) for same in gathered.values()]


def _name_lines(lines: Sequence[int]) -> str:
    """``2, 5 and 7 to 25``: runs of neighbouring lines together, eight of them and the rest counted."""
    runs: list[list[int]] = []
    for line in lines:
        if runs and line == runs[-1][-1] + 1:
            runs[-1].append(line)
        else:
            runs.append([line])
    named = [f"{run[0]}" if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs[:_RUNS_SHOWN]]
    rest = sum(len(run) for run in runs[_RUNS_SHOWN:])
    named += [f"{rest} more"] if rest else []
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"


_OPENINGS = {
    "error": "{file} does not fit ({read}{count}):",
    "warning": "{file}, to look at ({read}{count}):",
    "note": "{file}, worth knowing ({read}{count}):",
}
_COUNTED = {
    "error": ("1 problem", "{} problems"),
    "warning": ("1 warning", "{} warnings"),
    "note": ("1 note", "{} notes"),
}


def describe_findings(findings: Iterable[Finding], rows: dict[str, int] | None = None) -> list[str]:
    """Every finding as text lines: errors, then warnings, then notes, by file; twenty shown and the rest counted.

    What is the same on several lines of a file is said once, with the lines.

    ``rows`` gives the number of data rows read in each file, for the heading.
    """
    rows = rows or {}
    groups: dict[tuple[str, str], list[Finding]] = {}
    every = list(findings)
    for severity in _OPENINGS:
        for finding in every:
            if finding.severity == severity:
                groups.setdefault((severity, finding.file), []).append(finding)
    lines: list[str] = []
    left, room = len(every), SHOWN
    for (severity, file), group in groups.items():
        if not room:
            break
        one, many = _COUNTED[severity]
        count = one if len(group) == 1 else many.format(len(group))
        read = "" if file not in rows else "1 row read, " if rows[file] == 1 else f"{rows[file]} rows read, "
        lines.append(_OPENINGS[severity].format(file=file, read=read, count=count))
        for same in gather_findings(group)[:room]:
            lines.append(f"  {word_finding(*same)}")
            left -= len(same)
            room -= 1
    if left:
        lines.append(f"  … and {left} more.")
    return lines


def nearest_name(name: str, allowed: Iterable[str]) -> str | None:
    """The allowed name closest to ``name``, or None where none is near (edit similarity below 0.6)."""
    options = list(allowed)
    folded = {"".join(option.lower().split()): option for option in reversed(options)}
    key = "".join(name.lower().split())
    if key in folded:
        return folded[key]
    close = get_close_matches(key, folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None
