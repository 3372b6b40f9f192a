"""k of every bin: from what, with what end level, when there is none, and what is said beside it."""

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.outcomes import bin_values
from trialkit.outcomes.decay import say_misfit
from trialkit.records import BinValues, Refusal

DAYS = [0, 3, 7, 10, 14, 21, 28, 35]
VOLUMES = [100, 92, 83, 77, 71, 62, 57, 53]
FASTER = [100, 88, 76, 69, 62, 53, 50, 47]


def two_bins(course, days=DAYS, **columns):
    one = {name: values[0] for name, values in columns.items()}
    two = {name: values[1] for name, values in columns.items()}
    return course("B1", days, **one) + course("B2", days, **two)


def test_value_limits_details_and_lines(trial, course):
    found = bin_values(trial(two_bins(course, volume_l=(VOLUMES, FASTER))), "decay_rate")
    assert isinstance(found, BinValues)
    first, second = found.values
    # three-parameter least squares of an invented settling curve, scipy.optimize.curve_fit
    assert first.value == pytest.approx(0.0530799, rel=1e-5)
    assert first.details["v_start"] == pytest.approx(100.1497, rel=1e-5)
    assert first.details["v_end"] == pytest.approx(44.1714, rel=1e-5)
    assert first.details["rss"] == pytest.approx(0.451487, rel=1e-5)
    assert first.details["k_std_error"] == pytest.approx(0.00152091, rel=1e-4)
    assert first.details["visits"] == 8
    assert first.details["half_lives_seen"] == pytest.approx(0.0530799 * 35 / np.log(2), rel=1e-5)
    assert first.low < first.value < first.high
    assert first.low == pytest.approx(0.0492181, rel=1e-5)
    assert first.readings_used == 8
    assert first.rows == tuple(("readings.csv", line) for line in range(2, 10))
    assert second.rows[0] == ("readings.csv", 10)
    assert second.value > first.value
    assert found.settings == {"from": "volume_l", "end_level": "own", "limit_level": 0.95}
    assert found.outcome.unit == "1/day" and found.outcome.scale == "log" and found.outcome.better == 1
    assert found.notes == (
        "k is fitted to volume_l, taken by default; the trial file can name another.",
        f"Along their fitted curves, bins pass 10 % of the achievable loss (first softening) {days_of(0.1, found)}, "
        f"half of the achievable loss {days_of(0.5, found)}, half of the starting volume_l {days_of_half(found)} "
        f"and 95 % of the achievable loss {days_of(0.95, found)}.",
    )


def days_of(share, found):
    """By hand: −ln(1 − share)/k, of the faster bin and of the slower."""
    first, last = sorted(-np.log(1.0 - share) / value.value for value in found.values)
    return f"between day {first:.3g} and {last:.3g}"


def days_of_half(found):
    """By hand: the day on which V∞ + (V₀ − V∞)·exp(−k t) is V₀/2."""
    first, last = sorted(
        np.log((v.details["v_start"] - v.details["v_end"]) / (v.details["v_start"] / 2 - v.details["v_end"])) / v.value
        for v in found.values
    )
    return f"between day {first:.3g} and {last:.3g}"


def test_named_thresholds_of_one_curve(trial, course):
    """Start 100, end 40, k 0.05: 13.863 days to half of what it can lose, 35.835 to half of the start, by hand."""
    days = np.arange(0.0, 85.0, 7.0)
    low, high = (end + (100.0 - end) * np.exp(-0.05 * days) for end in (40.0, 55.0))
    rows = [row for name, v in (("B1", low), ("B2", high)) for row in course(name, list(days), volume_l=list(v))]
    said = bin_values(trial(rows), "decay_rate").notes[1]
    assert said == (
        "Along their fitted curves, bins pass 10 % of the achievable loss (first softening) on day 2.11, half of the "
        "achievable loss on day 13.9, half of the starting volume_l on day 35.8 (never in 1 of 2) and 95 % of the "
        "achievable loss on day 59.9."
    )


def test_a_declared_end_level_holds_in_every_bin(trial, course):
    rows = two_bins(course, volume_l=(VOLUMES, FASTER))
    found = bin_values(trial(rows, settings={"decay_rate": {"from": "volume_l", "end_level": 0}}), "decay_rate")
    assert found.values[0].value == pytest.approx(0.01941591, rel=1e-6)
    assert [value.details["v_end"] for value in found.values] == [0.0, 0.0]
    assert found.settings["end_level"] == 0.0
    assert not [note for note in found.notes if "by default" in note]


def test_rising_respiration_starts_at_the_origin(trial, course):
    # NIST StRD BoxBOD
    days, levels = [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224]
    found = bin_values(trial(two_bins(course, days, respired_c_g_kg=(levels, levels))), "decay_rate")
    value = found.values[0]
    assert value.value == pytest.approx(5.4723748542e-01, rel=1e-9)
    assert value.details["v_end"] == pytest.approx(2.1380940889e02, rel=1e-9)
    assert (value.low, value.high) == (pytest.approx(0.30259, abs=1e-5), pytest.approx(1.07305, abs=1e-5))
    assert value.details["v_start"] == 0.0


