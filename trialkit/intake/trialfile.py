"""The trial file: TOML text to a plan, with every fault found, its line, and the nearest known word.

Shapes are checked by pydantic models, meaning by ``claims``; both end as findings in our own words.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_args

from pydantic import ValidationError

from trialkit.errors import nearest_name
from trialkit.intake.columns import show_number
from trialkit.intake.parts import ClaimPart, FinishPart, LayoutPart, Part, TreatmentPart, TrialPart, settings_model
from trialkit.intake.places import Places, TomlPlaces
from trialkit.intake.reading import find_encoding
from trialkit.intake.tomltext import word_toml_error
from trialkit.outcome_names import OUTCOMES
from trialkit.records import Finding


@dataclass(frozen=True)
class TrialFile:
    """A trial file whose shape is right. ``settings`` are the outcome tables as typed; ``places`` finds lines."""

    places: Places
    part: TrialPart
    settings: dict[str, dict[str, Any]]

    def finding(
        self,
        path: tuple[str | int, ...],
        code: str,
        found: str,
        expected: str = "",
        remedy: str = "",
        severity: Literal["error", "warning", "note"] = "error",
    ) -> Finding:
        """A finding on one place of this file, with its line."""
        return Finding(severity, code, *self.places.place(path), found, expected, remedy)


def read_trial_file(raw: bytes, file: str) -> tuple[TrialFile | None, list[Finding]]:
    """A trial file from its bytes; None where its shape is wrong, and then the findings say everything."""
    encoding, findings = find_encoding(raw, file)
    if encoding is None:
        return None, findings
    text = raw.decode(encoding).replace("\r\n", "\n").replace("\r", "\n")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        return None, [*findings, word_toml_error(problem, text, file)]
    except RecursionError:
        said = "brackets are nested too deep"
        return None, [*findings, Finding("error", "toml", file, None, None, said, "", "Remove the extra brackets.")]
    trial, more = judge_shape(data, TomlPlaces(file, text))
    return trial, [*findings, *more]


def judge_shape(data: dict[str, Any], places: Places) -> tuple[TrialFile | None, list[Finding]]:
    """A plan as plain data to a TrialFile; None where a key or the kind of a value is wrong, and then all is told."""
    part: TrialPart | None = None
    problems: list[tuple[tuple[str | int, ...], dict[str, Any], type[Part]]] = []
    try:
        part = TrialPart.model_validate(data)
    except ValidationError as problem:
        problems += [(tuple(e["loc"]), dict(e), TrialPart) for e in problem.errors()]
    settings = data.get("outcome", {})
    if isinstance(settings, dict):
        for name, table in settings.items():
            if name in OUTCOMES and isinstance(table, dict):
                model = settings_model(name)
                try:
                    model.model_validate(table)
                except ValidationError as problem:
                    problems += [(("outcome", name, *e["loc"]), dict(e), model) for e in problem.errors()]
    findings = list(_word_all(problems, data, places))
    if part is None or problems:
        return None, findings
    return TrialFile(places, part, settings), findings


def _word_all(
    problems: list[tuple[tuple[str | int, ...], dict[str, Any], type[Part]]],
    data: dict[str, Any],
    places: Places,
) -> Iterator[Finding]:
    said: set[tuple[str | int, ...]] = set()
    # a misspelt key is not missing too
    renamed = {
        (*path[:-1], _nearest_key(str(path[-1]), _keys_at(path, model)))
        for path, error, model in problems
        if error["type"] == "extra_forbidden"
    }
    for path, error, model in problems:
        # a union reports every branch; the first is enough, and its branch name is no place in the file
        place = tuple(part for part in path if isinstance(part, int) or not _is_branch(part, path, data))
        if place in said or (error["type"] == "missing" and place in renamed):
            continue
        said.add(place)
        code, found, expected, remedy = _word_one(place, error, model)
        expected, remedy = places.fit_words(code, str(place[-1]) if place else "", expected, remedy)
        yield Finding("error", code, *places.place(place), found, expected, remedy)


def _is_branch(part: str, path: tuple[str | int, ...], data: dict[str, Any]) -> bool:
    if part != path[-1] or len(path) < 2:
        return False
    value: Any = data
    for step in path[:-1]:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return False
    return not isinstance(value, dict)


def _word_one(place: tuple[str | int, ...], error: dict[str, Any], model: type[Part]) -> tuple[str, str, str, str]:
    kind, key = error["type"], str(place[-1]) if place else ""
    if kind == "missing":
        return "key-missing", f"{key} is missing", _example(key), "Add the line."
    if kind == "extra_forbidden":
        near = _nearest_key(key, _keys_at(place, model))
        expected = f'nearest is "{near}"' if near else f"expected {_one_of(_keys_at(place, model))}"
        return "key-unknown", f'"{key}" is not known here', expected, "Rename it." if near else "Remove it."
    found = f"found {_show(error.get('input'))}"
    context = error.get("ctx", {})
    if kind == "literal_error":
        allowed = _allowed(place, model) or [str(context.get("expected", ""))]
        if key == "end_level":
            return "word-unknown", found, 'expected "own", or one number for all bins', ""
        near = nearest_name(str(error.get("input")), allowed)
        remedy = f'Nearest is "{near}".' if near else ""
        return "word-unknown", found, f"expected {_one_of(allowed)}", remedy
    if key == "level":
        is_number = isinstance(error.get("input"), (int, float))
        remedy = "Write 95 % as 0.95." if is_number else "Write it as 0.95, without quotation marks."
        return "value-out-of-range", found, "expected a number of 0.5 or more and below 1", remedy
    if kind.startswith("date") or key in ("start", "stated_on"):
        return "not-a-date", found, "expected a date", f"Write {key} = 2026-10-31, without quotation marks."
    wanted = {
        "string_type": ("not-text", "expected text", "Put it in quotation marks."),
        "string_too_short": ("not-text", "expected a name", "Fill it in."),
        "list_type": ("not-a-list", f"expected {_list_shape(key)}", ""),
        "dict_type": ("not-a-table", "expected a table", f"Begin it with [{key}] on a line of its own."),
        "model_type": ("not-a-table", "expected a table", f"Begin it with [{key}] on a line of its own."),
        "too_short": ("not-a-pair", "expected two numbers, [low, high]", ""),
        "too_long": ("not-a-pair", "expected two numbers, [low, high]", ""),
    }.get(kind)
    if wanted:
        return wanted[0], found, wanted[1], wanted[2]
    if kind in ("int_type", "int_from_float"):
        return "not-a-number", found, "expected a whole number", "Write it without quotation marks."
    if kind == "finite_number":
        return "not-a-number", found, "expected a number that is finite", "Correct it, or leave the line out."
    if kind == "float_type":
        return "not-a-number", found, "expected a number", "Write it with a decimal point, without quotation marks."
    bounds = {
        "greater_than": f"expected a number above {context.get('gt', 0):g}",
        "greater_than_equal": f"expected a number of {context.get('ge', 0):g} or more",
        "less_than": f"expected a number below {context.get('lt', 0):g}",
        "less_than_equal": f"expected a number up to {show_number(context.get('le', 0))}",
    }
    return "value-out-of-range", found, bounds.get(kind, "expected something else here"), "Correct it."


def _model_at(place: tuple[str | int, ...], model: type[Part]) -> type[Part]:
    tables: dict[str, type[Part]] = {
        "layout": LayoutPart,
        "treatment": TreatmentPart,
        "claim": ClaimPart,
        "finish": FinishPart,
    }
    if model is TrialPart and len(place) > 1:
        return tables.get(str(place[0]), TrialPart)
    return model


def _keys_at(place: tuple[str | int, ...], model: type[Part]) -> list[str]:
    return [field.alias or name for name, field in _model_at(place, model).model_fields.items()]


def _nearest_key(key: str, known: list[str]) -> str | None:
    """The known key that ``key`` begins, where there is one such, else the nearest."""
    begun = [name for name in known if len(key) >= 4 and name.startswith(key)]
    return begun[0] if len(begun) == 1 else nearest_name(key, known)


def _allowed(place: tuple[str | int, ...], model: type[Part]) -> list[str]:
    for name, field in _model_at(place, model).model_fields.items():
        if (field.alias or name) == place[-1]:
            return [word for word in _literals(field.annotation) if word]
    return []


def _literals(annotation: Any) -> list[str]:
    words: list[str] = []
    for item in get_args(annotation):
        words += [item] if isinstance(item, str) else _literals(item)
    return words


def _one_of(words: list[str] | tuple[str, ...]) -> str:
    quoted = [f'"{word}"' for word in words]
    return quoted[0] if len(quoted) == 1 else "one of " + ", ".join(quoted) if quoted else "nothing here"


def _list_shape(key: str) -> str:
    if key in ("treatment", "claim"):
        return f"[[{key}]], with two brackets on either side"
    return "[low, high]" if key == "equivalence" else 'a list, as in ["dry_matter_loss_pct"]'


def _example(key: str) -> str:
    examples = {
        "control": 'control = "water only"',
        "text": 'text = "the claim in words"',
        "name": 'name = "water only"',
        "treatment": 'treatment = "live starter"',
        "outcome": 'outcome = "decay_rate"',
    }
    return f"expected {examples.get(key, key + ' = …')}"


def _show(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, (int, float)):
        return f"{value}"
    return f'"{value}"'
