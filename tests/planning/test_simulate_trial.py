"""Invented readings: the truth they hide, what is marked, what is never touched, and the old numbers still the same."""

import csv
import io
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.intake import READINGS, check_trial
from trialkit.numerics.log_normal import sd_log_of
from trialkit.planning.plan import plan_trial
from trialkit.planning.writing import write_plan
from trialkit.records import Bin
from trialkit.simulate import WHOLE_PLOT_CV, PlannedFolder, Truth, simulate_readings, simulate_trial, suppose_truth

SAMPLES = Path(__file__).resolve().parents[2] / "sample_trials"


def rows_of(files, name):
    return list(csv.DictReader(io.StringIO(files[name].decode())))


def test_the_committed_sample_trial_is_what_the_simulator_draws():
    # the truth and the seed stand in CARD.md of the sample
    folder = SAMPLES / "three_arms"
    with (folder / "bins.csv").open() as file:
        bins = [Bin(row["bin"], row["treatment"], block=row["block"]) for row in csv.DictReader(file)]
    with (folder / "readings.csv").open() as file:
        committed = list(csv.DictReader(file))
    days = list(dict.fromkeys(float(row["day"]) for row in committed))
    weighed = list(dict.fromkeys(float(row["day"]) for row in committed if row["wet_mass_kg"]))
    missed = [(row["bin"], float(row["day"])) for row in committed if not row["volume_l"]]
    rates = {"water only": 0.045, "killed starter": 0.045 * 1.18, "live starter": 0.045 * 1.30}
    truth = Truth(rates, block_cv=0.12, bin_cv=0.05, missed=missed)
    drawn = {(row["bin"], float(row["day"])): row for row in simulate_readings(bins, days, truth, 20260915, weighed)}
    for row in committed:
        again = drawn[row["bin"], float(row["day"])]
        if row["volume_l"]:
            assert {name: row[name] for name in again if name not in ("bin", "day")} == {
                name: cell for name, cell in again.items() if name not in ("bin", "day")
            }


def test_a_filled_folder_passes_the_gate_and_says_invented_everywhere(planned, tmp_path):
    folder = write_plan(planned, tmp_path / "trial", pdf=False).folder
    invented = simulate_trial(planned, 1.5, 1)
    for name, content in invented.files.items():
        (folder / name).write_bytes(content)
        assert b"nvented" in content or b"INVENTED" in content
    checked = check_trial(folder)
    assert [finding for finding in checked.findings if finding.severity != "note"] == []
    assert checked.trial is not None
    measured = [row for row in rows_of(invented.files, "readings.csv") if row["volume_l"]]
    assert checked.trial.rows_used == len(measured) and {row["note"] for row in measured} == {"invented"}
    assert {row["note"] for row in rows_of(invented.files, "bins.csv")} == {"invented"}
    assert tomllib.loads(invented.files["trial.toml"].decode())["title"] == "Invented: Leaves & <starters>"
    card = invented.files["INVENTED.txt"].decode()
    assert "Nobody filled these bins." in card and "live starter: k = 0.0675 per day, 1.5 times the control" in card


def test_a_bin_is_lost_and_visits_are_missed(planned):
    invented = simulate_trial(planned, 1.0, 4, missed_share=0.1)
    name, day = invented.lost
    after = [row for row in rows_of(invented.files, "readings.csv") if row["bin"] == name and float(row["day"]) > day]
    assert after and not any(row["volume_l"] for row in after)
    (lost,) = [row for row in rows_of(invented.files, "bins.csv") if row["lost_on_day"]]
    assert (lost["bin"], float(lost["lost_on_day"])) == (name, day) and lost["lost_reason"].startswith("invented: ")
    readings = rows_of(invented.files, "readings.csv")
    assert all(row["volume_l"] for row in readings if row["day"] == "0")
    missed = [row for row in readings if not row["volume_l"] and row["bin"] != name]
    assert 0 < len(missed) < 25
    whole = simulate_trial(planned, 1.0, 4, missed_share=0.0, lose_a_bin=False)
    assert whole.lost is None and all(row["volume_l"] for row in rows_of(whole.files, "readings.csv"))


def test_the_truth_is_in_the_numbers(make_request):
    """Rates fitted on the log of what is left of the loss, over many bins, come back as the truth says.

    40 blocks: the standard error of a log ratio is sqrt(2/40) · 0.15 = 0.034; four of them are allowed.
    """
    planned = plan_trial(make_request(layout_blocks=40))
    truth = Truth(suppose_truth(planned.plan, 2.0, 200).rate_per_day, bin_cv=0.15, end_share_sd=0.0, reading_cv=0.001)
    truth = Truth(**(truth.__dict__ | {"start_volume_l": 180.0}))
    rows = rows_of(simulate_trial(planned, truth, 8, missed_share=0, lose_a_bin=False).files, "readings.csv")
    logs = {}
    for bin_ in planned.bins:
        volumes = {row["day"]: float(row["volume_l"]) for row in rows if row["bin"] == bin_.bin}
        end = 0.42 * volumes["0"]
        logs.setdefault(bin_.treatment, []).append(np.log(np.log((volumes["0"] - end) / (volumes["14"] - end)) / 14))
    ratio = np.exp(np.mean(logs["live starter"]) - np.mean(logs["water only"]))
    assert abs(np.log(ratio / 2.0)) < 4 * 0.034
    killed = np.exp(np.mean(logs["killed starter"]) - np.mean(logs["water only"]))
    assert abs(np.log(killed / 2.0**0.5)) < 4 * 0.034


