"""Ten whole jobs with known answers, each from files to what is said of them.

Values "computed independently" come from other software or a formula worked by hand, apart from this
package. Curves are written without error where an answer is asked of known rates, so that the fit of a bin gives
them back.
"""

import csv
import math

import numpy as np
import pytest
from scipy import stats

import trialkit
from trialkit.errors import TemplateError, word_finding
from trialkit.intake import check_trial
from trialkit.records import Refusal
from trialkit.report import verdict_sentence
from trialkit.report.arms_apart import fairness_sentences
from trialkit.report.certainty import certainty_lines
from trialkit.report.shuffling import shuffling_lines
from trialkit.shipped import shipped

DAYS = (0, 3, 7, 10, 14, 21, 28, 35, 49, 63, 84)


@pytest.fixture
def folder(tmp_path):
    """Writes a trial folder from the text of trial.toml and two lists of dictionaries; returns its path."""

    def write(toml, bins, readings):
        (tmp_path / "trial.toml").write_text(toml, encoding="utf-8")
        for name, rows in (("bins.csv", bins), ("readings.csv", readings)):
            heads = list(dict.fromkeys(key for row in rows for key in row))
            with open(tmp_path / name, "w", newline="", encoding="utf-8") as file:
                table = csv.DictWriter(file, heads, restval="")
                table.writeheader()
                table.writerows(rows)
        return tmp_path

    return write


def plan(control, arms, *, primary, layout="completely random", more=""):
    """A trial file: ``arms`` maps names to further lines of their table."""
    tables = "".join(f'[[treatment]]\nname = "{name}"\n{lines}\n' for name, lines in arms.items())
    head = f'start = 2026-04-01\nstated_on = 2026-03-01\ncontrol = "{control}"\nprimary = "{primary}"\n'
    return f'{head}[layout]\nkind = "{layout}"\nvariances = "common"\n{tables}{more}'


def placed(rates, blocks=False):
    """Bins of every arm, numbered; with ``blocks`` the n-th bin of each arm stands in block n."""
    rows = []
    for arm, values in rates.items():
        for number, _ in enumerate(values, start=1):
            rows.append({"bin": f"{arm[0]}{number}", "treatment": arm} | ({"block": str(number)} if blocks else {}))
    return rows


def curves(rates, days=DAYS):
    """Volumes 80 + 120·exp(−k·t) litres of every bin, k per day."""
    return [
        {"bin": f"{arm[0]}{number}", "day": day, "volume_l": f"{80 + 120 * math.exp(-k * day):.9f}"}
        for arm, values in rates.items()
        for number, k in enumerate(values, start=1)
        for day in days
    ]


def answer(analysis, name):
    (found,) = [one for one in analysis.answers if one.name == name]
    return found


def pair(found, treatment, against):
    (one,) = [c for c in found.comparisons if (c.treatment, c.against) == (treatment, against)]
    return one


# ---------------------------------------------------------------- three arms in blocks
def test_what_came_with_the_carrier_and_what_needs_live_organisms(folder):
    """Computed independently: R 4.2.2 anova of the logs on 6 df, limits with the two-sided value d = 2.8628
    (quadrature; the method is that of Dunnett 1955)."""
    rates = {
        "water": (0.030, 0.034, 0.027, 0.031),
        "killed": (0.034, 0.037, 0.031, 0.036),
        "live": (0.036, 0.041, 0.033, 0.040),
    }
    arms = {name: f'role = "{name}"' for name in rates}
    found = answer(
        trialkit.analyse(
            folder(
                plan("water", arms, primary="decay_rate", layout="blocks"), placed(rates, blocks=True), curves(rates)
            )
        ),
        "decay_rate",
    )
    assert found.fit.f_test["f"] == pytest.approx(100.740, abs=1e-3)
    assert (found.fit.f_test["df_num"], found.fit.f_test["df_den"]) == (2, 6)
    for name, ratio, low, high in (("killed", 1.132413, 1.085953, 1.180861), ("live", 1.229090, 1.178663, 1.281674)):
        one = pair(found, name, "water")
        assert one.estimate == pytest.approx(ratio, abs=2e-6)
        assert (one.interval.low, one.interval.high) == pytest.approx((low, high), abs=1e-5)
    carrier, alive = found.partition.steps
    assert (carrier.name, alive.name) == ("carrier", "live organisms")
    assert carrier.estimate == pytest.approx(1.132413, abs=2e-6)
    assert alive.estimate == pytest.approx(math.exp(0.0819234), abs=2e-6)
    assert carrier.estimate * alive.estimate == pytest.approx(found.partition.total.estimate, rel=1e-12)


