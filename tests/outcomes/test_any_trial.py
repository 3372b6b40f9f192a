"""Whatever a trial holds, every outcome comes back as values or as a refusal in sentences, never as an exception."""

import math

import numpy as np
import pytest

from trialkit.outcomes import available_outcomes, bin_maturity, bin_values, catalogue
from trialkit.records import BinValues, Refusal

RANGES = {
    "core_temp_c": (-5, 75), "ambient_temp_c": (-10, 35), "height_cm": (1, 120), "volume_l": (1, 300),
    "wet_mass_kg": (0.1, 90), "moisture_pct": (0, 99), "ash_pct": (0, 100), "carbon_pct": (0, 60),
    "nitrogen_pct": (0, 6), "cn_ratio": (3, 100), "respired_c_g_kg": (0, 50), "ph": (3, 11), "ec_ds_m": (0, 20),
    "appearance_score": (0, 5), "odour_score": (0, 5), "germination_pct": (0, 150), "root_length_pct": (0, 150),
    "sample_removed_kg": (0, 2), "added_wet_mass_kg": (0, 5), "added_moisture_pct": (0, 99), "added_ash_pct": (0, 90),
    "added_carbon_pct": (0, 50), "added_nitrogen_pct": (0, 6), "self_heating_rise_c": (-5, 65),
}  # fmt: skip
STARTS = {
    "start_wet_mass_kg": (1, 90), "start_moisture_pct": (0, 99), "start_volume_l": (1, 300), "start_ash_pct": (0, 90),
    "start_carbon_pct": (0, 50), "start_nitrogen_pct": (0, 6),
}  # fmt: skip


def draw_trial(trial, seed):
    random = np.random.default_rng(seed)
    filled = float(random.choice([0.15, 0.5, 0.9, 1.0]))
    rows, starts, lost = [], {}, {}
    bins = [f"B{i}" for i in range(int(random.integers(1, 7)))]
    common = np.sort(random.choice(60, int(random.integers(1, 9)), replace=False))
    for bin_ in bins:
        days = common if random.random() < 0.7 else np.sort(random.choice(60, 5, replace=False))
        if random.random() < 0.2:
            lost[bin_] = float(random.integers(0, 60))
            days = days[days <= lost[bin_]]
        for day in days:
            row = {"bin": bin_, "day": float(day)}
            for column, (low, high) in RANGES.items():
                if random.random() < filled:
                    row[column] = float(np.round(random.uniform(low, high), int(random.integers(0, 3))))
            rows.append(row)
        starts[bin_] = {
            name: float(random.uniform(low, high)) for name, (low, high) in STARTS.items() if random.random() < 0.5
        }
    return trial(rows, starts=starts, lost=lost, bins=bins)


@pytest.mark.parametrize("seed", range(40))
def test_values_or_sentences(trial, seed):
    drawn = draw_trial(trial, seed)
    allowed = available_outcomes(drawn)
    for name in catalogue():
        found = bin_values(drawn, name)
        if isinstance(found, Refusal):
            assert found.stage == "outcomes" and found.outcome == name
            assert all(reason[0].isupper() or reason.startswith(name) for reason in found.reasons if reason)
            assert all(reason.endswith(".") for reason in found.reasons)
            if name in allowed:
                continue
            assert found.values is None
            continue
        assert isinstance(found, BinValues) and name in allowed
        assert all(note.endswith(".") for note in found.notes)
        for value in found.values:
            assert (value.value is None) == (value.reason is not None)
            if value.value is not None:
                assert math.isfinite(value.value)
                assert found.outcome.scale == "identity" or value.value > 0
                assert value.rows and value.readings_used == len(value.rows)
                assert all(math.isfinite(number) for number in value.details.values()), value.details


@pytest.mark.parametrize("seed", range(40))
def test_every_bin_has_a_name_or_a_reason(trial, seed):
    drawn = draw_trial(trial, seed)
    found = bin_maturity(drawn)
    assert [item.bin for item in found] == ([item.bin for item in drawn.bins] if found else [])
    for item in found:
        assert (item.rating is None) == bool(item.reason)
        assert (item.heating_class is None) == ("rise_c" not in item.readings)
        assert bool(item.rows) == bool(item.readings) == (item.day is not None)
