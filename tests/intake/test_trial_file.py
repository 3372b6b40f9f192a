"""The trial file: what it becomes, and the sentence for every way to get it wrong."""

from datetime import date

import pytest

from trialkit.errors import TemplateError
from trialkit.intake import load_trial

ROLES = '"nothing", "water", "carrier", "killed", "live", "soil", "other"'


def test_a_trial_file_becomes_a_plan(trial_files, write):
    plan = load_trial(write(trial_files)).plan
    assert plan.control == "water only"
    assert plan.start == date(2026, 10, 3)
    assert plan.layout.kind == "blocks"
    assert [item.name for item in plan.treatments] == ["water only", "live starter"]
    assert plan.treatments[1].role == "live"
    assert dict(plan.treatments[0].amounts) == {"water_l": 1.0}
    claim = plan.claims[0]
    assert (claim.size, claim.amount, claim.against) == ("times_as_fast", 2.0, "water only")
    assert plan.declared and plan.stated_before_data
    assert plan.role_of("decay_rate") == "primary"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'control = "water only"',
            "control = water only",
            'line 4: found control = water only; expected text in quotation marks. Write control = "water only".',
        ),
        ('control = "water only"\n', "", 'control: control is missing; expected control = "water only". Add the line.'),
        (
            "control",
            "controll",
            'line 4, controll: "controll" is not known here; nearest is "control". Rename it.',
        ),
        (
            'control = "water only"',
            'control = "water"',
            'line 4, control: found "water"; expected one of "water only", "live starter". Nearest is "water only".',
        ),
        (
            "start = 2026-10-03",
            "start = 03/10/2026",
            "line 2: found start = 03/10/2026; expected a date as year-month-day. Write start = 2026-10-31.",
        ),
        (
            "start = 2026-10-03",
            'start = "2026-10-03"',
            'line 2, start: found "2026-10-03"; expected a date. Write start = 2026-10-31, without quotation marks.',
        ),
        (
            "times_as_fast = 2.0",
            "times_as_fast = 2,0",
            "line 25: found times_as_fast = 2,0; expected a decimal point. Write times_as_fast = 2.0.",
        ),
        (
            'title = "Leaves"',
            "title = “Leaves”",
            'line 1: found title = “Leaves”; expected straight quotation marks. Type " instead of curly ones.',
        ),
        (
            'title = "Leaves"',
            'title: "Leaves"',
            'line 1: found title: "Leaves"; expected an equals sign, title = "Leaves".',
        ),
        (
            'title = "Leaves"',
            'title = "Leaves',
            'line 1: found title = "Leaves; a quotation mark is opened and never closed. Close it on the same line.',
        ),
        (
            'title = "Leaves"',
            'title = "Leaves"\ntitle = "Leaf"',
            'line 2: found title = "Leaf"; this name stands twice in one table. Keep one of the two.',
        ),
        (
            'title = "Leaves"',
            "title =",
            "line 1: found title =; expected a value after the equals sign. Fill it in, or remove the line.",
        ),
        (
            "[layout]",
            "[layout",
            "line 7: found [layout; expected [name] or [[name]] on a line of its own. Close the brackets.",
        ),
        (
            "[[claim]]",
            "[claim]",
            "line 20, claim: found a table; expected [[claim]], with two brackets on either side.",
        ),
        (
            'kind = "blocks"',
            'kind = "block"',
            'line 8, layout, kind: found "block"; expected one of "completely random", "blocks", "latin square", '
            '"split plot". Nearest is "blocks".',
        ),
        (
            'role = "live"',
            'role = "alive"',
            f'line 17, treatment 2, role: found "alive"; expected one of {ROLES}. Nearest is "live".',
        ),
        (
            "water_l = 1.0",
            "watr_l = 1.0",
            'line 13, treatment 1, watr_l: "watr_l" is not known here; nearest is "water_l". Rename it.',
        ),
        (
            "water_l = 1.0",
            "water_l = -1.0",
            "line 13, treatment 1, water_l: found -1.0; expected a number of 0 or more. Correct it.",
        ),
        (
            'title = "Leaves"',
            'title = "Leaves"\nlevel = 95',
            "line 2, level: found 95; expected a number of 0.5 or more and below 1. Write 95 % as 0.95.",
        ),
        (
            'outcome = "decay_rate"',
            'outcome = "decay_rte"',
            'line 24, claim 1, outcome: found "decay_rte"; nearest is "decay_rate". Rename it.',
        ),
        (
            "[layout]",
            '[outcome.decay_rate]\nform = "volume_l"\n[layout]',
            'line 8, outcome.decay_rate, form: "form" is not known here; nearest is "from". Rename it.',
        ),
        (
            "[layout]",
            '[outcome.decay_rate]\nfrom = "volume"\n[layout]',
            'line 8, outcome.decay_rate, from: found "volume"; expected one of "volume_l", "height_cm", '
            '"respired_c_g_kg", "dry mass", "wet mass", "dry_mass_kg", "wet_mass_kg". Nearest is "volume_l".',
        ),
        (
            "[layout]",
            "[outcome.days_to_threshold]\npercent_of_start = 50\npercent_of_achievable = 50\n[layout]",
            "line 7, outcome.days_to_threshold: both percent_of_start and percent_of_achievable; expected one of them. "
            "Remove one.",
        ),
        (
            'treatment = "live starter"',
            'treatment = "live"',
            'line 22, claim 1, treatment: found "live"; expected one of "water only", "live starter".',
        ),
        (
            'against = "water only"\n',
            "",
            "line 21, claim 1, text: the claim names no treatment to compare with; expected against. "
            'Add against = "water only" if it is the control.',
        ),
        (
            'against = "water only"',
            'against = "live starter"',
            'line 23, claim 1, against: "live starter" is compared with itself. Name two treatments.',
        ),
        (
            "times_as_fast = 2.0",
            "times_as_fast = 2.0\nat_least_ratio = 2.0",
            "line 25, claim 1, times_as_fast: times_as_fast and at_least_ratio; "
            "expected exactly one of times_as_fast, at_least, at_least_ratio, within_days.",
        ),
        (
            "times_as_fast = 2.0\n",
            "",
            "line 21, claim 1, text: the claim has no size; "
            "expected exactly one of times_as_fast, at_least, at_least_ratio, within_days.",
        ),
        (
            "times_as_fast = 2.0",
            "times_as_fast = 2.0\nequivalence = [0.3, 3.0]",
            "line 26, claim 1, equivalence: the size claimed, 2, lies inside the claim's own equivalence margin "
            "[0.3, 3]; a claim cannot say both more and the same. Narrow the margin or claim more.",
        ),
        (
            "times_as_fast = 2.0",
            "times_as_fast = 2.0\nequivalence = [1.25, 0.8]",
            "line 26, claim 1, equivalence: found [1.25, 0.8]; expected two ratios on either side of 1 for decay_rate, "
            "the lower first.",
        ),
        (
            "times_as_fast = 2.0",
            'times_as_fast = 2.0\nfamily = "claim only"\n[[claim]]\ntext = "x"\ntreatment = "live starter"\n'
            'against = "water only"\noutcome = "decay_rate"\ntimes_as_fast = 3',
            'line 26, claim 1, family: "claim only" in a file with 2 claims; expected exactly one claim. '
            'Write family = "all".',
        ),
        (
            "times_as_fast = 2.0",
            "within_days = 30",
            'line 23, claim 1, against: within_days together with against = "water only"; '
            "a number of days is compared with no other treatment. Remove one of the two.",
        ),
        (
            'name = "live starter"',
            'name = "water only"',
            'line 16, treatment 2, name: "water only" is declared twice; expected every treatment once. Remove one.',
        ),
        (
            'primary = "decay_rate"',
            'primary = "decay_rate"\nsecondary = ["decay_rate"]',
            'line 6, secondary: "decay_rate" has two roles; expected every outcome once. Remove one.',
        ),
        (
            'kind = "blocks"',
            'kind = "split plot"',
            "line 8, layout, kind: a split plot without whole_plot_factor; "
            'expected the factor that is set per whole plot. Add whole_plot_factor = "…".',
        ),
        ("[[claim]]", "[[claims]]", 'line 20, claims: "claims" is not known here; nearest is "claim". Rename it.'),
        (
            'kind = "blocks"',
            'redraw = "none"',
            'line 8, layout, redraw: "redraw" is not known here; nearest is "redraw_rule". Rename it.',
        ),
        (
            "times_as_fast = 2.0",
            "times_as_fast = inf",
            "line 25, claim 1, times_as_fast: found inf; expected a number that is finite. "
            "Correct it, or leave the line out.",
        ),
        (
            "[[claim]]",
            '[outcome.decay_rate]\nend_level = "fixed"\n[[claim]]',
            'line 21, outcome.decay_rate, end_level: found "fixed"; expected "own", or one number for all bins.',
        ),
        (
            "[[treatment]]",
            "[treatment]",
            "line 15: [treatment] and [[treatment]] in one file; expected [[treatment]] for each. Double the brackets.",
        ),
        (
            "[[claim]]",
            '[finish]\nrule = "half"\n[[claim]]',
            'line 21, finish, rule: found "half"; expected one of "as recorded", "all of". Nearest is "all of".',
        ),
    ],
)
def test_a_fault_in_the_trial_file_is_told_with_its_line(spoil, old, new, sentence):
    assert sentence in spoil("trial.toml", old, new)