# ---------------------------------------------------------------- times known between visits only
WINDOWS = {
    "control": ((27, 30), (33, 36), (30, 33), (36, 39), (30, 33)),
    "treated": ((24, 27), (27, 30), (24, 27), (30, 33), (27, 30)),
}


def watched(folder, never=()):
    """Bins looked at every third day up to day 39; those named in ``never`` only as long as they were watched."""
    rows = []
    for arm, windows in WINDOWS.items():
        for number, (last_no, first_yes) in enumerate(windows, start=1):
            name = f"{arm[0]}{number}"
            days = range(0, last_no + 1 if name in never else 40, 3)
            rows += [{"bin": name, "day": d, "finished": "yes" if d >= first_yes else "no"} for d in days]
    arms = {"control": 'role = "water"', "treated": 'role = "live"'}
    toml = plan("control", arms, primary="days_to_finish", more='[finish]\nrule = "as recorded"\n')
    return answer(trialkit.analyse(folder(toml, placed(WINDOWS), rows)), "days_to_finish")


def test_times_between_visits(folder):
    """Computed independently by formula: two-sample t on the logs of window midpoints, 8 df."""
    one = pair(watched(folder), "treated", "control")
    assert one.df == 8
    assert one.estimate == pytest.approx(0.854187, abs=1e-6)
    assert (one.interval.low, one.interval.high) == pytest.approx((0.741697, 0.983737), abs=1e-6)


def test_bins_that_never_finish_are_kept(folder):
    """Computed independently with scipy: the likelihood of log-normal times is highest at a ratio of 0.845373, its Wald
    limits (0.749016, 0.954126) being too narrow for five bins. The estimate is the middle of draws: 0.01 for that."""
    found = watched(folder, never=("c2", "c4"))
    one = pair(found, "treated", "control")
    assert one.bins == (5, 5)
    assert [value.bin for value in found.values.values if value.censored] == ["c2", "c4"]
    assert one.estimate == pytest.approx(0.845373, abs=0.01)
    assert one.interval.low < 0.749016 and 0.954126 < one.interval.high < 1.0
    middles = {arm: np.log(np.mean(windows, axis=1)) for arm, windows in WINDOWS.items()}
    dropped = np.exp(middles["treated"].mean() - middles["control"][[0, 2, 4]].mean())
    assert one.estimate < dropped - 0.03  # leaving the two slowest controls out would flatter the control


# ---------------------------------------------------------------- readings are not replicates
def test_probes_are_not_bins(folder):
    """Computed independently, analysis of variance by hand: F(1, 4) = 0.649351, p = 0.465521 between bins; probes
    counted as bins would give F(1, 22) = 3.470, p = 0.076, and judged by the error between probes F(1, 18) = 100."""
    probes = {
        "a1": (50, 52, 51, 51),
        "a2": (44, 46, 45, 45),
        "a3": (55, 57, 56, 56),
        "b1": (58, 60, 59, 59),
        "b2": (52, 54, 53, 53),
        "b3": (49, 51, 50, 50),
    }
    rows = [{"bin": name, "day": 5, "moisture_pct": value} for name, values in probes.items() for value in values]
    bins = [{"bin": name, "treatment": name[0]} for name in probes]
    toml = plan("a", {"a": "", "b": ""}, primary="moisture_pct", more="[outcome.moisture_pct]\nday = 5\n")
    path = folder(toml, bins, rows)
    note, warning = sorted(check_trial(path).findings, key=lambda finding: finding.severity)
    assert (note.severity, note.code) == ("note", "rows-joined")
    assert note.found.startswith("6 visits have several rows: measured numbers were averaged")
    assert (warning.severity, warning.code) == ("warning", "readings-are-no-bins")
    assert word_finding(warning) == (
        "24 rows of readings come from 6 visits to 6 bins; readings of one bin at one visit are averaged: they make "
        "its value better, but add no bin. Treatments are compared on 6 bins, whatever the number of rows."
    )
    analysis = trialkit.analyse(path)
    found = answer(analysis, "moisture_pct")
    assert found.fit.f_test["f"] == pytest.approx(0.649351, abs=5.1e-7)
    assert (found.fit.f_test["df_num"], found.fit.f_test["df_den"]) == (1, 4)
    one = pair(found, "b", "a")
    assert one.p == pytest.approx(0.465521, abs=5.1e-7) and one.bins == (3, 3)
    assert (
        "What counts is the bin: 24 rows of readings became one value for each of 6 bins. "
        "Reading a bin more often makes its value better, but adds no bin."
    ) in certainty_lines(analysis)


