"""Dry matter, ash and bookings: exact by hand, errors against simulation, laws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.numerics.balance import (
    Booking,
    ash_based_loss_pct,
    ash_loss_pct,
    ash_loss_sd,
    dry_loss_sd,
    dry_mass,
    dry_mass_sd,
    organic_loss_sd,
)


def test_dry_matter_loss_by_hand():
    # 50 kg at 60 % holds 20 kg dry, 24 kg at 55 % holds 10.8 kg: 46 % of the dry matter, 52 % of the wet mass
    booking = Booking(dry_mass(50, 60), 0.0, 0.0, dry_mass(24, 55))
    assert booking.loss_pct == pytest.approx(46.0, abs=1e-12)


def test_additions_and_samples_are_booked():
    # 20 kg in, 4 kg added, 0.5 kg taken, 13.5 kg left: 10 of 24 kg are gone
    booking = Booking(20.0, 4.0, 0.5, 13.5)
    assert booking.put_in == 24.0
    assert booking.loss_pct == pytest.approx(1000 / 24, abs=1e-12)
    assert Booking(20.0, 0.0, 5.0, 15.0).loss_pct == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(ZeroDivisionError):
        _ = Booking(0.0, 0.0, 0.0, 1.0).loss_pct


def test_error_of_a_dry_matter_loss():
    # relative SD of the ratio 0.06753 and 54 points kept: 3.65 points; moisture is nearly all of it
    booking = Booking(20.0, 0.0, 0.0, 10.8)
    sd, part = dry_loss_sd(booking, (50.0, 60.0), (24.0, 55.0), mass_sd=0.2, moisture_sd=2.0)
    relative = math.sqrt((0.2 / 50) ** 2 + (0.2 / 24) ** 2 + (2 / 40) ** 2 + (2 / 45) ** 2)
    assert relative == pytest.approx(0.06753, abs=5e-6)
    assert sd == pytest.approx(54.0 * relative, rel=1e-12)
    assert sd == pytest.approx(3.65, abs=0.005)
    assert part == pytest.approx(1 - ((0.2 / 50) ** 2 + (0.2 / 24) ** 2) / relative**2, rel=1e-12)
    assert 0.98 < part < 1.0
    nothing = dry_loss_sd(booking, (50.0, 60.0), (24.0, 55.0), mass_sd=0.0, moisture_sd=0.0)
    assert nothing[0] == 0.0 and math.isnan(nothing[1])


def test_error_of_a_booked_loss_against_simulation():
    random = np.random.default_rng(3)
    n = 200_000
    start = random.normal(50, 0.2, n) * (1 - random.normal(60, 2, n) / 100)
    end = random.normal(24, 0.2, n) * (1 - random.normal(55, 2, n) / 100)
    losses = 100 * (1 - (end + 0.5) / (start + 3.0))
    sd, _ = dry_loss_sd(Booking(20.0, 3.0, 0.5, 10.8), (50.0, 60.0), (24.0, 55.0), 0.2, 2.0)
    # the delta method leaves out the bend of 1/x: one percent here
    assert sd == pytest.approx(float(losses.std()), rel=0.015)


def test_losses_by_ash_by_hand():
    # ash 12 -> 30 %, carbon 44 -> 33 %, nitrogen 1.0 -> 1.8 %: 0.4 of the dry matter is left
    assert ash_loss_pct(12, 30) == pytest.approx(100 * (1 - 0.4 * 70 / 88), abs=1e-12)
    assert ash_loss_pct(12, 30) == pytest.approx(68.181818, abs=1e-6)
    assert ash_based_loss_pct(12, 30, 44, 33) == pytest.approx(70.0, abs=1e-12)
    assert ash_based_loss_pct(12, 30, 1.0, 1.8) == pytest.approx(28.0, abs=1e-12)
    assert ash_loss_pct(12, 12) == pytest.approx(0.0, abs=1e-12)
    assert ash_loss_pct(12, 10) < 0.0


def test_error_of_a_loss_by_ash():
    assert ash_loss_sd(12, 30, 1, 0) == pytest.approx((3.01309, 0.0), abs=5e-6)
    assert ash_loss_sd(12, 30, 0, 1) == pytest.approx((1.51515, 1.0), abs=5e-6)
    sd, later = ash_loss_sd(12, 30, 0.5, 1.5)
    assert sd == pytest.approx(2.7267, abs=5e-5)
    assert later == pytest.approx((1.5 * 1.51515 / 2.7267) ** 2, abs=1e-4)
    assert ash_loss_sd(12, 30, 0, 0)[0] == 0.0 and math.isnan(ash_loss_sd(12, 30, 0, 0)[1])


def test_error_of_a_dry_mass_by_hand():
    # 24 kg at 55 %: 0.45 · 0.2 kg from the scale, 24 · 0.02 kg from moisture
    sd, part = dry_mass_sd(24.0, 55.0, 0.2, 2.0)
    assert sd == pytest.approx(math.hypot(0.09, 0.48), rel=1e-12)
    assert part == pytest.approx(0.48**2 / (0.09**2 + 0.48**2), rel=1e-12)


def test_error_of_organic_matter_by_masses_against_simulation():
    random = np.random.default_rng(5)
    n = 200_000

    def organic(wet, moisture, ash, ash_sd):
        dry = random.normal(wet, 0.2, n) * (1 - random.normal(moisture, 2, n) / 100)
        return dry * (1 - random.normal(ash, ash_sd, n) / 100)

    losses = 100 * (1 - organic(24, 55, 30, 1.5) / organic(50, 60, 12, 0.5))
    booking = Booking(20 * 0.88, 0.0, 0.0, 10.8 * 0.7)
    sd, parts = organic_loss_sd(booking, (50.0, 60.0, 12.0), (24.0, 55.0, 30.0), 0.2, 2.0, (0.5, 1.5))
    # the delta method leaves out the bend of 1/x: one percent here
    assert sd == pytest.approx(float(losses.std()), rel=0.015)
    assert sum(parts.values()) == pytest.approx(1.0) and max(parts, key=parts.get) == "moisture"
    # without ash it is the error of the dry matter
    dry, _ = dry_loss_sd(Booking(20.0, 0.0, 0.0, 10.8), (50.0, 60.0), (24.0, 55.0), 0.2, 2.0)
    alike, _ = organic_loss_sd(
        Booking(20.0, 0.0, 0.0, 10.8), (50.0, 60.0, 0.0), (24.0, 55.0, 0.0), 0.2, 2.0, (0.0, 0.0)
    )
    assert alike == pytest.approx(dry, rel=1e-12)


def test_soil_breaks_conservation_of_ash():
    # 20 kg leaves (ash 8 %) and 1 kg soil (ash 95 %), half of the leaves' organic matter gone, the soil's kept
    ash = 20 * 0.08 + 0.95
    organic_start, organic_end = 20 * 0.92 + 0.05, 20 * 0.92 / 2 + 0.05
    start_ash, end_ash = 100 * ash / 21, 100 * ash / (ash + organic_end)
    assert end_ash == pytest.approx(21.610169, abs=1e-6)
    assert start_ash == pytest.approx(12.142857, abs=1e-6)
    true_loss = 100 * (1 - organic_end / organic_start)
    assert ash_loss_pct(start_ash, end_ash) == pytest.approx(true_loss, abs=1e-10)
    assert true_loss == pytest.approx(49.8645, abs=5e-5)
    assert ash_loss_pct(8, end_ash) == pytest.approx(68.457, abs=5e-4)


@given(organic=st.floats(1, 50), ash=st.floats(0.5, 20), kept=st.floats(0.05, 1), carbon=st.floats(0.3, 0.6))
def test_ash_and_masses_agree(organic, ash, kept, carbon):
    start, end = organic + ash, organic * kept + ash
    by_ash = ash_loss_pct(100 * ash / start, 100 * ash / end)
    assert by_ash == pytest.approx(100 * (1 - kept), abs=1e-8)
    held = 100 * carbon * organic / start, 100 * carbon * organic * kept / end
    by_mass = Booking(carbon * organic, 0.0, 0.0, carbon * organic * kept).loss_pct
    assert ash_based_loss_pct(100 * ash / start, 100 * ash / end, *held) == pytest.approx(by_mass, abs=1e-8)


@given(st.floats(0.1, 50), st.floats(0, 20), st.floats(0, 1), st.floats(0, 1), st.floats(0.1, 1000))
def test_the_unit_of_mass_does_not_matter(start, added, taken, end, scale):
    one = Booking(start, added, taken, end).loss_pct
    other = Booking(scale * start, scale * added, scale * taken, scale * end).loss_pct
    assert other == pytest.approx(one, abs=1e-9)