@pytest.mark.parametrize(
    ("outcome", "size", "sentence"),
    [
        (
            "cn_ratio",
            "times_as_fast = 2",
            "times_as_fast on cn_ratio, which is neither a rate nor a time; "
            "expected one of decay_rate, days_to_threshold, days_to_finish. Use at_least_ratio, or another outcome.",
        ),
        (
            "ph",
            "times_as_fast = 2",
            "times_as_fast on ph, which has no better direction; "
            "expected one of decay_rate, days_to_threshold, days_to_finish. Use at_least, or another outcome.",
        ),
        (
            "decay_rate",
            "at_least = 2",
            "at_least, a difference, on decay_rate; this outcome is compared as a ratio. Use at_least_ratio.",
        ),
        (
            "volume_loss_pct",
            "at_least_ratio = 2",
            "at_least_ratio on volume_loss_pct; this outcome is compared as a difference. Use at_least.",
        ),
    ],
)
def test_a_size_must_fit_its_outcome(spoil, outcome, size, sentence):
    old = 'outcome = "decay_rate"\ntimes_as_fast = 2.0'
    name = size.split(" ")[0]
    assert spoil("trial.toml", old, f'outcome = "{outcome}"\n{size}') == [f"line 25, claim 1, {name}: {sentence}"]