def test_sixty_days_of_two_bins_give_no_p(folder):
    """Common practice: the bin is what a treatment was drawn for, so two bins cannot be compared."""
    rows = [
        {"bin": name, "day": day, "core_temp_c": f"{15 + gain * day * math.exp(-day / 9):.1f}", "ambient_temp_c": 12}
        for day in range(60)
        for name, gain in (("one", 9.0), ("two", 11.0))
    ]
    bins = [{"bin": "one", "treatment": "water"}, {"bin": "two", "treatment": "starter"}]
    claim = (
        '[[claim]]\ntext = "Hotter by 20 degree-days at least."\ntreatment = "starter"\nagainst = "water"\n'
        'outcome = "degree_days"\nat_least = 20\n'
    )
    toml = plan("water", {"water": "", "starter": ""}, primary="degree_days", more=claim)
    analysis = trialkit.analyse(folder(toml, bins, rows))
    assert analysis.trial.rows_used == 120
    for found in analysis.answers:
        assert isinstance(found.fit, Refusal)
        assert found.rerandomisation is None or found.rerandomisation.p is None
        assert all(isinstance(one, Refusal) for one in found.comparisons)
    (verdict,) = analysis.verdicts
    assert verdict.call == "not_answerable" and verdict.comparison is None
    assert verdict.reasons == (
        "Each treatment has one bin, so a difference between treatments cannot be told from a difference between two "
        "bins treated alike. More readings of the same bins do not help; one more bin of each treatment would.",
    )


# ---------------------------------------------------------------- soil and ash
@pytest.mark.parametrize(("start", "loss"), [(8.0, 68.457), (12.142857, 49.8645)])
def test_soil_in_one_arm_and_losses_by_ash(folder, start, loss):
    """Computed independently by balance of mass: 20 kg of leaves (8 % ash) and 1 kg of soil (95 %) that lost half of
    the organic matter of the leaves hold 21.610169 % ash. By the ash of the leaves alone the loss reads 68 %."""
    arms = {"water": 'role = "water"', "soil": 'role = "soil"\nsoil_kg = 1.0'}
    bins, rows = [], []
    for number in (1, 2):
        for arm, ash, later in (("water", 8.0, 14.8 + 0.2 * number), ("soil", start, 21.610169)):
            name = f"{arm[0]}{number}"
            bins.append({"bin": name, "treatment": arm, "start_ash_pct": ash})
            rows.append({"bin": name, "day": 40, "ash_pct": later})
    toml = plan(
        "water",
        arms,
        primary="organic_matter_loss_pct",
        more='[outcome.organic_matter_loss_pct]\nday = 40\nfrom = "ash"\n',
    )
    found = answer(trialkit.analyse(folder(toml, bins, rows)), "organic_matter_loss_pct")
    assert [v.value for v in found.values.values if v.treatment == "soil"] == pytest.approx([loss] * 2, abs=1e-3)
    (note,) = [note for note in found.values.notes if note.startswith("Soil is part of a recipe here.")]
    assert "turns a loss of 50 % into 68 %" in note
    assert ("one and the same start ash although only some got soil" in note) == (start == 8.0)


# ---------------------------------------------------------------- files
def test_fahrenheit_under_a_heading_that_says_celsius(folder):
    """By the definition of the two scales: 149 °F are 65.0 °C."""
    rows = [
        {"bin": name, "day": day, "core_temp_c": degrees, "ambient_temp_c": 15}
        for name in ("a1", "a2", "b1", "b2")
        for day, degrees in ((0, 104), (3, 131), (6, 149), (9, 140), (12, 113))
    ]
    bins = [{"bin": name, "treatment": name[0]} for name in ("a1", "a2", "b1", "b2")]
    path = folder(plan("a", {"a": "", "b": ""}, primary="peak_temp_c"), bins, rows)
    checked = check_trial(path)
    found = [finding for finding in checked.findings if finding.code == "looks-like-fahrenheit"]
    assert found and all(finding.severity == "error" for finding in found), checked.findings
    assert {finding.column for finding in found} == {"core_temp_c"}
    with pytest.raises(TemplateError, match="149 °F would be 65 °C"):
        trialkit.analyse(path)


