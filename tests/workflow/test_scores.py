"""Scores all the way from files to words: no range anywhere, a claim on them answered by the reason."""

from __future__ import annotations

import jsonschema
import pytest

import trialkit
from trialkit import report
from trialkit.report.effect_tables import reading_table
from trialkit.report.results import results_of, results_schema

TRIAL = """
control = "water"
primary = "odour_score"
[layout]
kind = "blocks"
drawn = "by lot"
[[treatment]]
name = "water"
[[treatment]]
name = "live"
[[claim]]
text = "smells a step better"
treatment = "live"
against = "water"
outcome = "odour_score"
at_least = 1.0
"""


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> trialkit.records.Analysis:
    folder = tmp_path_factory.mktemp("scores")
    (folder / "trial.toml").write_text(TRIAL, encoding="utf-8")
    bins, readings = ["bin,treatment,block"], ["bin,day,odour_score"]
    for k, (water, live) in enumerate([(1, 3), (2, 4), (2, 2), (0, 3), (1, 4)], start=1):
        bins += [f"W{k},water,{k}", f"L{k},live,{k}"]
        readings += [f"W{k},0,0", f"L{k},0,0", f"W{k},28,{water}", f"L{k},28,{live}"]
    (folder / "bins.csv").write_text("\n".join(bins) + "\n", encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join(readings) + "\n", encoding="utf-8")
    return trialkit.analyse(folder)


def test_results_hold_a_share_and_no_range(analysis) -> None:
    results = results_of(analysis)
    jsonschema.validate(results, results_schema())
    (outcome,) = results["outcomes"]
    (found,) = outcome["comparisons"]
    # four of five won, one tied: 4.5 of 5; the tie has no sign, so 2 of 16 patterns go as far
    assert (found["kind"], found["estimate"], found["p"]) == ("superiority", 0.9, 0.125)
    assert (found["rerandomisation_p"], found["rerandomisation_floor"]) == (0.125, 0.0625)
    assert [found[name] for name in ("low", "high", "df", "std_error")] == [None] * 4
    assert outcome["fit"]["method"] == "permutation" and outcome["fit"]["components"] == {}
    assert {row["call"] for row in outcome["sensitivity"]} == {None}
    (claim,) = results["claims"]
    assert claim["call"] == "not_answerable"
    assert "so no range can be set beside the size claimed" in claim["sentence"]


def test_the_page_says_share_of_pairs(analysis) -> None:
    row = reading_table(analysis).shown[0]
    assert row[1:4] == ("0.90", "–", "share of pairs")
    told = report.appendix(analysis).text
    assert "Pairs of bins compared by their order, labels exchanged as the layout was drawn." in told
    assert "adjusted means" not in told
    drawn = report.draw_figures(analysis)
    assert "live beside water: 0.90 of all pairs." in drawn["odour_score"].alt
    assert drawn["odour_score"].caption.endswith("in which one treatment stands above the other.")
