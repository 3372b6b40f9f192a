"""Whether a verdict survives, from hand-made repeats: sentence, note under the claim, table and results."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import jsonschema
import pytest

from trialkit import report
from trialkit.records import Refusal
from trialkit.report.effect_tables import reading_table
from trialkit.report.results import results_of, results_schema
from trialkit.report.robustness import repeats_table, robustness_lines, survives
from trialkit.report.table_files import write_tables

CHANGES = "This answer changes when some single thing is left out or done otherwise; “How sure” says which."


def test_a_verdict_that_changes_is_told_with_what_changed_it(make: SimpleNamespace) -> None:
    analysis = make.whole()
    assert robustness_lines(analysis) == (
        "“at least twice as fast as water”: the answer “less than claimed” does not hold throughout: it becomes "
        "“contradicted” without bin B3. It stays in the other 7 of 8 repeats (each bin and each block left out in turn "
        "and the other rule for variances). 1 repeat came to no call.",
    )
    assert not survives(analysis.verdicts[0], analysis)
    assert CHANGES in report.answer(analysis).text


def test_a_verdict_that_stays_is_told_as_well(make: SimpleNamespace) -> None:
    analysis = make.whole()
    calm = tuple(replace(item, call="less_than_claimed") for item in analysis.answers[0].sensitivity)
    analysis = replace(analysis, answers=(replace(analysis.answers[0], sensitivity=calm), *analysis.answers[1:]))
    assert robustness_lines(analysis) == (
        "“at least twice as fast as water”: the answer “less than claimed” stays in all 9 repeats (each bin and each "
        "block left out in turn, the other scale and the other rule for variances).",
    )
    assert survives(analysis.verdicts[0], analysis)
    assert CHANGES not in report.answer(analysis).text


def test_without_a_claim_the_range_is_watched(make: SimpleNamespace) -> None:
    lines = robustness_lines(make.whole(claims=False))
    assert lines == (
        "Live starter beside water only: its range lies clear of “no difference”, but not without bin B3; so in the "
        "other 7 repeats (each bin and each block left out in turn and the other rule for variances).",
    )


def test_nothing_is_said_where_nothing_was_repeated(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    assert robustness_lines(analysis) == ()
    assert survives(analysis.verdicts[0], analysis)


def test_the_table_holds_every_repeat(make: SimpleNamespace) -> None:
    analysis = make.whole()
    sheet = repeats_table(analysis.answers[0], analysis.trial)
    assert len(sheet.rows) == 9
    assert sheet.shown[5][2:] == ("Without bin B3", "1.190", "0.9800", "1.450", "Contradicted")
    assert sheet.shown[7][2] == "On the plain scale"
    assert "One thing changed at a time: decay rate" in report.appendix(analysis).html


def test_shuffled_p_stands_beside_the_model(make: SimpleNamespace, tmp_path) -> None:  # type: ignore[no-untyped-def]
    analysis = make.whole()
    assert reading_table(analysis).heads[4:6] == ("p", "p, labels shuffled")
    assert reading_table(analysis).shown[0][5] == "0.25"
    assert "p, labels shuffled" not in reading_table(make.analysis()).heads
    assert "p = 0.00463, from all 1,296 layouts" in report.appendix(analysis).text
    names = {path.name for path in write_tables(analysis, tmp_path)}
    assert {"effects.csv", "sensitivity.csv"} <= names


def test_results_carry_shuffles_and_repeats(make: SimpleNamespace) -> None:
    results = results_of(make.whole())
    jsonschema.validate(results, results_schema())
    outcome = results["outcomes"][0]
    assert outcome["rerandomisation"] == {
        "p": 0.0046296, "floor": 1 / 216, "layouts": 1296, "exact": True, "reason": "", "note": "",
    }  # fmt: skip
    assert outcome["comparisons"][0]["rerandomisation_p"] == 0.25
    assert outcome["sensitivity"][5] == {
        "left_out": "B3", "treatment": "live starter", "against": "water only", "estimate": 1.19, "low": 0.98,
        "high": 1.45, "call": "contradict", "claim": None,
    }  # fmt: skip
    assert outcome["sensitivity"][7]["scale"] == "identity"
    assert outcome["sensitivity"][8]["variances"] == "by treatment"
    assert results["outcomes"][1]["rerandomisation"] is None


def test_results_carry_a_whole_effect_in_its_steps(make: SimpleNamespace) -> None:
    results = results_of(make.whole())
    part = results["outcomes"][0]["partition"]
    assert (part["kind"], part["level"], part["adjustment"]) == ("ratio", 0.95, "multivariate t")
    assert [step["name"] for step in part["steps"]] == ["carrier", "live organisms"]
    assert part["total"] == {
        "name": "total", "treatment": "live starter", "against": "water only", "estimate": 1.229090, "low": 1.178663,
        "high": 1.281674,
    }  # fmt: skip
    assert "partition" not in results["outcomes"][1]
    wrong = {**results, "outcomes": [{**results["outcomes"][0], "partition": {**part, "level": "high"}}]}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(wrong, results_schema())


def test_effects_of_crossed_factors_stand_in_tables_and_results(make: SimpleNamespace) -> None:
    analysis = make.whole()
    effect = make.comparison(1.3, 1.1, 1.54, treatment="carrier: with", against="carrier: without", bins=(8, 8))
    refused = Refusal("contrasts", ("A cell is empty.",), "decay_rate", "carrier × culture")
    answer = replace(analysis.answers[0], factors=(effect, refused))
    analysis = replace(analysis, answers=(answer, *analysis.answers[1:]))
    assert reading_table(analysis).shown[-1][0] == "Decay rate: carrier: with beside carrier: without"
    rate, loss = results_of(analysis)["outcomes"]
    assert [row["treatment"] for row in rate["factors"]] == ["carrier: with"]
    assert [row["treatment"] for row in rate["comparisons"]] == ["killed starter", "live starter"]
    assert "factors" not in loss
    jsonschema.validate(results_of(analysis), results_schema())
    assert (
        "This trial cannot compare treatments on carrier × culture. A cell is empty." in report.appendix(analysis).text
    )
