"""The analysis as plain data: results.json, its schema, and nothing rounded."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, get_args

from trialkit.records import (
    Adjustment,
    Analysis,
    Answer,
    BinMaturity,
    Call,
    Comparison,
    Fit,
    HeatingClass,
    Kind,
    PartitionStep,
    Rating,
    Refusal,
    Rerandomisation,
    Role,
    Scale,
    Severity,
    Size,
    Verdict,
)
from trialkit.report.tables import values_of
from trialkit.report.words import verdict_sentence

SCHEMA_VERSION = 1


def results_of(analysis: Analysis) -> dict[str, Any]:
    """The analysis as nested plain data. Full floats; None for a missing number or an open end."""
    trial, plan = analysis.trial, analysis.trial.plan
    treatments = [treatment.name for treatment in plan.treatments]
    treatments += [name for name in dict.fromkeys(item.treatment for item in trial.bins) if name not in treatments]
    return {
        "schema": SCHEMA_VERSION,
        "trialkit": analysis.version,
        "trial": {
            "title": plan.title,
            "layout": plan.layout.kind,
            "bins": len(trial.bins),
            "treatments": treatments,
            "control": plan.control,
            "sources": [{"file": s.file, "sha256": s.sha256, "rows": s.rows} for s in trial.sources],
        },
        "rows": {"read": trial.rows_read, "used": trial.rows_used, "set_aside": len(trial.set_aside)},
        "findings": _findings(analysis),
        "outcomes": [_outcome(answer) for answer in analysis.answers],
        "claims": [_claim(verdict) for verdict in analysis.verdicts],
        "maturity": [_maturity(item) for item in analysis.maturity],
    }


def write_results(analysis: Analysis, path: str | Path) -> Path:
    """Writes results.json; the same analysis always gives the same bytes."""
    path = Path(path)
    text = json.dumps(results_of(analysis), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")
    return path


def _findings(analysis: Analysis) -> list[dict[str, Any]]:
    rows = [
        {
            "severity": f.severity, "code": f.code, "file": f.file, "line": f.line, "column": f.column,
            "found": f.found, "expected": f.expected, "remedy": f.remedy,
        }
        for f in analysis.trial.findings
    ]  # fmt: skip
    told = {(f.file, f.line) for f in analysis.trial.findings if f.code == "set_aside"}
    rows += [
        {
            "severity": "note", "code": "set_aside", "file": row.file, "line": row.line, "column": None,
            "found": row.reason, "expected": "", "remedy": "",
        }
        for row in analysis.trial.set_aside
        if (row.file, row.line) not in told
    ]  # fmt: skip
    return rows


def _number(value: Any) -> float | None:
    if value is None:
        return None
    value = float(value)
    return value if math.isfinite(value) else None


def _outcome(answer: Answer) -> dict[str, Any]:
    values = values_of(answer)
    refusal = next((part for part in (answer.values, answer.fit) if isinstance(part, Refusal)), None)
    refused = [item for item in answer.comparisons if isinstance(item, Refusal)]
    if refusal is None and refused:
        reasons = tuple(dict.fromkeys(_named(item, reason) for item in refused for reason in item.reasons))
        refusal = Refusal(stage=refused[0].stage, reasons=reasons)
    return {
        "name": answer.name,
        "role": answer.role,
        "unit": None if values is None else values.outcome.unit,
        "scale": None if values is None else values.outcome.scale,
        "bins": [
            {
                "bin": v.bin, "treatment": v.treatment, "block": v.block, "site": v.site, "value": _number(v.value),
                "low": _number(v.low), "high": _number(v.high), "readings_used": int(v.readings_used),
            }
            for v in (values.values if values is not None else ())
        ],
        "fit": _fit(answer.fit) if isinstance(answer.fit, Fit) else None,
        "comparisons": [_comparison(item) for item in answer.comparisons if isinstance(item, Comparison)],
        **_factors(answer),
        "rerandomisation": _rerandomisation(answer.rerandomisation),
        "sensitivity": [
            {
                item.what.replace(" ", "_"): item.name, "treatment": item.treatment, "against": item.against,
                "estimate": _number(item.estimate), "low": _number(item.low), "high": _number(item.high),
                "call": item.call, "claim": item.claim,
            }
            for item in answer.sensitivity
        ],
        "refusal": None if refusal is None else {"stage": refusal.stage, "reasons": list(refusal.reasons)},
    }  # fmt: skip


def _named(refusal: Refusal, reason: str) -> str:
    if refusal.treatment and refusal.against and refusal.treatment not in reason:
        return f"{refusal.treatment} and {refusal.against}: {reason}"
    return reason


def _fit(fit: Fit) -> dict[str, Any]:
    return {
        "method": fit.method,
        "df_method": fit.df_method,
        "variances": fit.variances,
        "components": {name: _number(value) for name, value in fit.components.items()},
        "bounded": bool(fit.bounded),
        "at_bound": bool(fit.at_bound),
        "min_eigenvalue": _number(fit.min_eigenvalue),
        "converged": bool(fit.converged),
    }


def _comparison(comparison: Comparison) -> dict[str, Any]:
    interval, again = comparison.interval, comparison.rerandomised
    return {
        "treatment": comparison.treatment,
        "against": comparison.against,
        "kind": comparison.kind,
        "estimate": _number(comparison.estimate),
        "low": _number(interval.low),
        "high": _number(interval.high),
        "level": _number(interval.level),
        "level_attained": _number(comparison.level_attained if again is None else again.level_attained),
        "std_error": _number(comparison.std_error),
        "df": _number(comparison.df),
        "p": _number(comparison.p),
        "adjustment": interval.adjustment,
        "bins": [int(count) for count in comparison.bins],
        "rerandomisation_p": _number(comparison.rerandomisation_p),
        "rerandomisation_floor": _number(comparison.rerandomisation_floor),
        "rerandomised": None
        if again is None
        else {
            "low": _number(again.low),
            "high": _number(again.high),
            "level": _number(again.level),
            "level_attained": _number(again.level_attained),
        },
    }


def _rerandomisation(found: Rerandomisation | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "p": _number(found.p),
        "floor": _number(found.floor),
        "layouts": int(found.layouts),
        "exact": bool(found.exact),
        "reason": found.reason,
        "note": found.note,
    }


def _factors(answer: Answer) -> dict[str, Any]:
    """What each factor does and a whole effect in its steps; left out where a trial has none."""
    factors = [_comparison(item) for item in answer.factors if isinstance(item, Comparison)]
    parts: dict[str, Any] = {"factors": factors} if factors else {}
    found = answer.partition
    if found is not None:
        parts["partition"] = {
            "kind": found.kind,
            "level": _number(found.level),
            "adjustment": found.adjustment,
            "steps": [_step(step) for step in found.steps],
            "total": _step(found.total),
        }
    return parts


def _step(step: PartitionStep) -> dict[str, Any]:
    return {
        "name": step.name,
        "treatment": step.treatment,
        "against": step.against,
        "estimate": _number(step.estimate),
        "low": _number(step.low),
        "high": _number(step.high),
    }


def _claim(verdict: Verdict) -> dict[str, Any]:
    claim = verdict.claim
    return {
        "text": claim.text,
        "treatment": claim.treatment,
        "against": claim.against,
        "outcome": claim.outcome,
        "size": {claim.size: float(claim.amount)},
        "call": verdict.call,
        "sentence": verdict_sentence(verdict),
    }


def _maturity(item: BinMaturity) -> dict[str, Any]:
    return {
        "bin": item.bin,
        "treatment": item.treatment,
        "day": _number(item.day),
        "heating_class": item.heating_class,
        "rating": item.rating,
        "by_test": dict(item.by_test),
        "readings": {name: {"value": _number(item.readings[name]), "day": item.days[name]} for name in item.readings},
        "reason": item.reason,
    }


# ---------------------------------------------------------------- the schema
TEXT: dict[str, Any] = {"type": "string"}
TEXT_OR_NONE: dict[str, Any] = {"type": ["string", "null"]}
NUMBER: dict[str, Any] = {"type": "number"}
NUMBER_OR_NONE: dict[str, Any] = {"type": ["number", "null"]}
SHARE_OR_NONE: dict[str, Any] = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
COUNT: dict[str, Any] = {"type": "integer", "minimum": 0}
YES_NO: dict[str, Any] = {"type": "boolean"}


def _choice(literal: Any, *, none: bool = False) -> dict[str, Any]:
    options = list(get_args(literal))
    return {"enum": [*options, None] if none else options}


def _object(fields: dict[str, Any], optional: tuple[str, ...] = ()) -> dict[str, Any]:
    required = [name for name in fields if name not in optional]
    return {"type": "object", "properties": fields, "required": required, "additionalProperties": False}


def _list(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": item}


def _or_none(schema: dict[str, Any]) -> dict[str, Any]:
    return {"oneOf": [schema, {"type": "null"}]}


def results_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of results.json; its lists of words are read from the records."""
    source = _object({"file": TEXT, "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"}, "rows": COUNT})
    trial = _object({
        "title": TEXT, "layout": TEXT, "bins": COUNT, "treatments": _list(TEXT), "control": TEXT_OR_NONE,
        "sources": _list(source),
    })  # fmt: skip
    finding = _object({
        "severity": _choice(Severity), "code": TEXT, "file": TEXT, "line": {"type": ["integer", "null"], "minimum": 1},
        "column": TEXT_OR_NONE, "found": TEXT, "expected": TEXT, "remedy": TEXT,
    })  # fmt: skip
    bin_value = _object({
        "bin": TEXT, "treatment": TEXT, "block": TEXT_OR_NONE, "site": TEXT_OR_NONE, "value": NUMBER_OR_NONE,
        "low": NUMBER_OR_NONE, "high": NUMBER_OR_NONE, "readings_used": COUNT,
    })  # fmt: skip
    fit = _object({
        "method": {"enum": ["least squares in strata", "reml", "draws", "permutation"]}, "df_method": TEXT,
        "variances": {"enum": ["common", "by treatment"]},
        "components": {"type": "object", "additionalProperties": NUMBER_OR_NONE},
        "bounded": YES_NO, "at_bound": YES_NO, "min_eigenvalue": NUMBER_OR_NONE, "converged": YES_NO,
    })  # fmt: skip
    comparison = _object({
        "treatment": TEXT, "against": TEXT_OR_NONE, "kind": _choice(Kind), "estimate": NUMBER_OR_NONE,
        "low": NUMBER_OR_NONE, "high": NUMBER_OR_NONE, "level": NUMBER, "level_attained": NUMBER_OR_NONE,
        "std_error": NUMBER_OR_NONE, "df": NUMBER_OR_NONE, "p": SHARE_OR_NONE,
        "adjustment": _choice(Adjustment), "bins": {"type": "array", "items": COUNT, "minItems": 2, "maxItems": 2},
        "rerandomisation_p": NUMBER_OR_NONE, "rerandomisation_floor": NUMBER_OR_NONE,
        "rerandomised": _or_none(
            _object({
                "low": NUMBER_OR_NONE, "high": NUMBER_OR_NONE, "level": NUMBER, "level_attained": NUMBER,
            })
        ),
    })  # fmt: skip
    sensitivity = _object(
        {
            "left_out": TEXT, "scale": TEXT, "variances": TEXT, "treatment": TEXT, "against": TEXT,
            "estimate": NUMBER_OR_NONE, "low": NUMBER_OR_NONE, "high": NUMBER_OR_NONE, "call": _choice(Call, none=True),
            "claim": TEXT_OR_NONE,
        },
        optional=("left_out", "scale", "variances", "treatment", "against"),
    )  # fmt: skip
    step = _object({
        "name": TEXT, "treatment": TEXT, "against": TEXT, "estimate": NUMBER_OR_NONE, "low": NUMBER_OR_NONE,
        "high": NUMBER_OR_NONE,
    })  # fmt: skip
    partition = _object({
        "kind": _choice(Kind), "level": NUMBER, "adjustment": _choice(Adjustment), "steps": _list(step), "total": step,
    })  # fmt: skip
    outcome = _object({
        "name": TEXT, "role": _choice(Role), "unit": TEXT_OR_NONE, "scale": _choice(Scale, none=True),
        "bins": _list(bin_value), "fit": _or_none(fit), "comparisons": _list(comparison),
        "factors": _list(comparison), "partition": partition,
        "rerandomisation": _or_none(
            _object({
                "p": NUMBER_OR_NONE, "floor": NUMBER_OR_NONE, "layouts": COUNT, "exact": YES_NO, "reason": TEXT,
                "note": TEXT,
            })
        ),
        "sensitivity": _list(sensitivity),
        "refusal": _or_none(_object({"stage": TEXT, "reasons": {"type": "array", "items": TEXT, "minItems": 1}})),
    }, optional=("factors", "partition"))  # fmt: skip
    size = {
        "type": "object", "properties": {name: NUMBER for name in get_args(Size)}, "additionalProperties": False,
        "minProperties": 1, "maxProperties": 1,
    }  # fmt: skip
    claim = _object({
        "text": TEXT, "treatment": TEXT, "against": TEXT_OR_NONE, "outcome": TEXT, "size": size, "call": _choice(Call),
        "sentence": TEXT,
    })  # fmt: skip
    maturity = _object({
        "bin": TEXT, "treatment": TEXT, "day": NUMBER_OR_NONE, "heating_class": _choice(HeatingClass, none=True),
        "rating": _choice(Rating, none=True),
        "by_test": {"type": "object", "additionalProperties": _choice(Rating)},
        "readings": {"type": "object", "additionalProperties": _object({"value": NUMBER, "day": NUMBER})},
        "reason": TEXT,
    })  # fmt: skip
    whole = _object({
        "schema": {"const": SCHEMA_VERSION}, "trialkit": TEXT, "trial": trial,
        "rows": _object({"read": COUNT, "used": COUNT, "set_aside": COUNT}), "findings": _list(finding),
        "outcomes": _list(outcome), "claims": _list(claim), "maturity": _list(maturity),
    })  # fmt: skip
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "results.json of a trialkit report",
        "description": "Full numbers, nothing rounded; null where a method has no such number or an end is open. "
        "std_error is on the scale of analysis (natural log for ratios); estimate, low and high on the scale shown. "
        "rerandomised is the interval of the layout drawn again, unadjusted, where one of this level exists; "
        "level_attained is then its level, elsewhere that of a bound (which stands in low or high), else null. "
        "maturity names how far decay had gone in each bin; it describes, and nothing is tested by it.",
        **whole,
    }


def write_schema(path: str | Path) -> Path:
    """Writes the schema beside the package (results.schema.json); a test holds the file to the code."""
    path = Path(path)
    path.write_text(json.dumps(results_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path
