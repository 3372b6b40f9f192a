"""Small parts of sentences that several rules share: lists of names, the place of a row."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from trialkit.errors import nearest_name


def one_of(names: Sequence[str]) -> str:
    """``one of A, B, C``; a long list shows its ends: ``one of B1 … B12``."""
    if len(names) == 1:
        return f'"{names[0]}"'
    if len(names) > 6 and all(len(name) <= 12 for name in names[:1]) and _are_numbered(names):
        return f"one of {names[0]} … {names[-1]}"
    quoted = [f'"{name}"' if " " in name else name for name in names[:30]]
    more = f" and {len(names) - 30} more" if len(names) > 30 else ""
    return f"one of {', '.join(quoted)}{more}"


def _are_numbered(names: Sequence[str]) -> bool:
    return all(any(letter.isdigit() for letter in name) for name in names)


def remedy_for(name: str, allowed: Sequence[str], otherwise: str) -> str:
    """What to do about a name that is not allowed: the smallest change that makes it one that is."""
    near = nearest_name(name, allowed)
    if near is None:
        return otherwise
    if "".join(name.split()) == "".join(near.split()):
        return "Remove the space." if len(name) > len(near) else f'Write it as "{near}".'
    return f'Nearest is "{near}".'


def column_letters(index: int) -> str:
    """The letters that a spreadsheet shows over the column at ``index``, counted from 0."""
    letters, number = "", index + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def name_key(name: str) -> str:
    """What stays of a name without blanks, case and ways to store a letter: names of one key look like one name."""
    return "".join(unicodedata.normalize("NFKC", name).split()).casefold()