def test_whole_plots_vary_as_stated(make_request):
    """Rates without noise of bins and blocks: what is left between whole plots has the SD that the CV says.

    200 whole plots: the standard error of an SD is SD/sqrt(2·200) = 5 %; four of them are allowed. Bins of one whole
    plot share its effect, so their rates are the same.
    """
    planned = plan_trial(
        make_request(
            layout_kind="split plot", layout_blocks=100, layout_whole_plot_factor="turning",
            layout_whole_plot_levels=("weekly", "never"), claims=(),
        )
    )  # fmt: skip
    truth = suppose_truth(planned.plan, 1.0, 200)
    assert truth.whole_plot_cv == WHOLE_PLOT_CV == 0.10
    quiet = replace(truth, block_cv=0.0, bin_cv=0.0, end_share_sd=0.0, reading_cv=0.0)
    rows = simulate_readings(planned.bins, (0, 14), quiet, 5)
    volumes = {(row["bin"], row["day"]): float(row["volume_l"]) for row in rows}
    rates = {}
    for bin_ in planned.bins:
        left = volumes[bin_.bin, "14"] / volumes[bin_.bin, "0"]
        rates.setdefault(bin_.whole_plot, []).append(np.log(-np.log((left - 0.42) / 0.58) / 14))
    assert len(rates) == 200
    assert np.std([np.mean(logs) for logs in rates.values()], ddof=1) == pytest.approx(sd_log_of(0.10), rel=0.20)
    # volumes are written down to the litre: 1 in 150, which moves ln k by about 0.02
    assert max(np.ptp(logs) for logs in rates.values()) < 0.06
    again = simulate_readings(planned.bins, (0, 14), replace(quiet, whole_plot_cv=0.0), 5)
    assert len({row["volume_l"] for row in again if row["day"] == "14"}) < len(
        {row["volume_l"] for row in rows if row["day"] == "14"}
    )
    card = simulate_trial(planned, 1.0, 5).files["INVENTED.txt"].decode()
    assert "whole plots of a block with 10 %" in card


def test_every_column_of_the_template_can_be_practised(make_request):
    names = [column.name for column in READINGS if column.name not in ("bin", "day", "date", "note")]
    planned = plan_trial(make_request(measured=tuple(names)))
    rows = rows_of(simulate_trial(planned, 1.5, 2, lose_a_bin=False).files, "readings.csv")
    filled = {name for row in rows for name, cell in row.items() if cell}
    amounts = {name for name in names if name.startswith("added_")} | {"sample_removed_kg", "water_added_l"}
    assert set(names) - filled == amounts  # nothing was added or taken in an invented trial
    for column in READINGS:
        if column.hard is not None and column.name in filled:
            values = [float(row[column.name]) for row in rows if row[column.name]]
            assert column.hard.low <= min(values) and max(values) <= column.hard.high
    by_bin = {}
    for row in rows:
        if row["finished"]:
            by_bin.setdefault(row["bin"], []).append(row["finished"])
    assert all(said == sorted(said) and said[0] == "no" for said in by_bin.values())  # never from yes back to no


def test_the_same_seed_gives_the_same_trial(planned):
    assert simulate_trial(planned, 1.5, 1).files == simulate_trial(planned, 1.5, 1).files
    assert simulate_trial(planned, 1.5, 1).files != simulate_trial(planned, 1.5, 2).files


def test_measured_numbers_are_never_touched(planned):
    text = planned.files["readings.csv"].replace(b"B2,0,,", b"B2,0,21.5,")
    folder = PlannedFolder(planned.plan, planned.bins, {**planned.files, "readings.csv": text})
    with pytest.raises(DesignError) as caught:
        simulate_trial(folder, 1.5, 1)
    assert str(caught.value) == (
        'readings.csv, line 3, core_temp_c: found "21.5"; expected a planned trial without readings. '
        "Invented numbers are "
        "never put over measured ones: plan a folder for practice."
    )


def test_dates_instead_of_days(planned):
    readings = "bin,date,volume_l\nB1,2026-09-26,\nB1,2026-10-10,\n"
    folder = PlannedFolder(planned.plan, planned.bins, {**planned.files, "readings.csv": readings.encode()})
    rows = rows_of(simulate_trial(folder, 1.0, 1, lose_a_bin=False, missed_share=0).files, "readings.csv")
    assert float(rows[1]["volume_l"]) < float(rows[0]["volume_l"]) and rows[1]["note"] == "invented"


def test_an_impossible_truth_is_refused(planned):
    with pytest.raises(DesignError, match=r"found a true ratio of 0; expected 0\.05 to 20, 1 for no effect at all"):
        simulate_trial(planned, 0.0, 1)


def test_who_is_faster_without_a_claim(make_request):
    plan = plan_trial(make_request(claims=())).plan
    rates = suppose_truth(plan, 4.0).rate_per_day
    assert rates["live starter"] == pytest.approx(0.18) and rates["killed starter"] == pytest.approx(0.09)
    assert rates["water only"] == 0.045
