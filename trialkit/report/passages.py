"""Passages: the pieces a report is made of, each as HTML and as plain text. Text is escaped here and nowhere else."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape


@dataclass(frozen=True)
class Passage:
    """A piece of the report. Jupyter shows ``html``; ``text`` is what a plain terminal shows."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text

    def __bool__(self) -> bool:
        return bool(self.html)


NOTHING = Passage("", "")
JOINING = ("with", "without", "no", "not", "and", "or", "than", "as", "in", "on", "under", "the", "a")


def element(tag: str, text: str, style: str = "") -> Passage:
    """One element around escaped text. ``tag`` and ``style`` (a class of the style sheet) are never user text."""
    opening = f'<{tag} class="{style}">' if style else f"<{tag}>"
    return Passage(f"{opening}{escape(text)}</{tag}>", text)


def paragraph(text: str, style: str = "") -> Passage:
    return element("p", text, style)


def heading(level: int, text: str) -> Passage:
    return element(f"h{level}", text)


def bullets(items: Iterable[str], style: str = "") -> Passage:
    """A list of escaped sentences; nothing at all where there are none."""
    kept = [item for item in items if item]
    if not kept:
        return NOTHING
    opening = f'<ul class="{style}">' if style else "<ul>"
    return Passage(
        opening + "".join(f"<li>{escape(item)}</li>" for item in kept) + "</ul>",
        "\n".join(f"- {item}" for item in kept),
    )


def box(parts: Iterable[Passage], tag: str = "div", style: str = "") -> Passage:
    inner = join(parts)
    opening = f'<{tag} class="{style}">' if style else f"<{tag}>"
    return Passage(f"{opening}{inner.html}</{tag}>", inner.text)


def folded(summary: str, inside: Passage) -> Passage:
    """A part that opens on a click; it needs no script."""
    return Passage(f"<details><summary>{escape(summary)}</summary>{inside.html}</details>", f"{summary}\n{inside.text}")


def join(parts: Iterable[Passage]) -> Passage:
    kept = [part for part in parts if part]
    return Passage("\n".join(part.html for part in kept), "\n".join(part.text for part in kept))


def listed(names: Iterable[str], last: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    items = list(names)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def named(name: str) -> str:
    """A name as it stands in a sentence: quoted where it would be read as part of the sentence."""
    words = name.lower().split(" ")
    unclear = words[0] in JOINING or not {"and", "or"}.isdisjoint(words) or any(mark in name for mark in ",;:.")
    return f"“{name}”" if unclear else name


def capitalised(text: str) -> str:
    """The text with its first letter large, except where that letter starts a name such as pH."""
    if text[:2] == "pH":
        return text
    return text[:1].upper() + text[1:]


def lowered(text: str) -> str:
    """The text as it goes on after a colon: its first letter small, except where a name or pH begins it."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def counted(number: int, noun: str, plural: str = "") -> str:
    """ "1 bin", "4 bins"."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
