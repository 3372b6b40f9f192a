"""Which heading fills which column: known, misspelt, doubled, missing, or kept and not used."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping

from trialkit.intake.columns import FileKind, Heading, columns_of, headings_of
from trialkit.intake.reading import Table
from trialkit.intake.wording import column_letters
from trialkit.records import Finding

_UNIT_END = re.compile(r"(pct|percent|c|f|l|cm|kg|ratio|gkg|dsm)$")


def match_headings(
    table: Table, kind: FileKind, *, with_bins: bool = True
) -> tuple[Mapping[int, Heading], list[Finding]]:
    """Positions of the columns that are used, with what each heading means, and findings on the rest."""
    known = headings_of(columns_of(kind, with_bins=with_bins))
    findings: list[Finding] = []
    used = {index: known[name] for index, name in enumerate(table.headings) if name in known}

    def say(severity: str, code: str, found: str, expected: str = "", remedy: str = "") -> None:
        findings.append(Finding(severity, code, table.file, None, "header", found, expected, remedy))  # type: ignore[arg-type]

    for name, times in Counter(filter(None, table.headings)).items():
        if times > 1:
            places = [column_letters(i) for i, heading in enumerate(table.headings) if heading == name]
            where = ", ".join(places[:-1]) + " and " + places[-1]
            say(
                "error",
                "heading-twice",
                f'"{name}" stands over columns {where}',
                "expected every heading once",
                "Give sub-samples a row each, or turn the sheet with: trialkit reshape FILE",
            )
    filled: dict[str, str] = {}
    for index, heading in used.items():
        name, typed = heading.column.name, table.headings[index]
        if name in filled and filled[name] != typed:
            say(
                "error",
                "quantity-twice",
                f'"{filled[name]}" and "{typed}" are one quantity in two units',
                "expected one of them",
                "Leave one of the two out.",
            )
        filled[name] = typed
    slips = _judge_unknown(table, known, set(filled), say)
    _judge_missing(kind, with_bins, set(filled) | slips, say)
    return used, findings


def _judge_unknown(table: Table, known: Mapping[str, Heading], filled: set[str], say: object) -> set[str]:
    assert callable(say)
    slips: set[str] = set()
    for index, typed in enumerate(table.headings):
        if typed in known or (typed and typed in table.headings[:index]):
            continue
        if not typed:
            if any(table.columns[index].texts):
                say(
                    "error",
                    "heading-missing",
                    f"column {column_letters(index)} has cells but no heading",
                    "",
                    "Name it, or empty it.",
                )
            continue
        absent = [name for name, heading in known.items() if heading.column.name not in filled]
        near = nearest_heading(typed, absent)
        if near is None:
            say("note", "column-not-used", f'column "{typed}" is not one of the template; it is kept and not used')
        else:
            slips.add(known[near].column.name)
            say("error", "heading-unknown", f'column "{typed}" is not known', f'nearest is "{near}"', "Rename it.")
    return slips


def _judge_missing(kind: FileKind, with_bins: bool, filled: set[str], say: object) -> None:
    assert callable(say)
    if kind == "bins":
        needed = ["bin", "treatment"]
    else:
        needed = ["bin"] if with_bins else ["bin", "treatment"]
        if not filled & {"day", "date"}:
            say("error", "heading-missing", 'no column "day" and no column "date"', "expected one of them", "Add it.")
    for name in needed:
        if name not in filled:
            remedy = "Add it."
            if name == "treatment" and kind == "readings":
                remedy = "Add it, or a bins.csv that gives every bin its treatment."
            say("error", "heading-missing", f'no column "{name}"', f"expected {_list(needed)}", remedy)


def nearest_heading(typed: str, absent: list[str]) -> str | None:
    """The absent heading that ``typed`` is one slip away from: case, blanks, a unit left off, or one letter."""
    key = _plain(typed)
    plain = {_plain(name): name for name in reversed(absent)}
    if key in plain:
        return plain[key]
    bare = {_UNIT_END.sub("", short): name for short, name in plain.items() if len(_UNIT_END.sub("", short)) >= 4}
    stem = _UNIT_END.sub("", key)
    if stem in bare:
        return bare[stem]
    for name in absent:
        if min(len(_plain(name)), len(key)) >= 3 and _one_slip_apart(key, _plain(name)):
            return name
    return None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold().replace("%", "pct"))


def _one_slip_apart(one: str, two: str) -> bool:
    """One letter put in, left out, changed, or two neighbours swapped."""
    if one == two:
        return True
    if abs(len(one) - len(two)) > 1:
        return False
    start = next((i for i, (a, b) in enumerate(zip(one, two, strict=False)) if a != b), min(len(one), len(two)))
    rest_one, rest_two = one[start:], two[start:]
    return (
        rest_one[1:] == rest_two[1:]
        or rest_one[1:] == rest_two
        or rest_one == rest_two[1:]
        or (rest_one[:2] == rest_two[:2][::-1] and rest_one[2:] == rest_two[2:])
    )


def _list(names: list[str]) -> str:
    return " and ".join(f'"{name}"' for name in names)
