"""The key of a blinded trial: key.csv says which letter of bins.csv stands for which treatment.

``check`` knows only that letters stand there; the key itself is read where a report is made, and that is noted.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from trialkit.intake.cells import Parsed
from trialkit.intake.desk import Desk
from trialkit.intake.folder import read_bytes
from trialkit.intake.reading import Table, read_table
from trialkit.intake.wording import one_of, remedy_for
from trialkit.records import Bin, Finding, Source

HEADINGS = ("letter", "treatment")
# what the planner puts in place of treatments
_LETTER = re.compile(r"[A-Z]|T[1-9]\d*")


def hides_treatments(names: Sequence[str], declared: Sequence[str], *, with_key: bool) -> bool:
    """Whether the treatments of the bins are letters: not one is declared, and a key or their look says so."""
    if not names or set(names) & set(declared):
        return False
    lettered = all(_LETTER.fullmatch(name) for name in names)
    return (with_key or lettered) if declared else (with_key and lettered)


def open_key(desk: Desk, bins: Sequence[Bin], declared: Sequence[str], *, hidden: bool) -> tuple[tuple[Bin, ...], bool]:
    """The bins with their true treatments, and whether the key was used; findings go to the desk.

    Where the key cannot be used the bins come back as they are: with an error if their treatments are ``hidden``, with
    a note if they are not.
    """
    path = desk.files.key
    tables = [desk.bins_table] if desk.bins_table is not None else desk.readings
    if path is None:
        if hidden:
            file = tables[0].file if tables else desk.first_file()
            desk.findings.append(
                Finding(
                    "error",
                    "key-absent",
                    file,
                    None,
                    "treatment",
                    "letters stand for the treatments, and there is no key.csv",
                    "expected it beside this file, with the columns letter and treatment",
                    "Fetch the key from the one who poured, and put it there.",
                )
            )
        return tuple(bins), False
    letters, source, findings = read_key(path, declared)
    if not hidden and not any(item.treatment in letters for item in bins):
        said = "the bins are listed with their treatments, so the key was not used"
        desk.findings.append(Finding("note", "key-not-used", path.name, None, None, said))
        return tuple(bins), False
    desk.findings += findings
    if source is not None:
        desk.sources.append(source)
    if any(finding.severity == "error" for finding in findings):
        return tuple(bins), False
    desk.findings += _letters_without_key(tables, letters, path.name)
    said = "letters stood for the treatments until now; the key was read for this report, which check never does"
    desk.findings.append(Finding("note", "key-opened", path.name, None, None, said))
    return tuple(replace(item, treatment=letters.get(item.treatment, item.treatment)) for item in bins), True


def read_key(path: Path, declared: Sequence[str]) -> tuple[dict[str, str], Source | None, list[Finding]]:
    """Letters to treatments, the fingerprint of the file, and everything wrong with it; ``declared`` may be empty."""
    raw, findings = read_bytes(path)
    if raw is None:
        return {}, None, findings
    table, more = read_table(raw, path.name, HEADINGS)
    findings += more
    source = Source(path.name, hashlib.sha256(raw).hexdigest(), table.rows if table is not None else 0)
    if table is None:
        return {}, source, findings
    for name in HEADINGS:
        if table.headings.count(name) != 1:
            how = "no column" if name not in table.headings else "more than one column"
            found, expected = f'{how} "{name}"', 'expected "letter" and "treatment"'
            findings.append(Finding("error", "heading-missing", path.name, None, "header", found, expected, "Name it."))
    if any(table.headings.count(name) != 1 for name in HEADINGS):
        return {}, source, findings
    letters: dict[str, str] = {}
    findings += _take_rows(table, declared, letters)
    if not table.rows:
        said = "the file has headings and not one row of data"
        findings.append(Finding("error", "no-rows", path.name, None, None, said, "", "Fill it in."))
    return letters, source, findings


def _take_rows(table: Table, declared: Sequence[str], letters: dict[str, str]) -> Iterator[Finding]:
    columns = {name: table.columns[table.headings.index(name)] for name in HEADINGS}
    lines: dict[tuple[str, str], int] = {}
    for row in range(table.rows):
        line = int(table.lines[row])
        cells = {name: columns[name].at(row) for name in HEADINGS}
        for name, text in cells.items():
            at = lines.setdefault((name, text), line)
            if not text:
                yield Finding("error", "cell-empty", table.file, line, name, "the cell is empty", "", "Fill it in.")
            elif at != line:
                found, expected = f'"{text}" stands already on line {at}', f"expected every {name} once"
                yield Finding("error", f"{name}-twice", table.file, line, name, found, expected, "Correct one of them.")
        treatment = cells["treatment"]
        if treatment and declared and treatment not in declared:
            remedy = remedy_for(treatment, declared, "Correct it, or declare it in the trial file.")
            found, expected = f'found "{treatment}"', f"expected {one_of(declared)}"
            yield Finding("error", "treatment-unknown", table.file, line, "treatment", found, expected, remedy)
        letters.setdefault(cells["letter"], treatment)


def _letters_without_key(tables: Sequence[Parsed], letters: Mapping[str, str], key: str) -> Iterator[Finding]:
    known = list(letters)
    for parsed in tables:
        cells = parsed.names.get("treatment")
        if cells is None:
            continue
        for row in cells.rows_with([bool(text) and text not in letters for text in cells.texts]):
            text = cells.at(row)
            expected = f"expected {one_of(known)}, as {key} has them"
            remedy = remedy_for(text, known, "Correct it here, or in the key.")
            name = parsed.names["bin"].at(row) if "bin" in parsed.names else None
            line, typed = int(parsed.lines[row]), parsed.typed["treatment"]
            yield Finding(
                "error", "letter-unknown", parsed.file, line, typed, f'found "{text}"', expected, remedy, name
            )


def judge_letters(names: Sequence[str], declared: Sequence[str], file: str) -> Iterator[Finding]:
    """As many letters as declared treatments, for one letter stands for one treatment."""
    if not declared or len(names) == len(declared):
        return
    found = f"{len(names)} letters stand for the treatments ({', '.join(sorted(names))})"
    expected = f"expected {len(declared)}, one for each treatment of the trial file"
    severity = "error" if len(names) > len(declared) else "warning"
    yield Finding(severity, "letters-uneven", file, None, "treatment", found, expected, "Check the letters.")  # type: ignore[arg-type]
