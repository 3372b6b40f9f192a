"""The sections below the first screen: built from the trial, triggered by it, escaped."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

import trialkit
from trialkit import report
from trialkit.records import Answer, Finding, Refusal, SecondOpinion, Treatment, Trial, read_only
from trialkit.report import cautions
from trialkit.report.cautions import caution_lines
from trialkit.report.certainty import certainty_lines
from trialkit.report.compared import compared_lines, fairness_lines
from trialkit.report.limits import limit_lines
from trialkit.report.methods import fit_sentences, methods_text
from trialkit.shipped import shipped


def heated(trial: Trial, degrees: float) -> Trial:
    core = np.full(48, 30.0)
    core[5] = degrees
    columns = {**trial.readings.columns, "core_temp_c": read_only(core)}
    return replace(trial, readings=replace(trial.readings, columns=columns))


# ---------------------------------------------------------------- cautions
@pytest.mark.parametrize(
    ("degrees", "there", "not_there"),
    [
        (54.9, (), (cautions.SANITATION, cautions.BURNS, cautions.HOT, cautions.FIRE)),
        (55.0, (cautions.SANITATION,), (cautions.BURNS, cautions.HOT)),
        (65.0, (cautions.SANITATION, cautions.BURNS), (cautions.HOT, cautions.FIRE)),
        (70.0, (cautions.BURNS, cautions.HOT), (cautions.FIRE,)),
        (80.0, (cautions.BURNS, cautions.HOT, cautions.FIRE), ()),
    ],
)
def test_heat_calls_for_its_cautions(
    make: SimpleNamespace, degrees: float, there: tuple[str, ...], not_there: tuple[str, ...]
) -> None:
    text = "\n".join(caution_lines(heated(make.trial(), degrees)))
    assert all(line in text for line in there)
    assert not any(line in text for line in not_there)


def test_the_recipe_calls_for_its_cautions(make: SimpleNamespace) -> None:
    with_sugar = caution_lines(heated(make.trial(), 30.0))
    assert {cautions.BREW, cautions.PRESSURE, cautions.PESTS, cautions.AMMONIA, cautions.KILLING} <= set(with_sugar)
    bare = make.plan(treatments=(Treatment("water only", "water"), Treatment("nothing", "nothing")))
    lines = caution_lines(heated(make.trial(bare), 30.0))
    assert lines == (cautions.HANDS, cautions.DUST, cautions.LOCAL)


@pytest.mark.parametrize(
    ("materials", "there", "not_there"),
    [
        (("leaves",), (), (cautions.GERMS, cautions.SCRAPS, cautions.HERBICIDE)),
        (("leaves", "food"), (cautions.GERMS, cautions.SCRAPS), (cautions.HERBICIDE, cautions.PESTS)),
        (("manure",), (cautions.GERMS, cautions.HERBICIDE), (cautions.SCRAPS,)),
        (("hay",), (cautions.HERBICIDE,), (cautions.GERMS,)),
        (("grass",), (cautions.HERBICIDE,), (cautions.GERMS,)),
        (("straw",), (cautions.HERBICIDE,), (cautions.GERMS,)),
    ],
)
def test_what_the_bins_are_filled_with_calls_for_its_cautions(
    make: SimpleNamespace, materials: tuple[str, ...], there: tuple[str, ...], not_there: tuple[str, ...]
) -> None:
    bare = make.plan(treatments=(Treatment("water only", "water"), Treatment("nothing", "nothing")))
    lines = caution_lines(heated(make.trial(replace(bare, materials=materials)), 30.0))
    assert set(there) <= set(lines)
    assert not set(not_there) & set(lines)


def test_manure_in_one_arm_and_a_class_call_for_theirs(make: SimpleNamespace) -> None:
    arms = (Treatment("water only", "water"), Treatment("dung", "other", amounts={"manure_kg": 2.0, "urea_g": 5.0}))
    lines = caution_lines(heated(make.trial(replace(make.plan(treatments=arms), pupils=True)), 30.0))
    assert {cautions.GERMS, cautions.HERBICIDE, cautions.AMMONIA, cautions.PUPILS} <= set(lines)


def test_hand_washing_and_local_rules_always_stand(make: SimpleNamespace) -> None:
    assert caution_lines(make.trial())[-3:] == (cautions.HANDS, cautions.DUST, cautions.LOCAL)


def test_sanitation_names_its_rule_and_certifies_nothing() -> None:
    assert "40 CFR 503 Appendix B" in cautions.SANITATION
    assert "sewage sludge" in cautions.SANITATION
    assert cautions.SANITATION.endswith("Not a safety certificate.")


# ---------------------------------------------------------------- limits
def test_limits_are_built_from_the_trial(make: SimpleNamespace) -> None:
    lines = limit_lines(make.analysis())
    assert lines[0] == "Dry matter loss could not be compared. No bin was weighed after the start."
    assert "Decay rate: A rate says nothing of how far a bin gets." in lines
    assert not any("microbes killed" in line for line in lines)
    assert not any("kept from knowing" in line for line in lines)


def test_without_a_killed_arm_microbes_cannot_be_told_from_the_liquid(make: SimpleNamespace) -> None:
    plan = make.plan(treatments=(Treatment("water only", "water"), Treatment("live starter", "live")))
    assert any(
        "No arm had the same liquid with its microbes killed" in line for line in limit_lines(make.analysis(plan=plan))
    )


def test_undeclared_unblinded_and_lost_are_said(make: SimpleNamespace) -> None:
    trial = make.trial()
    bins = (replace(trial.bins[0], lost_on_day=20.0, lost_reason="tipped over", code=None), *trial.bins[1:])
    plan = make.plan(declared=False, stated_before_data=False, primary=None)
    lines = "\n".join(limit_lines(make.analysis(claims=False, plan=plan, bins=bins)))
    assert "No trial file came with the readings" in lines
    assert "1 bin of 12 was lost: B1 on day 20 (tipped over)." in lines
    assert "kept from knowing the treatment" in lines


def test_a_plan_made_late_is_said(make: SimpleNamespace) -> None:
    lines = limit_lines(make.analysis(plan=make.plan(stated_before_data=False)))
    assert any(line.startswith("The plan counts as stated after the data began") for line in lines)


# ---------------------------------------------------------------- compared, certainty
def test_unequal_amounts_are_told_before_the_effects_are_trusted(make: SimpleNamespace) -> None:
    assert fairness_lines(make.analysis()) == (
        "Killed starter and live starter got 100 g more sugar and 2.3 g more nitrogen in each bin than water only; "
        "a difference may come from that alone.",
    )


def test_amounts_that_nobody_declared_are_missed(make: SimpleNamespace) -> None:
    plan = make.plan(treatments=(Treatment("water only"), Treatment("live starter")))
    (line,) = fairness_lines(make.analysis(plan=plan))
    assert line.startswith("The files do not say how much water, sugar, nitrogen or soil")


def test_what_was_compared(make: SimpleNamespace) -> None:
    assert compared_lines(make.analysis())[:3] == (
        "Bins stood in 4 blocks; comparisons are made inside blocks. The layout was drawn by seed 11.",
        "50 rows of readings, day 0 to day 28: 48 used, 2 set aside.",
        "The primary outcome: decay rate.",
    )


def test_what_differs_from_the_registration_is_listed(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    assert "registered" not in report.what_was_compared(analysis).text
    assert "Nothing differs from what was registered." in report.what_was_compared(analysis, {}, ()).text
    told = ('level: registered "0.95", analysed "0.9".', "Bin <b>B1</b> was lost on day 7 (tipped over).")
    passage = report.what_was_compared(analysis, {}, told)
    assert "2 deviations from what was registered:" in passage.text
    assert all(line in passage.text for line in told)
    assert "<b>B1" not in passage.html
    assert "1 deviation from what was registered:" in report.what_was_compared(analysis, {}, told[:1]).text


def test_the_opening_of_a_key_is_dated(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    assert "the key was opened" not in report.what_was_compared(analysis).text
    note = Finding("note", "key-opened", "key.csv", None, None, "the key was read")
    opened = replace(analysis, trial=replace(analysis.trial, findings=(note,)))
    before = date.today()
    text = report.what_was_compared(opened).text
    days = {before, date.today()}  # midnight may pass between
    assert any(f"the key was opened for this report, on {day.isoformat()}." in text for day in days)


def test_how_sure(make: SimpleNamespace) -> None:
    lines = certainty_lines(make.analysis())
    assert lines[0] == (
        "In 95 of 100 trials like this one, both ranges hold their true values at once. They were widened for the "
        "2 comparisons with water only, so each may be read on its own."
    )
    assert (
        "How far bins scatter was judged from 6 degrees of freedom, after what 4 blocks differ by was taken out."
        in lines
    )


def test_no_range_is_claimed_where_there_is_none(make: SimpleNamespace) -> None:
    refusal = Refusal("models", ("One bin each.",), "decay_rate", values=make.values())
    analysis = replace(
        make.analysis(claims=False), answers=(Answer("decay_rate", "primary", refusal, refusal, (refusal,)),)
    )
    assert certainty_lines(analysis)[0].startswith("No range is given")
    assert "No comparison could be made" in report.effects(analysis).text
    assert report.answer(analysis).text == (
        "No claim was stated. The primary outcome is decay rate.\n"
        "This trial cannot compare treatments on decay rate. One bin each."
    )


# ---------------------------------------------------------------- methods, fits
def test_methods_paragraph_names_design_method_and_unit(make: SimpleNamespace) -> None:
    text = methods_text(make.analysis())
    assert text.startswith(
        "3 treatments (water only, killed starter and live starter) were compared in 12 compost bins in 4 "
        "blocks, drawn by a seeded generator; the experimental unit was the bin. Bins were read from day 0 to day 28."
    )
    assert "Matthews et al. 1990" in text
    assert "least squares with blocks as fixed effects, with one residual variance for all treatments" in text
    assert "exact multivariate t distribution of all comparisons made on this outcome (Dunnett 1955)" in text


def test_a_layout_by_hand_is_not_called_random() -> None:
    text = methods_text(trialkit.analyse(shipped("sample_trials") / "one_bin_each"))
    assert "were compared in 3 compost bins without blocks, given out by hand;" in text
    assert "random" not in text


def test_rows_become_values_only_in_bins_that_have_one() -> None:
    told = " ".join(certainty_lines(trialkit.analyse(shipped("sample_trials") / "two_bins_lost")))
    assert "137 rows of readings became one value for each of 10 of 12 bins. Reading a bin" in told


def test_a_block_variance_is_printed_negative_or_not(make: SimpleNamespace) -> None:
    assert fit_sentences(make.fit()) == (
        "The block variance is 0.00797 (residual 0.000428): bins of one block were more alike than "
        "bins of different blocks.",
        "All treatments together: F = 100.7 on 2 and 6 degrees of freedom, p <0.001.",
    )
    assert fit_sentences(make.fit(block_variance=-0.000081))[0] == (
        "The block variance is negative, −0.0000810 (residual 0.000428): bins of one block were less alike than bins "
        "of different blocks; it is printed as found, and the comparisons do not rest on it."
    )


# ---------------------------------------------------------------- appendix
def test_the_appendix_holds_what_a_statistician_asks_for(make: SimpleNamespace) -> None:
    opinion = SecondOpinion(
        "decay_rate", "othersoft 1.0", "mixed model", (("live − water", 0.2063, 0.2064),), ("It agreed.",)
    )
    text = report.appendix(make.analysis(), (opinion,), seed=7).text
    for piece in (
        "a" * 64,
        "Rows read 50 = used 48 + set aside 2.",
        "Second look at decay rate by othersoft 1.0: mixed model; scale of analysis",
        "0.20630 | 0.20640",
        "It agreed.",
        "Seed of the analysis: 7. Seed of the layout: 11.",
        "readings.csv | 51 | after the bin was lost on day 20",
        "trialkit report FOLDER",
    ):
        assert piece in text


def test_notes_are_printed_only_when_asked(make: SimpleNamespace) -> None:
    trial = make.trial()
    bins = (replace(trial.bins[0], note="Mrs Miller, 12 Oak Lane"), *trial.bins[1:])
    analysis = make.analysis(bins=bins)
    assert "Miller" not in report.appendix(analysis).html
    assert "Miller" in report.appendix(analysis, with_notes=True).html


def test_odd_readings_stay_and_are_shown(make: SimpleNamespace) -> None:
    assert report.odd_readings(make.analysis()).text == (
        "In readings.csv; these readings stay in the analysis:\n"
        '- line 7, core_temp_c: found "66.5"; expected 65 °C or less. Check the probe.'
    )
    assert "No reading stood out" in report.odd_readings(make.analysis(findings=())).text


# ---------------------------------------------------------------- the first screen without a claim
def test_one_sentence_a_comparison_without_a_claim(make: SimpleNamespace) -> None:
    assert report.answer(make.analysis(claims=False)).text.splitlines() == [
        "No claim was stated. The primary outcome is decay rate.",
        "With killed starter, decay ran 1.13 times as fast as with water only, between 1.09 and 1.18 (4 bins each).",
        "With live starter, decay ran 1.23 times as fast as with water only, between 1.18 and 1.28 (4 bins each).",
    ]
    late = make.plan(declared=False, primary=None)
    assert report.answer(make.analysis(claims=False, plan=late)).text.splitlines()[0] == (
        "Nothing was declared before the data, so what follows on decay rate is exploratory."
    )


def test_many_open_comparisons_are_told_together(make: SimpleNamespace) -> None:
    analysis = make.analysis(claims=False)
    many = [make.comparison(1.0, 0.5, 1.9, treatment=f"T{place}") for place in range(5)]
    clear = make.comparison(1.5, 1.2, 1.9)
    changed = replace(analysis, answers=(replace(analysis.answers[0], comparisons=(*many, clear)),))
    assert report.answer(changed).text.splitlines()[1:] == [
        "With live starter, decay ran 1.5 times as fast as with water only, between 1.2 and 1.9 (4 bins each).",
        "These bins cannot tell T0, T1, T2, T3 and T4 from water only: every one of these 5 ranges holds no "
        "difference; the figure shows each.",
    ]


def test_lines_of_the_handout_stay_within_thirty_words(make: SimpleNamespace) -> None:
    bare = make.plan(treatments=(Treatment("water only", "water"), Treatment("live starter", "live")))
    undeclared = make.plan(declared=False, stated_before_data=False, primary=None, treatments=())
    for analysis in (make.analysis(), make.analysis(plan=bare), make.analysis(claims=False, plan=undeclared)):
        text = report.in_short(analysis).text.replace("\n", " ")
        for sentence in re.split(r"(?<=[.:;]) ", text):
            assert len(sentence.split()) <= 30, sentence
        assert report.in_short(analysis).text.count("\n") <= 4


def test_what_the_measuring_warns_of_stands_among_the_limits_and_other_notes_do_not(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    first = analysis.answers[0]
    noted = replace(first.values, notes=("Warning: B9 was dry when it was called finished.", "B2 was read twice."))
    changed = replace(analysis, answers=(replace(first, values=noted), *analysis.answers[1:]))
    assert [line for line in limit_lines(changed) if line not in limit_lines(analysis)] == [
        "Decay rate: B9 was dry when it was called finished."
    ]
