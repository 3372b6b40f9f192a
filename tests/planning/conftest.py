"""Requests and planned trials that several tests share."""

from datetime import date

import pytest

from trialkit.planning.feedstocks import find_feedstock
from trialkit.planning.layout_request import LayoutRequest
from trialkit.planning.plan import plan_trial
from trialkit.planning.recipe import Portion
from trialkit.planning.request import PlanRequest
from trialkit.planning.starters import Starter, propose_arms
from trialkit.records import Claim

TODAY = date(2026, 9, 20)  # a Sunday


@pytest.fixture
def make_request():
    """Three fair arms in four blocks; keywords change fields of the request, ``layout_`` those of its layout."""

    def make(**changes):
        starter = Starter(2.0, 100, 5, turns_per_week=2)
        arms = propose_arms(starter)
        names = tuple(arm.name for arm in arms)
        layout = {"kind": "blocks", "treatments": names, "control": "water only", "blocks": 4, "seed": 11}
        layout |= {key.removeprefix("layout_"): value for key, value in changes.items() if key.startswith("layout_")}
        claim = Claim(
            "twice as fast as water",
            "live starter",
            "water only",
            "decay_rate",
            "times_as_fast",
            2.0,
            "all",
            (0.8, 1.25),
        )
        fields = {
            "treatments": arms,
            "control": "water only",
            "layout": LayoutRequest(**layout),
            "today": TODAY,
            "title": "Leaves & <starters>",
            "question": 'Is "live" faster?',
            "claims": (claim,),
            "portions": (Portion(find_feedstock("leaves"), 20.0), Portion(find_feedstock("grass clippings"), 4.0)),
            "starter": starter,
            "capacity_l": 200.0,
        }
        fields |= {key: value for key, value in changes.items() if not key.startswith("layout_")}
        return PlanRequest(**fields)

    return make


@pytest.fixture
def planned(make_request):
    return plan_trial(make_request())
