"""A sheet with one heading several times, as laboratories make them, to rows of the template, and what was done."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from trialkit.errors import DesignError, TemplateError, nearest_name
from trialkit.intake.columns import READINGS, headings_of
from trialkit.intake.folder import read_bytes
from trialkit.intake.numbers import NotANumber, NumberStyle, read_number
from trialkit.intake.reading import Table, read_table
from trialkit.intake.wording import column_letters
from trialkit.records import Finding

_RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t")
_ANY_MARK = NumberStyle(commas=False, points=False, commas_shown=False)


@dataclass(frozen=True)
class Reshaped:
    """Readings in template form as CSV ``text`` of so many ``rows``, and sentences on what was ``done``."""

    text: str
    rows: int
    done: tuple[str, ...]


def reshape_wide(path: str | Path, column: str | None = None, out: str | Path | None = None) -> Reshaped:
    """Turn a sheet whose headings stand several times into readings with one row per bin and visit.

    With a heading ``bin`` the repeated columns are sub-samples of a bin and become rows of their own. Without one every
    repeated heading is a treatment and its columns are bins, numbered from the left: "Andisol 1", "Andisol 2"; then
    ``column`` names the template column that the cells are readings of. Cells are copied as they are typed, empty ones
    make no row. Writes to ``out`` where given, which must not exist. Raises TemplateError where the file cannot be
    read, DesignError where it has not this form.
    """
    place = Path(path)
    table = _read(place)
    twice = [name for name, times in Counter(table.headings).items() if times > 1 and name]
    if not twice:
        raise DesignError(f"{place.name} has every heading once; there is nothing to reshape.")
    when = next((i for i, name in enumerate(table.headings) if name.casefold() in ("day", "date")), None)
    if when is None:
        raise DesignError(f'{place.name} has no column "day" or "date". Name the column of days so.')
    lower = [name.casefold() for name in table.headings]
    if "bin" in lower:
        head, rows, done = _sub_samples(table, twice, when, lower.index("bin"))
    else:
        head, rows, done = _bins_side_by_side(table, twice, when, _known(column))
    for row in rows:
        for cell in row:
            if cell.startswith(_RUN_BY_SPREADSHEETS) and not _is_number(cell):
                raise DesignError(f'{place.name} holds "{cell}", which a spreadsheet would run. Change it first.')
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows([head, *rows])
    reshaped = Reshaped(buffer.getvalue(), len(rows), tuple(done))
    if out is not None:
        _write(Path(out), reshaped.text)
    return reshaped


def _read(place: Path) -> Table:
    raw, findings = read_bytes(place)
    table = None
    if raw is not None:
        table, findings = read_table(raw, place.name)
        if table is not None and not table.rows:
            said = "the file has not one row of data"
            findings = [*findings, Finding("error", "no-rows", place.name, None, None, said, "", "Fill it in.")]
    errors = [finding for finding in findings if finding.severity == "error"]
    if table is None or errors:
        raise TemplateError(errors, {place.name: table.rows} if table else None)
    return table


def _known(column: str | None) -> str:
    known = [name for name, heading in headings_of(READINGS).items() if heading.column.kind in ("number", "score")]
    if column is None:
        raise DesignError(
            'Say what the cells are readings of: column = "respired_c_g_kg" in a notebook, '
            "--column respired_c_g_kg at the command."
        )
    if column not in known:
        near = nearest_name(column, known)
        hint = f' The nearest is "{near}".' if near else ""
        raise DesignError(f'"{column}" is no column of readings.{hint}')
    return column


def _bins_side_by_side(
    table: Table, twice: list[str], when: int, column: str
) -> tuple[list[str], list[list[str]], list[str]]:
    """Every column under a repeated heading is a bin of that treatment."""
    bins: list[tuple[int, str, str]] = []
    for name in twice:
        places = [index for index, heading in enumerate(table.headings) if heading == name]
        bins += [(index, f"{name} {number}", name) for number, index in enumerate(places, start=1)]
    _refuse_several_quantities(table, {when, *(index for index, *_ in bins)}, when)
    head = ["bin", "treatment", table.headings[when].casefold(), column]
    rows = [
        [bin_, treatment, table.columns[when].at(row), table.columns[index].at(row)]
        for row in range(table.rows)
        for index, bin_, treatment in bins
        if table.columns[index].at(row)
    ]
    done = [
        f"{len(bins)} columns under {len(twice)} headings became {len(bins)} bins, numbered from the left: "
        f"{bins[0][1]} … {bins[-1][1]}.",
        f"{table.rows} rows became {len(rows)}, one per bin and visit, with the cells as {column}.",
        *_left_out(table, {when, *(index for index, *_ in bins)}),
        *_empty(table.rows * len(bins) - len(rows)),
    ]
    return head, rows, done


def _refuse_several_quantities(table: Table, used: set[int], when: int) -> None:
    """Rows of one day that a column left out tells apart are not readings of one column."""
    days = table.columns[when].codes.tolist()
    for index, cells in enumerate(table.columns):
        if index in used or len(days) == len(set(days)):
            continue
        told_apart = set(zip(days, cells.codes.tolist(), strict=True))
        if len(told_apart) > len(set(days)):
            texts = " and ".join(f'"{text}"' for text in cells.texts[:2])
            name = table.headings[index] or f"column {column_letters(index)}"
            raise DesignError(
                f"{table.file} has several rows for one day, and {name} tells them apart ({texts}). "
                "Save the rows of each quantity as a file of their own, and reshape it."
            )


def _sub_samples(table: Table, twice: list[str], when: int, bin_: int) -> tuple[list[str], list[list[str]], list[str]]:
    """Every repeated column is a sub-sample: its n-th copy goes into the n-th row of the bin and visit."""
    places = {name: [i for i, heading in enumerate(table.headings) if heading == name] for name in twice}
    keys = [bin_, when]
    once = [i for i, name in enumerate(table.headings) if name and i not in keys and name not in places]
    if {bin_, when} & {index for group in places.values() for index in group}:
        raise DesignError(f'{table.file}: "bin" and the day must stand once.')
    names = [*(table.headings[i] for i in once), *twice]
    head = ["bin", table.headings[when].casefold(), *names]
    rows: list[list[str]] = []
    for row in range(table.rows):
        for number in range(max(len(group) for group in places.values())):
            # what stands once goes into the first row only: an amount must not count twice
            cells = [table.columns[i].at(row) if number == 0 else "" for i in once]
            cells += [table.columns[g[number]].at(row) if number < len(g) else "" for g in places.values()]
            if number == 0 or any(cells):
                rows.append([table.columns[bin_].at(row), table.columns[when].at(row), *cells])
    done = [
        f"{', '.join(twice)}: the columns under one heading became rows of their own for the same bin and visit.",
        f"{table.rows} rows became {len(rows)}; columns that stand once are in the first row of each visit.",
    ]
    return head, rows, done


def _left_out(table: Table, used: set[int]) -> Iterator[str]:
    left = [name or f"column {column_letters(index)}" for index, name in enumerate(table.headings) if index not in used]
    if left:
        yield f"Left out: {', '.join(left)}."


def _empty(count: int) -> Iterator[str]:
    if count:
        yield f"{count} empty {'cell makes' if count == 1 else 'cells make'} no row."


def _is_number(cell: str) -> bool:
    return not isinstance(read_number(cell, _ANY_MARK), NotANumber)


def _write(out: Path, text: str) -> None:
    try:
        with out.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise DesignError(f"{out} is there already. Choose another name.") from None
    except (PermissionError, NotADirectoryError, FileNotFoundError) as problem:
        raise DesignError(f"{out} cannot be written. Choose another place.") from problem
