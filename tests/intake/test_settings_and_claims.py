"""The gate and the bench agree on settings, the gate and the court on claims: what one refuses, no other meets."""

from itertools import product

import pytest

from trialkit.errors import DesignError, TemplateError
from trialkit.intake import check_trial, load_trial
from trialkit.intake.parts import SETTING_KINDS, FinishPart, settings_model
from trialkit.outcome_names import OUTCOMES, SETTINGS
from trialkit.outcomes import bin_values
from trialkit.outcomes.decay import WORDS
from trialkit.outcomes.losses import BASES
from trialkit.records import Claim, Outcome
from trialkit.shipped import shipped
from trialkit.verdicts import claim_contradiction

GOOD = {
    "day": ["28", "0"],
    "max_gap_days": ["3"],
    "end_level": ['"own"', "84.5", "0"],
    "percent_of_start": ["50"],
    "percent_of_achievable": ["50"],
    "mass_sd_kg": ["0.2"],
    "moisture_sd_points": ["2"],
    "start_ash_sd_points": ["0.5"],
    "ash_sd_points": ["1.5"],
    "from": ['"volume_l"', '"wet mass"'],
}
LOSSES = ("organic_matter_loss_pct", "carbon_loss_pct", "nitrogen_loss_pct")
PAIRS = [(outcome, key) for outcome, keys in SETTINGS.items() for key in keys]


def values_of(outcome, key):
    return ['"ash"', '"mass"'] if key == "from" and outcome in LOSSES else GOOD[key]


def test_every_outcome_has_its_settings():
    assert set(SETTINGS) == set(OUTCOMES)
    for outcome, keys in SETTINGS.items():
        fields = settings_model(outcome).model_fields
        assert {field.alias or name for name, field in fields.items()} == set(keys)
    assert all((outcome, key) in SETTING_KINDS or key in SETTING_KINDS for outcome, key in PAIRS)


@pytest.mark.parametrize(("outcome", "key"), PAIRS)
def test_every_setting_passes_the_gate(trial_files, write, outcome, key):
    for value in values_of(outcome, key):
        table = f"[outcome.{outcome}]\n{key} = {value}\n\n[[claim]]"
        files = {**trial_files, "trial.toml": trial_files["trial.toml"].replace("[[claim]]", table)}
        trial = load_trial(write(files))
        assert dict(trial.plan.outcome_settings[outcome]) == {key: json_of(value)}


def json_of(text):
    return text.strip('"') if text.startswith('"') else float(text)


@pytest.mark.parametrize(("outcome", "key"), [*PAIRS, ("decay_rate", "day"), ("days_to_finish", "day")])
@pytest.mark.parametrize("value", ['"often"', "-1", "true", "[1]", "inf", "0", "1e7"])
def test_what_the_gate_lets_through_the_bench_can_use(trial_files, write, outcome, key, value):
    table = f"[outcome.{outcome}]\n{key} = {value}\n\n[[claim]]"
    files = {**trial_files, "trial.toml": trial_files["trial.toml"].replace("[[claim]]", table)}
    place = write(files)
    try:
        trial = load_trial(place)
    except TemplateError as error:
        assert any(f.line and f.column.startswith(f"outcome.{outcome}") for f in error.findings)
        return
    assert value == "0"  # the only one that may be meant
    bin_values(trial, outcome)  # a value or a refusal, never a DesignError


def test_the_words_for_from_are_those_of_the_bench():
    for outcome, words in (("decay_rate", WORDS), *((name, BASES) for name in LOSSES)):
        for word in words:
            settings_model(outcome).model_validate({"from": word})


SIZES = ("times_as_fast", "at_least", "at_least_ratio", "within_days")
AMOUNTS = (0.5, 1.0, 1.2, 1.25, 2.0)
MARGINS = (None, (0.8, 1.25), (1.25, 0.8), (0.3, 3.0), (-5.0, 5.0), (-0.5, 50.0), (1.0, 2.0))
AGAINST = ("water only", None, "live starter")
# one outcome of every kind: rate, time, day of a peak; ratio and difference, better up, down and neither
KINDS = ("decay_rate", "days_to_threshold", "days_to_peak", "cn_ratio", "germination_index_pct", "volume_loss_pct",
         "nitrogen_loss_pct", "ph", "ec_ds_m")  # fmt: skip


def every_claim():
    """Every combination of outcome, size, amount, margin and against."""
    for name, size, amount, margin, against in product(KINDS, SIZES, AMOUNTS, MARGINS, AGAINST):
        yield Claim("x", "live starter", against, name, size, amount, "all", margin)


def outcome_record(name):
    better, scale = OUTCOMES[name]
    return Outcome(name, name, "", scale, better, "", "", "")


def written(claim):
    lines = ["[[claim]]", 'text = "x"', 'treatment = "live starter"', f'outcome = "{claim.outcome}"']
    lines += [f"{claim.size} = {claim.amount}"]
    lines += [f'against = "{claim.against}"'] if claim.against else []
    lines += [f"equivalence = [{claim.equivalence[0]}, {claim.equivalence[1]}]"] if claim.equivalence else []
    return "\n".join(lines)


def test_the_gate_refuses_exactly_the_claims_that_contradict_themselves(trial_files, write):
    head = trial_files["trial.toml"].partition("[[claim]]")[0]
    counts = {True: 0, False: 0}
    claims = list(every_claim())
    for begin in range(0, len(claims), 20):
        batch = claims[begin : begin + 20]
        toml = head + "\n\n".join(map(written, batch))
        findings = check_trial(write({**trial_files, "trial.toml": toml, "readings.csv": "bin,day\n"})).findings
        told = {f.column.split(",")[0] for f in findings if f.severity == "error" and f.file == "trial.toml"}
        assert all(f.line for f in findings if f.severity == "error")
        for number, claim in enumerate(batch):
            contradicts = claim_contradiction(claim, outcome_record(claim.outcome)) is not None
            counts[contradicts] += 1
            assert (f"claim {number + 1}" in told) is contradicts, claim
    assert min(counts.values()) > 50