def test_the_first_quantity_read_often_enough_is_the_default(trial, course):
    sparse = [100, None, None, None, None, None, None, 53]
    rows = two_bins(course, volume_l=(sparse, sparse), height_cm=(VOLUMES, FASTER), respired_c_g_kg=(DAYS, DAYS))
    found = bin_values(trial(rows), "decay_rate")
    assert found.settings["from"] == "height_cm"
    assert "taken by default before respired_c_g_kg" in found.notes[0]


@pytest.mark.parametrize(("word", "rate"), [("dry mass", 0.0530799), ("dry_mass_kg", 0.0530799), ("wet mass", None)])
def test_masses(trial, course, word, rate):
    moisture = [50, 50.5, 51, 51.5, 52, 52.5, 53, 53.5]
    wet = [v / (1 - m / 100) for v, m in zip(VOLUMES, moisture, strict=True)]
    rows = two_bins(course, wet_mass_kg=(wet, wet), moisture_pct=(moisture, moisture))
    found = bin_values(trial(rows, settings={"decay_rate": {"from": word}}), "decay_rate")
    value = found.values[0].value
    assert (value == pytest.approx(rate, rel=1e-5)) if rate else (value != pytest.approx(0.0530799, rel=1e-3))


def test_the_volume_at_filling_stands_as_day_zero(trial, course):
    late = two_bins(course, DAYS[1:], volume_l=(VOLUMES[1:], FASTER[1:]))
    starts = {"B1": {"start_volume_l": 100.0}, "B2": {"start_volume_l": 100.0}}
    found = bin_values(trial(late, starts=starts), "decay_rate")
    assert found.values[0].value == pytest.approx(0.0530799, rel=1e-5)
    assert found.values[0].readings_used == 7 and found.values[0].details["visits"] == 8
    assert "The level at filling in the bins file stands as the day-0 reading of B1 and B2." in found.notes
    read = bin_values(trial(two_bins(course, volume_l=(VOLUMES, FASTER)), starts=starts), "decay_rate")
    assert not [note for note in read.notes if "filling" in note]


@pytest.mark.parametrize(
    ("days", "levels", "reason"),
    [
        ([0, 3, 7], [100, 92, 83], "volume_l at 3 visits; k needs 4 at least"),
        ([0], [100], "volume_l at 1 visit; k needs 4 at least"),
        ([], [], "no volume_l at any visit"),
        (DAYS, [80] * 8, "volume_l is the same, 80 L, at every visit"),
        (DAYS, VOLUMES[::-1], "volume_l rises where a falling curve is expected"),
        (
            DAYS,
            [100, 97.5, 92.8, 90.4, 86, 78.7, 72.4, 64.6],
            "volume_l has not bent enough by day 35 to tell k from the end level: "
            "a 95 % limit of k lies below 0.0029 per day",
        ),
        (
            DAYS,
            [100, 50.2, 49.8, 50.1, 49.9, 50.2, 49.8, 50],
            "the fall in volume_l is over too soon for these visits: a 95 % limit of k lies above 3.3 per day",
        ),
        (
            DAYS,
            [100, 60, 105, 70, 99, 64, 100, 61],
            "the readings of volume_l scatter so much that they fit any k",
        ),
    ],
)
def test_a_bin_without_a_rate_says_why(trial, course, days, levels, reason):
    rows = two_bins(course, volume_l=(VOLUMES, FASTER)) + course("B3", days, volume_l=levels)
    found = bin_values(trial(rows, bins=["B1", "B2", "B3"]), "decay_rate")
    last = found.values[2]
    assert (last.value, last.low, last.high) == (None, None, None)
    assert last.reason == reason
    assert found.values[0].value is not None


def test_a_lost_bin_keeps_its_rate_if_it_was_read_often_enough(trial, course):
    rows = two_bins(course, volume_l=(VOLUMES, FASTER)) + course("B3", DAYS[:3], volume_l=VOLUMES[:3])
    found = bin_values(trial(rows, lost={"B2": 35.0, "B3": 8.0}), "decay_rate")
    assert found.values[1].value is not None
    assert found.values[2].reason == "volume_l at 3 visits before it was lost on day 8; k needs 4 at least"


def test_cells_not_measured_are_left_out(trial, course):
    holes = [100, None, 83, 77, None, 62, 57, 53]
    found = bin_values(trial(two_bins(course, volume_l=(holes, FASTER))), "decay_rate")
    assert found.values[0].readings_used == 6
    assert found.values[0].rows == tuple(("readings.csv", line) for line in (2, 4, 5, 7, 8, 9))


def test_nothing_to_fit_is_refused(trial, course):
    found = bin_values(trial(two_bins(course, [0, 10], volume_l=([100, 80], [100, 70]))), "decay_rate")
    assert found == Refusal(
        "outcomes",
        (
            "decay_rate needs volume_l, height_cm, dry mass or respired_c_g_kg at four visits or more (three for "
            "respired_c_g_kg) in at least two bins, which these readings do not hold.",
        ),
        "decay_rate",
    )


