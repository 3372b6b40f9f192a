"""What can go wrong, and the one function that words it.

``TemplateError``  the files do not fit; carries every finding at once.
``DesignError``    a plan or a request that contradicts itself or that the data cannot carry.

Found, allowed, what to do, where: in that order, in every sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches

from trialkit.records import Finding

SHOWN = 20


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


def word_finding(finding: Finding) -> str:
    """One finding as one line: ``line 14, wet_mass_kg: found "-2.0"; expected …. Remedy.``"""
    place = "" if finding.line is None else f"line {finding.line}"
    if finding.column is not None:
        place = f"{place}, {finding.column}" if place else finding.column
    text = finding.found
    if finding.expected:
        text += f"; {finding.expected}"
    text = text.rstrip(".") + "."
    if finding.remedy:
        text += f" {finding.remedy}"
    return f"{place}: {text}" if place else text


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
    shown = 0
    for (severity, file), group in groups.items():
        if shown >= SHOWN:
            break
        one, many = _COUNTED[severity]
        count = one if len(group) == 1 else many.format(len(group))
        read = "" if file not in rows else "1 row read, " if rows[file] == 1 else f"{rows[file]} rows read, "
        lines.append(_OPENINGS[severity].format(file=file, read=read, count=count))
        for finding in group[: SHOWN - shown]:
            lines.append(f"  {word_finding(finding)}")
        shown += min(len(group), SHOWN - shown)
    if len(every) > shown:
        lines.append(f"  … and {len(every) - shown} more.")
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
