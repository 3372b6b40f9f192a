"""Where a value of the plan stands, in the file it was typed in: a line of trial.toml, or a cell of a workbook."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from trialkit.intake.tomltext import line_of

Path = tuple[str | int, ...]


class Places(Protocol):
    """What a finding needs to know of the file that a plan came from."""

    def place(self, path: Path) -> tuple[str, int | None, str | None]:
        """(file, line, column) of the value at ``path``, or of the nearest thing around it."""

    def fit_words(self, code: str, key: str, expected: str, remedy: str) -> tuple[str, str]:
        """The second half of a sentence in the words of this kind of file."""


@dataclass(frozen=True)
class TomlPlaces:
    """Lines of a TOML text."""

    file: str
    text: str

    def place(self, path: Path) -> tuple[str, int | None, str | None]:
        """The line where the value begins, and its place in words."""
        return self.file, line_of(self.text, path), name_place(path)

    def fit_words(self, code: str, key: str, expected: str, remedy: str) -> tuple[str, str]:  # noqa: ARG002
        """The words as they are: they were written for this kind of file."""
        return expected, remedy


@dataclass(frozen=True)
class SheetPlaces:
    """Cells of a workbook: ``cells`` maps a path to its sheet, row and column as shown."""

    file: str
    cells: Mapping[Path, tuple[str, int, str | None]]

    def place(self, path: Path) -> tuple[str, int | None, str | None]:
        """The cell of the value, or the row of what it belongs to."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.cells:
                sheet, row, column = self.cells[path[:length]]
                return sheet, row, column or (None if length == len(path) else str(path[-1]))
        return self.file, None, name_place(path)

    def fit_words(self, code: str, key: str, expected: str, remedy: str) -> tuple[str, str]:
        """Sentences without the grammar of TOML."""
        if code == "key-missing" and key == "control":
            return "expected the treatment that the others are compared with", "Fill it in on the sheet trial."
        if code == "key-missing":
            return f"expected a {key}", "Fill it in."
        remedies = {
            "not-a-date": "Write it as year-month-day, as in 2026-10-31.",
            "not-text": "Correct it.",
            "not-a-number": "Type a number, or leave the cell empty.",
            "not-a-pair": "Fill in equivalence.low and equivalence.high.",
            "not-a-table": "Write the key with its points, as in layout.kind.",
        }
        return expected, remedies.get(code, remedy)


def name_place(path: Path) -> str | None:
    """A place in words: ``claim 2, treatment`` or ``outcome.decay_rate, from``."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int) and words:
            words[-1] += f" {part + 1}"
        elif words and words[0] == "outcome" and len(words) == 1:
            words[0] += f".{part}"
        else:
            words.append(str(part))
    return ", ".join(words) or None