def test_a_column_that_was_declared_and_not_read_is_refused(trial, course):
    rows = two_bins(course, height_cm=(VOLUMES, FASTER))
    found = bin_values(trial(rows, settings={"decay_rate": {"from": "volume_l"}}), "decay_rate")
    assert found.reasons == ("decay_rate is to come from volume_l, which no reading holds.",)


def test_no_bin_with_a_rate_is_refused_with_the_values(trial, course):
    line = [100 - 1.5 * day for day in DAYS]
    found = bin_values(trial(two_bins(course, volume_l=(line, [80] * 8))), "decay_rate")
    assert isinstance(found, Refusal)
    assert found.reasons[0] == "No bin has a value of decay_rate."
    assert found.reasons[1].startswith("B1: volume_l has not bent enough by day 35")
    assert found.reasons[2] == "B2: volume_l is the same, 80 L, at every visit."
    assert len(found.values.values) == 2


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"from": "colour"}, r'from: found "colour"; expected one of volume_l, height_cm, dry mass'),
        ({"end_level": "common"}, r'end_level: found "common"; expected a number'),
        ({"end_level": True}, r'end_level: found "True"; expected a number'),
        ({"endlevel": 4}, r'found the key "endlevel"; expected one of from, end_level. Nearest is "end_level"'),
    ],
)
def test_settings_that_mean_nothing(trial, course, table, message):
    with pytest.raises(DesignError, match=message):
        bin_values(trial(two_bins(course, volume_l=(VOLUMES, FASTER)), settings={"decay_rate": table}), "decay_rate")


# ---------------------------------------------------------------- notes
def test_feeding_is_said_aloud(trial, course):
    fed = [0, 0, 5, 0, 0, 0, 0, 0]
    rows = two_bins(course, volume_l=(VOLUMES, FASTER), added_wet_mass_kg=(fed, [0] * 8))
    found = bin_values(trial(rows), "decay_rate")
    assert "Material was added after the start to B1; their curves of volume_l hold it." in found.notes


def test_an_end_level_below_zero_is_said_aloud(trial, course):
    t = np.array(DAYS, float)
    low = list(-20 + 120 * np.exp(-0.03 * t) + 0.02 * (-1) ** np.arange(8))
    found = bin_values(trial(two_bins(course, volume_l=(low, FASTER))), "decay_rate")
    assert "The fitted end level lies below zero in B1, where no bin can go; read its k with care." in found.notes


def test_misfit_is_said_aloud(trial, course):
    # two pools under one curve, as in cumulative respiration
    t = np.array([1, 2, 4, 7, 10, 15, 31, 45, 60, 90, 120, 150, 210.0])
    two_pools = list(-1.0 * np.expm1(-0.3 * t) - 3.0 * np.expm1(-0.006 * t))
    found = bin_values(trial(two_bins(course, list(t), respired_c_g_kg=(two_pools, two_pools))), "decay_rate")
    assert found.notes[-1].startswith("A one-pool curve misfits in 2 of 2 bins: readings stay on one side of it")
    straight = bin_values(trial(two_bins(course, volume_l=(VOLUMES, FASTER))), "decay_rate")
    assert not [note for note in straight.notes if "misfits" in note]


@pytest.mark.parametrize(
    ("low", "bins", "said"),
    [(1, 1, True), (1, 2, False), (2, 6, True), (2, 8, False), (3, 12, True), (3, 17, False), (0, 5, False)],
)
def test_how_many_bins_make_a_misfit(low, bins, said):
    # binomial at 0.05: P(>=1 of 2) 0.098, P(>=2 of 6) 0.033, P(>=2 of 8) 0.057, P(>=3 of 12) 0.020, P(>=3 of 17) 0.050
    p = {f"B{i}": 0.04 if i < low else 0.5 for i in range(bins)} | {"short": float("nan")}
    assert bool(say_misfit(p)) is said


# ---------------------------------------------------------------- laws
def test_units_and_treatments_do_not_touch_the_rate(trial, course):
    base = bin_values(trial(two_bins(course, volume_l=(VOLUMES, FASTER))), "decay_rate")
    gallons = [[v / 3.785411784 for v in one] for one in (VOLUMES, FASTER)]
    scaled = bin_values(trial(two_bins(course, volume_l=gallons)), "decay_rate")
    hours = bin_values(trial(two_bins(course, [24 * d for d in DAYS], volume_l=(VOLUMES, FASTER))), "decay_rate")
    rows = two_bins(course, volume_l=(VOLUMES, FASTER))
    swapped = bin_values(trial(rows[::-1], bins=["B1", "B2"], treatments={"B1": "live", "B2": "killed"}), "decay_rate")
    for i in range(2):
        assert scaled.values[i].value == pytest.approx(base.values[i].value, rel=1e-9)
        assert 24 * hours.values[i].value == pytest.approx(base.values[i].value, rel=1e-9)
        assert swapped.values[i].value == base.values[i].value
    assert [value.treatment for value in swapped.values] == ["live", "killed"]