@pytest.mark.parametrize(
    ("outcome", "size", "margin", "contradicts"),
    [
        # a rate twice as fast is a ratio of 2, a time twice as fast one of 0.5
        ("decay_rate", "times_as_fast = 1.2", "[0.8, 1.25]", True),
        ("decay_rate", "times_as_fast = 1.25", "[0.8, 1.25]", False),
        ("days_to_threshold", "times_as_fast = 1.2", "[0.8, 1.25]", True),
        ("days_to_threshold", "times_as_fast = 1.3", "[0.8, 1.25]", False),
        ("cn_ratio", "at_least_ratio = 1.2", "[0.8, 1.1]", True),
        ("cn_ratio", "at_least_ratio = 1.2", "[0.9, 1.5]", False),
        ("volume_loss_pct", "at_least = 4", "[-5, 5]", True),
        ("volume_loss_pct", "at_least = 5", "[-5, 5]", False),
        ("nitrogen_loss_pct", "at_least = 4", "[-3, 5]", False),
        ("nitrogen_loss_pct", "at_least = 4", "[-5, 3]", True),
    ],
)
def test_a_claim_inside_its_own_margin_contradicts_itself(spoil, outcome, size, margin, contradicts):
    old = 'outcome = "decay_rate"\ntimes_as_fast = 2.0'
    found = spoil("trial.toml", old, f'outcome = "{outcome}"\n{size}\nequivalence = {margin}')
    assert bool(found) is contradicts
    assert all("lies inside the claim's own equivalence margin" in text for text in found)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "stated_on = 2026-09-20",
            "stated_on = 2026-10-04",
            "line 3, stated_on: the claims were stated on 2026-10-04, after the data began (2026-10-03). "
            "They are judged and marked as stated after the data began.",
        ),
        (
            "stated_on = 2026-09-20\n",
            "",
            "stated_on: the file does not say when the claims were stated; they do not count as stated before the "
            "data. Give the day the claims were written down, as in stated_on = 2026-09-20.",
        ),
        (
            "start = 2026-10-03\n",
            "",
            "line 2, stated_on: no date of a reading is known; the claims do not count as stated before the data. "
            "Give the start of the trial, as in start = 2026-10-03.",
        ),
    ],
)
def test_claims_count_as_stated_before_the_data_only_when_dates_say_so(trial_files, write, spoil, old, new, sentence):
    assert spoil("trial.toml", old, new, "warning") == [sentence]
    files = {**trial_files, "trial.toml": trial_files["trial.toml"].replace(old, new)}
    assert load_trial(write(files)).plan.stated_before_data is False


