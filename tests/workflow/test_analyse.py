"""From a folder to verdicts, on the invented sample trials and on names that must stay names."""

import math

import pytest

import trialkit
from trialkit.errors import TemplateError
from trialkit.records import Comparison, Fit, Refusal
from trialkit.shipped import shipped


@pytest.fixture(scope="module")
def three():
    return trialkit.analyse(shipped("sample_trials") / "three_arms")


def comparison(analysis, outcome, treatment, against):
    (answer,) = [answer for answer in analysis.answers if answer.name == outcome]
    (found,) = [c for c in answer.comparisons if (c.treatment, c.against) == (treatment, against)]
    return found


def test_the_sample_gets_the_answers_its_card_lets_one_expect(three):
    # the truth of the card: 1.30 and 1.18 times water; each range must hold it, and no other order of treatments
    live = comparison(three, "decay_rate", "live starter", "water only")
    killed = comparison(three, "decay_rate", "killed starter", "water only")
    assert live.interval.low < 1.30 < live.interval.high
    assert killed.interval.low < 1.18 < killed.interval.high
    assert live.interval.adjustment == "multivariate t"
    assert [verdict.call for verdict in three.verdicts] == ["less_than_claimed", "cannot_tell"]
    assert all(verdict.stated_before_data for verdict in three.verdicts)


def test_every_row_is_accounted_for(three):
    assert three.trial.rows_read == 132 == three.trial.rows_used + len(three.trial.set_aside)


def test_secondary_outcomes_carry_holm(three):
    roles = {answer.name: answer.role for answer in three.answers}
    assert roles == {"decay_rate": "primary", "dry_matter_loss_pct": "secondary", "cn_ratio": "secondary"}
    assert comparison(three, "cn_ratio", "live starter", "water only").interval.adjustment == "holm"


def test_one_bin_a_treatment_is_refused_with_the_reason():
    analysis = trialkit.analyse(shipped("sample_trials") / "one_bin_each")
    (verdict,) = analysis.verdicts
    assert verdict.call == "not_answerable"
    assert verdict.stated_before_data
    assert verdict.reasons[0].startswith("Each treatment has one bin, so a difference between treatments cannot")
    (answer,) = analysis.answers
    assert isinstance(answer.fit, Refusal)
    assert len(answer.values.values) == 3  # the bins are still shown


NASTY = ["__import__('os').system('x')", 'Q("y")', "<script>alert(1)</script>", "=cmd()", "None", "1e5", "TRUE"]


@pytest.mark.parametrize("name", NASTY)
def test_names_from_files_are_never_evaluated(tmp_path, name):
    quoted = '"' + name.replace('"', '""') + '"'
    rows = ["bin,treatment,day,volume_l"]
    for i in range(3):
        for day in (0, 7, 14, 21, 28, 42, 60):
            for arm, rate in (("water", 0.05), (quoted, 0.06 + 0.002 * i)):
                bin_ = f"{'w' if arm == 'water' else 't'}{i}"
                volume = 80 + 120 * math.exp(-(rate + 0.001 * i) * day) + 0.3 * math.sin(7 * i + day)
                rows.append(f"{bin_},{arm},{day},{volume:.2f}")
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    analysis = trialkit.analyse(path, control="water")
    found = comparison(analysis, "decay_rate", name, "water")
    assert isinstance(found, Comparison)
    assert found.treatment == name


def test_without_a_plan_everything_is_exploratory(tmp_path):
    source = shipped("sample_trials") / "three_arms"
    for file in ("bins.csv", "readings.csv"):
        (tmp_path / file).write_bytes((source / file).read_bytes())
    analysis = trialkit.analyse(tmp_path, control="water only")
    assert {answer.role for answer in analysis.answers} == {"exploratory"}
    assert not analysis.trial.plan.stated_before_data
    assert analysis.trial.plan.layout.kind == "blocks"  # a block column means blocks
    assert {answer.name for answer in analysis.answers if isinstance(answer.fit, Fit)} >= {"decay_rate", "cn_ratio"}


def test_the_same_input_gives_the_same_answer(three):
    again = trialkit.analyse(shipped("sample_trials") / "three_arms")
    for first, second in zip(three.answers, again.answers, strict=True):
        for one, two in zip(first.comparisons, second.comparisons, strict=True):
            assert one.estimate == pytest.approx(two.estimate, rel=1e-12)
            assert one.interval.low == pytest.approx(two.interval.low, rel=1e-12)


def test_a_control_that_is_no_treatment_names_the_nearest(tmp_path):
    source = shipped("sample_trials") / "three_arms"
    for file in ("bins.csv", "readings.csv"):
        (tmp_path / file).write_bytes((source / file).read_bytes())
    with pytest.raises(TemplateError, match="water only"):
        trialkit.analyse(tmp_path, control="wateronly")