LOST = (0.030, 0.033, 0.036, 0.032)


@pytest.mark.parametrize("given", [True, False])
def test_a_bin_that_is_missing_from_day_20_is_kept_and_marked(folder, given):
    """Its readings up to then follow the same curve as before, so its rate must come back: 0.120 per day."""
    rates = {"water": LOST, "starter": (0.120, 0.037, 0.040, 0.039)}
    rows = [row for row in curves(rates) if row["bin"] != "s1" or row["day"] <= 20]
    bins = placed(rates)
    if given:
        for row in bins:
            row |= {"lost_on_day": "20", "lost_reason": "tipped over"} if row["bin"] == "s1" else {}
    more = "[outcome.volume_loss_pct]\nday = 49\n"
    path = folder(plan("water", {"water": "", "starter": ""}, primary="decay_rate", more=more), bins, rows)
    analysis = trialkit.analyse(path)
    assert len(analysis.trial.bins) == 8 and analysis.trial.rows_used == 8 * len(DAYS) - 6
    (rate,) = [v for v in answer(analysis, "decay_rate").values.values if v.bin == "s1"]
    assert rate.value == pytest.approx(0.120, rel=1e-6) and rate.readings_used == 5
    (loss,) = [v for v in answer(analysis, "volume_loss_pct").values.values if v.bin == "s1"]
    assert loss.value is None
    assert loss.reason.startswith("lost on day 20" if given else "no volume_l"), loss.reason
    assert pair(answer(analysis, "volume_loss_pct"), "starter", "water").bins == (3, 4)


# ---------------------------------------------------------------- a control that went without water
def test_water_in_one_arm_only_is_told_with_its_size(folder):
    """Computed independently from the moisture curve of Haug (1993): 38 % to 40.95 % moisture, one litre on 20 kg,
    multiplies the rate by 1.3118."""
    rates = {"nothing": LOST, "starter": (0.034, 0.037, 0.040, 0.039)}
    arms = {"nothing": 'role = "nothing"\nwater_l = 0', "starter": 'role = "live"\nwater_l = 1.0'}
    bins = [row | {"start_wet_mass_kg": 20, "start_moisture_pct": 38} for row in placed(rates)]
    analysis = trialkit.analyse(folder(plan("nothing", arms, primary="decay_rate"), bins, curves(rates)))
    assert fairness_sentences(analysis)[0] == (
        "Starter got 1 L more water in each bin than nothing. Moisture 41.0 % beside 38.0 % could alone multiply the "
        "rate by 1.31."
    )


# ---------------------------------------------------------------- what a shuffle can show, and what a margin can
def test_three_against_three_cannot_shuffle_below_a_tenth(folder):
    """Computed independently: scipy ttest_ind of the logs; 6 labels are shared out in 20 ways, 2 of them this far."""
    rates = {"water": (0.030, 0.031, 0.032), "starter": (0.040, 0.042, 0.044)}
    found = answer(
        trialkit.analyse(
            folder(plan("water", {"water": "", "starter": ""}, primary="decay_rate"), placed(rates), curves(rates))
        ),
        "decay_rate",
    )
    one = pair(found, "starter", "water")
    expected = stats.ttest_ind(np.log(rates["starter"]), np.log(rates["water"]))
    assert one.p == pytest.approx(expected.pvalue, rel=1e-4) and one.p < 0.01
    assert (one.rerandomisation_p, one.rerandomisation_floor) == (0.1, 0.1)
    (line,) = shuffling_lines([one])
    assert "gives p = 0.1; the least it can be with these bins is 0.1." in line
    assert "there are too few ways to share out these bins" in line


