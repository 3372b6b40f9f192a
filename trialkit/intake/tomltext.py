"""Where in a TOML text a value stands, and mistakes of its grammar in words that need no grammar."""

from __future__ import annotations

import re
import tomllib

from trialkit.records import Finding

_TABLE = re.compile(r"\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(#.*)?")
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(?:\.\s*([A-Za-z0-9_-]+)\s*)?=""")
_AT = re.compile(r"\(at line (\d+), column (\d+)\)")


def line_of(text: str, path: tuple[str | int, ...]) -> int | None:
    """The line on which the value at ``path`` begins, else that of its table, else None."""
    if not path:
        return None
    here: tuple[str | int, ...] = ()
    counts: dict[str, int] = {}
    best: tuple[int, int | None] = (0, None)
    quoted = False
    for number, line in enumerate(text.splitlines(), start=1):
        # a text over several lines opens and closes with three quotation marks
        marks = line.count('"""') + line.count("'''")
        was_quoted, quoted = quoted, quoted ^ (marks % 2 == 1)
        if was_quoted:
            continue
        table, key = _TABLE.fullmatch(line), _KEY.match(line)
        if table:
            name = table[2].strip()
            here = tuple(_bare(part) for part in name.split("."))
            if table[1] == "[[":
                counts[name] = counts.get(name, -1) + 1
                here = (*here, counts[name])
            place = here
        elif key:
            place = (*here, _bare(key[1])) + ((_bare(key[2]),) if key[2] else ())
        else:
            continue
        # the first of several tables of a name stands for the name
        if (place == path[: len(place)] or place == (*path, 0)) and len(place) > best[0]:
            best = (len(place), number)
    return best[1]


def _bare(name: str) -> str:
    return name.strip().strip("\"'")


def word_toml_error(problem: tomllib.TOMLDecodeError, text: str, file: str) -> Finding:
    """A mistake of grammar as a finding on its line."""
    lines = text.splitlines()
    at = _AT.search(str(problem))
    number = int(at[1]) if at else max(1, len(lines))
    while number > 1 and (number > len(lines) or not lines[number - 1].strip()):
        number -= 1
    line = lines[number - 1].strip() if lines else ""
    found, expected, remedy = _explain(line, str(problem), "\n".join(lines[:number]))
    return Finding("error", "toml", file, number, None, found, expected, remedy)


def _explain(line: str, message: str, so_far: str) -> tuple[str, str, str]:
    found = f"found {line}"
    key, _, value = (part.strip() for part in line.partition("="))
    if any(mark in line for mark in "“”„‘’«»"):
        return found, "expected straight quotation marks", 'Type " instead of curly ones.'
    if so_far.count('"""') % 2 == 1:
        return 'three quotation marks (""") are opened and never closed', "", "Close them."
    listed = re.fullmatch(r"\[\[\s*(\w+)\s*\]\].*", line)
    if listed and re.search(rf"^\s*\[\s*{listed[1]}\s*\]", so_far, re.MULTILINE):
        name = listed[1]
        return f"[{name}] and [[{name}]] in one file", f"expected [[{name}]] for each", "Double the brackets."
    if "overwrite" in message or "twice" in message or "redefine" in message.lower():
        return found, "this name stands twice in one table", "Keep one of the two."
    if "=" not in line and not line.startswith("["):
        name, colon, rest = line.partition(":")
        if colon:
            return found, f"expected an equals sign, {name.strip()} = {rest.strip() or '…'}", ""
        return found, "expected name = value", "Write both on one line, or begin the line with # to make it a remark."
    if line.startswith("["):
        return found, "expected [name] or [[name]] on a line of its own", "Close the brackets."
    if not value:
        return found, "expected a value after the equals sign", "Fill it in, or remove the line."
    if " " in key and not key.startswith(('"', "'")):
        return found, "expected one word before the equals sign", f"Write {key.replace(' ', '_')} = …"
    if value.count('"') == 1 or (value.startswith("'") and value.count("'") == 1):
        return found, "a quotation mark is opened and never closed", "Close it on the same line."
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return found, "expected a decimal point", f"Write {key} = {value.replace(',', '.')}."
    if re.fullmatch(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}", value):
        return found, "expected a date as year-month-day", f"Write {key} = 2026-10-31."
    if value.casefold() in ("yes", "no", "true", "false"):
        return found, "expected true or false in small letters", ""
    if value.startswith(("[", "{")):
        return (
            found,
            "expected a list in [ ] or a table in { }, with commas between",
            "Look for a missing comma or bracket.",
        )
    if re.fullmatch(r"[A-Za-z_][^\"'=#]*", value):
        return found, "expected text in quotation marks", f'Write {key} = "{value}".'
    if '"' in value and not value.startswith('"'):
        return found, "expected text in one pair of quotation marks", f'Write {key} = "…".'
    return found, "expected one value after the equals sign", "Text stands in quotation marks, numbers without."
