"""The page to deposit, and every difference that is found later."""

from dataclasses import replace
from hashlib import sha256

import numpy as np
import pytest

from trialkit.planning.plan import plan_trial
from trialkit.planning.registration import deviations
from trialkit.records import Readings, Trial


def trial_of(planned, days=None, bins=None, plan=None):
    """The trial as analysed: every bin read on ``days`` (all planned ones)."""
    days = planned.days if days is None else days
    bins = planned.bins if bins is None else bins
    where = np.repeat(np.arange(len(bins)), len(days))
    when = np.tile(np.asarray(days, dtype=float), len(bins))
    none = np.zeros(0, dtype=np.intp)
    readings = Readings(where, when, {"volume_l": np.ones(when.size)}, none, none, none)
    return Trial("x", planned.plan if plan is None else plan, bins, readings, (), (), 0, 0)


@pytest.fixture
def stub(planned):
    return planned.files["registration.txt"].decode()


def test_the_page_says_what_will_be_done(stub):
    for line in (
        "written on: 2026-09-20",
        "control: water only",
        "primary outcome: decay_rate",
        'claim 1: "twice as fast as water": live starter against water only, decay_rate, times_as_fast 2, family all, '
        "margin 0.8 to 1.25",
        "layout: blocks",
        "drawn: by seed, seed 11",
        "visits: 0, 3, 7, 10, 14, 21, 28, 42, 56",
    ):
        assert f"\n{line}\n" in stub
    body = stub.split("--- statements ---\n")[1].split("\n--- end ---")[0]
    assert f"sha256: {sha256(body.encode()).hexdigest()}\n" in stub


def test_a_trial_run_as_registered_has_no_deviation(planned, stub):
    assert deviations(stub, trial_of(planned)) == ()
    assert deviations(stub.replace("\n", "\r\n"), trial_of(planned)) == ()
    assert deviations(stub, trial_of(planned, bins=tuple(reversed(planned.bins)))) == ()


def test_a_changed_plan_is_told(planned, stub):
    claim = replace(planned.plan.claims[0], amount=1.3)
    changed = replace(planned.plan, primary="volume_loss_pct", level=0.9, claims=(claim,))
    told = deviations(stub, trial_of(planned, plan=changed))
    assert 'primary outcome: registered "decay_rate", analysed "volume_loss_pct".' in told
    assert 'level: registered "0.95", analysed "0.9".' in told
    assert any(text.startswith("claim 1: registered") and "times_as_fast 1.3" in text for text in told)
    assert any(text.startswith('analysis: registered "one value a bin') for text in told)
    assert len(told) == 4


def test_a_claim_that_came_or_went_is_told(planned, stub):
    told = deviations(stub, trial_of(planned, plan=replace(planned.plan, claims=())))
    assert told[0].endswith("analysed nothing.") and told[1] == 'claim: registered nothing, analysed "none".'


def test_swapped_bins_missed_days_and_lost_bins_are_told(planned, stub):
    bins = list(planned.bins)
    bins[0] = replace(bins[0], treatment=bins[1].treatment)
    bins[1] = replace(bins[1], treatment=planned.bins[0].treatment)
    bins[5] = replace(bins[5], lost_on_day=14.0, lost_reason="fox")
    told = deviations(stub, trial_of(planned, days=(0, 3, 8, 10, 14, 21, 28, 42, 56), bins=tuple(bins)))
    assert [text.split(":")[0] for text in told[:2]] == ["allocation", "allocation sha256"]
    assert told[2:] == (
        "Day 7 was planned as a visit; no bin was read.",
        "Day 8 was read and had not been planned.",
        "Bin B6 was lost on day 14 (fox).",
    )


def test_a_page_changed_afterwards_is_found_out(planned, stub):
    forged = stub.replace("times_as_fast 2,", "times_as_fast 1.3,")
    changed = replace(planned.plan, claims=(replace(planned.plan.claims[0], amount=1.3),))
    told = deviations(forged, trial_of(planned, plan=changed))
    assert told == ("The registration was changed after it was written: its SHA-256 does not fit its statements.",)


def test_something_else_is_no_registration(planned):
    assert deviations("Dear Sir", trial_of(planned)) == (
        "The registration holds no statements between its two marks; nothing could be compared.",
    )


def test_a_blinded_trial_is_compared_once_it_is_open(make_request):
    planned = plan_trial(make_request(blinded=True))
    stub = planned.files["registration.txt"].decode()
    assert deviations(stub, trial_of(planned)) == ()
    closed = tuple(replace(bin_, treatment=planned.letters[bin_.treatment]) for bin_ in planned.bins)
    assert deviations(stub, trial_of(planned, bins=closed)) == (
        "The treatments are still hidden by letters; the allocation was not compared.",
    )
    swapped = (replace(planned.bins[0], treatment=planned.bins[1].treatment), *planned.bins[1:])
    (told,) = deviations(stub, trial_of(planned, bins=swapped))
    assert told.startswith("allocation sha256: registered")


def test_a_trial_not_yet_read_says_so(planned, stub):
    assert deviations(stub, trial_of(planned, days=())) == ("No bin has been read yet.",)