def test_alike_within_a_margin_rules_out_a_quarter_either_way(folder):
    """Computed independently by R 4.2.2 t.test on logs, 6 df: ratio 1.001630, 95 % 0.867846 to 1.156037, 90 % 0.893842
    to 1.122416, inside 0.80 to 1.25."""
    rates = {"control": (0.030, 0.034, 0.027, 0.031), "equal": (0.031, 0.033, 0.028, 0.030)}
    claim = (
        '[[claim]]\ntext = "A quarter faster."\ntreatment = "equal"\nagainst = "control"\noutcome = "decay_rate"\n'
        "times_as_fast = 1.25\nequivalence = [0.80, 1.25]\n"
    )
    toml = plan("control", {"control": "", "equal": ""}, primary="decay_rate", more=claim)
    analysis = trialkit.analyse(folder(toml, placed(rates), curves(rates)))
    one = pair(answer(analysis, "decay_rate"), "equal", "control")
    assert one.estimate == pytest.approx(1.001630, abs=1e-5)
    assert (one.interval.low, one.interval.high) == pytest.approx((0.867846, 1.156037), abs=1e-5)
    assert (one.margin_interval.low, one.margin_interval.high) == pytest.approx((0.893842, 1.122416), abs=1e-5)
    (verdict,) = analysis.verdicts
    assert verdict.call == "no_difference" and verdict.inside_margin
    assert verdict.margin_interval.low > 0.80 and verdict.margin_interval.high < 1.25
    assert verdict_sentence(verdict) == (
        "No difference that matters: with equal, decay ran 1.00 times as fast as with control, between 0.89 and 1.12 "
        "(90 % range, 4 bins each). That rules out more than 25 % either way, the margin set for it (0.8 to 1.25 "
        "times)."
    )


# ---------------------------------------------------------------- the samples beside the truth on their cards
def holds(one, truth):
    return one.interval.low < truth < one.interval.high


@pytest.fixture(scope="module")
def sample():
    known = {}

    def analysed(name):
        if name not in known:
            known[name] = trialkit.analyse(shipped("sample_trials") / name)
        return known[name]

    return analysed


@pytest.mark.parametrize(
    ("name", "calls"),
    [
        ("class_of_six", ["less_than_claimed"]),
        ("two_bins_lost", ["no_difference"]),
        ("carrier_and_culture", ["no_difference"]),
        ("turning_split_plot", ["less_than_claimed"]),
    ],
)
def test_no_sample_has_a_finding_and_each_claim_has_its_answer(sample, name, calls):
    analysis = sample(name)
    assert analysis.trial.findings == () and analysis.trial.set_aside == ()
    assert [verdict.call for verdict in analysis.verdicts] == calls
    assert all(verdict.stated_before_data for verdict in analysis.verdicts)


def test_six_drums_hold_their_truth_and_hang_on_a_drum(sample):
    found = answer(sample("class_of_six"), "decay_rate")
    one = pair(found, "live starter", "water only")
    assert holds(one, 1.30) and one.interval.low > 1
    assert (one.rerandomisation_p, one.rerandomisation_floor) == (0.1, 0.1)
    assert {line.call for line in found.sensitivity if line.what == "left out"} == {"less_than_claimed", "contradict"}
    assert holds(pair(answer(sample("class_of_six"), "dry_matter_loss_pct"), "live starter", "water only"), 4.386)


def test_lost_bins_are_kept_with_their_reason_and_late_bins_have_days_of_their_own(sample):
    analysis = sample("two_bins_lost")
    found = answer(analysis, "decay_rate")
    assert holds(pair(found, "shovel of compost", "nothing added"), 1.0)
    reasons = {value.bin: value.reason for value in found.values.values if value.value is None}
    assert set(reasons) == {"C3", "C10"}
    assert "by day 21" in reasons["C3"] and "lost on day 8" in reasons["C10"]
    late = analysis.trial.readings.day[analysis.trial.readings.bin == 10]
    assert (late.min(), late.max()) == (0, 59)  # filled five days after the others, last seen on their day 64


def test_each_part_of_the_starter_holds_its_truth(sample):
    found = answer(sample("carrier_and_culture"), "decay_rate")
    carrier, culture, together = found.factors
    assert holds(carrier, 1.25) and holds(culture, 1.05) and holds(together, 1.0)
    assert carrier.bins == (8, 8)
    assert [
        (step.name, step.low < truth < step.high)
        for step, truth in zip(found.partition.steps, (1.25, 1.05), strict=True)
    ] == [
        ("carrier", True),
        ("live organisms", True),
    ]


def test_turning_is_judged_by_pairs_and_the_starter_by_bins(sample):
    turning, starter, together = answer(sample("turning_split_plot"), "decay_rate").factors
    assert holds(turning, 1.35) and holds(starter, 1.15) and holds(together, 1.0)
    assert (turning.df, starter.df) == (3, 6)
    assert turning.method.endswith("judged by whole plots")