def test_a_claim_on_a_score_is_warned_of(trial_files, spoil):
    trial_files["trial.toml"] = trial_files["trial.toml"].replace('outcome = "decay_rate"', 'outcome = "odour_score"')
    assert spoil("trial.toml", "times_as_fast = 2.0", "at_least = 1.0", severity="warning") == [
        "line 25, claim 1, at_least: at_least on odour_score; scores are steps, and only which of two bins scored "
        'higher is compared. The report will say "cannot be answered" of this claim. '
        "Claim something measured, or leave it out."
    ]


def test_a_claim_stated_on_the_day_of_the_first_reading_is_in_time(trial_files, write):
    files = {**trial_files, "trial.toml": trial_files["trial.toml"].replace("2026-09-20", "2026-10-03")}
    assert load_trial(write(files)).plan.stated_before_data is True


def test_the_command_cannot_name_another_control(trial_files, write):
    place = write(trial_files)
    assert load_trial(place, control="water only").plan.control == "water only"
    with pytest.raises(TemplateError) as caught:
        load_trial(place, control="live starter")
    assert str(caught.value).splitlines()[-1] == (
        '  line 4, control: the command names "live starter" as the control; the trial file names "water only". '
        "Leave --control out, or change the file."
    )


def test_a_declared_treatment_without_a_bin_is_a_warning(spoil):
    assert spoil("trial.toml", "[[claim]]", '[[treatment]]\nname = "soil"\n\n[[claim]]', "warning") == [
        'line 21, treatment 3, name: no bin has the treatment "soil". Check the treatments of the bins.'
    ]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_a_trial_file_may_come_in_other_encodings(trial_files, write, encoding):
    text = trial_files["trial.toml"].replace("Leaves", "Blätter")
    trial = load_trial(write({**trial_files, "trial.toml": text.encode(encoding)}))
    assert trial.plan.title == "Blätter"


def test_treatments_without_declaration_come_in_the_order_of_the_bins(trial_files, write):
    toml = 'control = "live starter"\n'
    plan = load_trial(write({**trial_files, "trial.toml": toml})).plan
    assert [item.name for item in plan.treatments] == ["water only", "live starter"]
    assert plan.layout.kind == "blocks"
    assert plan.declared and not plan.claims and not plan.stated_before_data
