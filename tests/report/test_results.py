"""results.json: nothing rounded, nothing missing, valid by its own published schema."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest

import trialkit.report
from trialkit.records import Answer, Refusal, read_only
from trialkit.report.results import results_of, results_schema, write_results


def test_the_published_schema_is_the_one_in_the_code() -> None:
    path = Path(trialkit.report.__file__).with_name("results.schema.json")
    assert json.loads(path.read_text(encoding="utf-8")) == results_schema()


@pytest.mark.parametrize("claims", [True, False])
def test_results_are_valid(make: SimpleNamespace, claims: bool) -> None:
    found = results_of(make.analysis(claims=claims))
    jsonschema.Draft202012Validator.check_schema(results_schema())
    jsonschema.validate(found, results_schema(), cls=jsonschema.Draft202012Validator)


def test_a_key_too_many_or_too_few_is_invalid(make: SimpleNamespace) -> None:
    found = results_of(make.analysis())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**found, "extra": 1}, results_schema())
    del found["rows"]["used"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, results_schema())


def test_what_stands_in_it(make: SimpleNamespace) -> None:
    found = results_of(make.analysis())
    assert found["schema"] == 1
    assert found["trialkit"] == "0.1.0"
    assert found["trial"] == {
        "title": "Does the culture shorten leaf composting?",
        "layout": "blocks",
        "bins": 12,
        "treatments": ["water only", "killed starter", "live starter"],
        "control": "water only",
        "sources": [{"file": "readings.csv", "sha256": "a" * 64, "rows": 50}],
    }
    assert found["rows"] == {"read": 50, "used": 48, "set_aside": 2}
    assert found["rows"]["read"] == found["rows"]["used"] + found["rows"]["set_aside"]
    rate, loss = found["outcomes"]
    assert rate["comparisons"][1]["estimate"] == 1.229090
    assert rate["comparisons"][1]["p"] == 0.0000123
    assert rate["fit"]["components"] == {"block": 0.00797, "residual": 0.000428}
    assert rate["refusal"] is None
    assert loss["fit"] is None
    assert loss["bins"] == []
    assert loss["refusal"] == {"stage": "outcomes", "reasons": ["No bin was weighed after the start."]}
    (claim,) = found["claims"]
    assert claim["size"] == {"times_as_fast": 2.0}
    assert claim["call"] == "less_than_claimed"
    assert claim["sentence"].startswith("Faster, but less than claimed: with live starter, decay ran 1.23 times")


def test_every_row_set_aside_is_listed_once(make: SimpleNamespace) -> None:
    found = results_of(make.analysis())["findings"]
    aside = [(row["line"], row["found"]) for row in found if row["code"] == "set_aside"]
    assert aside == [(50, "no measured value"), (51, "after the bin was lost on day 20")]


def test_missing_numbers_and_open_ends_are_null(make: SimpleNamespace, tmp_path: Path) -> None:
    analysis = make.analysis()
    answer = analysis.answers[0]
    fit = replace(answer.fit, mean_df=read_only(np.full(3, math.nan)), components={"residual": math.nan})
    open_ended = make.comparison(2.0, 1.5, None, df=None, p=None, std_error=math.nan)
    refused = Refusal("contrasts", ("They never meet.",), "decay_rate", "killed starter", "water only")
    changed = replace(answer, fit=fit, comparisons=(open_ended, refused))
    path = write_results(replace(analysis, answers=(changed,)), tmp_path / "results.json")
    found = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.validate(found, results_schema())
    (outcome,) = found["outcomes"]
    (comparison,) = outcome["comparisons"]
    assert comparison["high"] is None
    assert comparison["df"] is None
    assert comparison["std_error"] is None
    assert outcome["fit"]["components"]["residual"] is None
    assert outcome["refusal"] == {
        "stage": "contrasts",
        "reasons": ["killed starter and water only: They never meet."],
    }


def test_bin_values_of_a_refused_outcome_stay(make: SimpleNamespace) -> None:
    values = make.values()
    refusal = Refusal("models", ("One bin each.",), "decay_rate", values=values)
    analysis = make.analysis()
    refused = replace(analysis, answers=(Answer("decay_rate", "primary", values, refusal, (refusal,)),))
    (outcome,) = results_of(refused)["outcomes"]
    assert len(outcome["bins"]) == 12
    assert outcome["refusal"]["reasons"] == ["One bin each."]


def test_same_analysis_same_bytes(make: SimpleNamespace, tmp_path: Path) -> None:
    first = write_results(make.analysis(), tmp_path / "a.json").read_bytes()
    assert first == write_results(make.analysis(), tmp_path / "b.json").read_bytes()