@pytest.mark.parametrize("seed", range(24))
def test_a_contradiction_is_a_fault_of_the_file_with_its_line(trial_files, write, seed):
    wrong = [claim for claim in every_claim() if claim_contradiction(claim, outcome_record(claim.outcome))]
    claim = wrong[seed * 911 % len(wrong)]
    toml = trial_files["trial.toml"].partition("[[claim]]")[0] + written(claim)
    with pytest.raises(TemplateError) as caught:
        load_trial(write({**trial_files, "trial.toml": toml}))
    lines = toml.splitlines()
    for finding in caught.value.findings:
        if finding.severity == "error":
            assert finding.line is not None and finding.line > lines.index("[[claim]]")


@pytest.mark.parametrize("amount", ["0", "-1", "inf", "nan", "1e7"])
@pytest.mark.parametrize("size", SIZES)
def test_an_amount_that_is_no_size_is_refused_with_its_line(spoil, size, amount):
    (text,) = spoil("trial.toml", "times_as_fast = 2.0", f"{size} = {amount}")
    assert text.startswith(f"line 25, claim 1, {size}: found ")


def test_claim_only_beside_several_claims_is_refused(trial_files, write):
    second = trial_files["trial.toml"].partition("[[claim]]")[2].replace("= 2.0", '= 2.0\nfamily = "claim only"')
    with pytest.raises(TemplateError, match='"claim only" in a file with 2 claims'):
        load_trial(write({**trial_files, "trial.toml": trial_files["trial.toml"] + "[[claim]]" + second}))
    first = trial_files["trial.toml"].replace("= 2.0", '= 2.0\nfamily = "claim only"')
    assert load_trial(write({**trial_files, "trial.toml": first})).plan.claims[0].family == "claim only"


def test_a_design_error_is_not_what_the_gate_raises():
    assert not issubclass(TemplateError, DesignError)


def test_a_written_finish_rule_is_read_and_a_slip_in_it_named(tmp_path):
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / "readings.csv").write_text("bin,treatment,day,finished\nB1,water,3,no\nB2,live,3,yes\n", encoding="utf-8")
    text = 'control = "water"\n[finish]\nrule = "all of"\nfinished = true\nmoisture_at_least_pct = 45\n'
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    plan = check_trial(folder).trial.plan
    assert dict(plan.finish) == {"rule": "all of", "finished": True, "moisture_at_least_pct": 45.0}
    (folder / "trial.toml").write_text(text.replace("moisture_at_least", "moisture_at_leest"), encoding="utf-8")
    (found,) = [f for f in check_trial(folder).findings if f.severity == "error"]
    assert 'nearest is "moisture_at_least_pct"' in found.expected


def test_visits_that_are_planned_and_not_read_are_no_data(trial_files, write, said):
    # stated on the 20th; day 0 would be the 3rd, day 21 the 24th
    toml = trial_files["trial.toml"].replace("start = 2026-10-03", "start = 2026-09-03")
    head = "bin,day,volume_l\n"
    empty = "".join(f"B{number},0,\n" for number in (1, 2, 3, 4))
    codes = [code for _, code, _ in said(write({**trial_files, "trial.toml": toml, "readings.csv": head + empty}))]
    assert codes == ["no-readings", "set-aside"]
    later = {**trial_files, "trial.toml": toml, "readings.csv": head + empty + "B1,21,150\n"}
    assert "stated-after-data" not in [code for _, code, _ in said(write(later))]
    earlier = {**later, "readings.csv": head + empty + "B1,14,150\n"}
    assert ("warning", "stated-after-data") in [(severity, code) for severity, code, _ in said(write(earlier))]


def test_the_finish_rule_of_the_template_passes_the_gate_and_names_every_condition(write):
    text = (shipped("templates") / "trial.toml").read_text(encoding="utf-8")
    begin = text.index("# [finish]")
    example, rest = text[begin:].split("\n\n", 1)
    used = text[:begin] + "\n".join(line.removeprefix("# ") for line in example.splitlines()) + "\n\n" + rest
    bins = (shipped("templates") / "bins.csv").read_text(encoding="utf-8")
    checked = check_trial(write({"trial.toml": used, "bins.csv": bins}))
    assert checked.trial is not None
    assert set(checked.trial.plan.finish) == set(FinishPart.model_fields)


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (
            ["cn_at_most = 20"],
            'line 27, finish, cn_at_most: cn_at_most beside rule = "as recorded"; conditions belong to '
            'rule = "all of". Change the rule, or remove the line.',
        ),
        (
            ['rule = "all of"', "finished = false"],
            'line 27, finish, rule: rule = "all of" without a condition; expected one or more of reheating_at_most_c, '
            "appearance_at_least, odour_at_least, germination_at_least_pct, cn_at_most, moisture_at_least_pct, "
            "finished. Add one.",
        ),
        (
            ['rule = "all of"', "cn_at_most = 20", "days_after_turning = 3"],
            "line 29, finish, days_after_turning: days_after_turning without reheating_at_most_c; "
            "the days belong to that condition. Add it, or remove the line.",
        ),
    ],
)
def test_a_finish_rule_that_contradicts_itself_is_told_before_the_report_refuses_it(
    trial_files, write, said, lines, sentence
):
    toml = "\n".join([trial_files["trial.toml"] + "[finish]", *lines])
    assert [text for *_, text in said(write({**trial_files, "trial.toml": toml}), "error")] == [sentence]
