"""The template columns as an open table schema, so that other programs can check files too."""

from __future__ import annotations

from typing import Any

from trialkit.intake.cells import YES_NO
from trialkit.intake.columns import OTHER_UNITS, Column, FileKind, columns_of, headings_of

_TYPES = {"yes-no": "boolean", "date": "date", "name": "string", "text": "string"}


def datapackage() -> dict[str, Any]:
    """The contents of ``templates/datapackage.json``: one resource a file, one field a column.

    A bound that excludes its own value is published as one that includes it, the nearest that a table schema has.
    """
    return {
        "name": "compost-bin-trial",
        "title": "A side-by-side trial of compost bins",
        "description": "One row a bin in bins.csv, one row per bin and visit in readings.csv. Any column but the "
        "required ones may be left out; an empty cell means not measured. Readings carry a day or a date. "
        + _other_units(),
        "resources": [_resource("bins"), _resource("readings")],
    }


def _resource(kind: FileKind) -> dict[str, Any]:
    columns = [column for column in columns_of(kind) if kind == "bins" or column.name not in _carried()]
    schema: dict[str, Any] = {
        "fields": [_field(column) for column in columns],
        "fieldsMatch": "partial",  # any order, columns left out, others beside them
        "missingValues": [""],
    }
    if kind == "bins":
        schema["primaryKey"] = ["bin"]
    else:
        schema["foreignKeys"] = [{"fields": ["bin"], "reference": {"resource": "bins", "fields": ["bin"]}}]
    return {
        "name": kind,
        "path": f"{kind}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": schema,
    }


def _carried() -> set[str]:
    return {column.name for column in columns_of("bins")} - {"bin", "note"}


def _field(column: Column) -> dict[str, Any]:
    kind = _TYPES.get(column.kind, "number")
    field: dict[str, Any] = {"name": column.name, "type": kind, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    if kind == "boolean":
        for key, answer in (("trueValues", 1.0), ("falseValues", 0.0)):
            field[key] = [text for text, value in YES_NO.items() if value == answer]
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.hard is not None:
        constraints |= {"minimum": column.hard.low, "maximum": column.hard.high}
    if column.name == "bin" and column.required:
        constraints["pattern"] = r"\S(.*\S)?"
    if constraints:
        field["constraints"] = constraints
    return field


def _other_units() -> str:
    names = [name for name in headings_of((*columns_of("bins"), *columns_of("readings")))]
    suffixes = sorted({suffix for others in OTHER_UNITS.values() for suffix in others})
    used = [suffix for suffix in suffixes if any(name.endswith(suffix) for name in names)]
    return f"Columns in other units end in {', '.join(used)} in place of their unit."
