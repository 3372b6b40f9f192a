"""The drawing board: from a claim and what is at hand to a layout, a recipe, a calendar and printed sheets.

Names are loaded on first use, so that the commands can be parsed without numpy.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "DrawnLayout": "layouts",
    "LayoutRequest": "layout_request",
    "PlanRequest": "request",
    "PlannedTrial": "plan",
    "Portion": "recipe",
    "Starter": "starters",
    "WrittenPlan": "writing",
    "build_request": "options",
    "deviations": "registration",
    "draw_layout": "layouts",
    "draw_sheets_again": "again",
    "factorial_treatments": "factorials",
    "find_feedstock": "feedstocks",
    "holds_readings": "writing",
    "make_recipe": "recipe",
    "own_feedstock": "feedstocks",
    "plan_trial": "plan",
    "propose_arms": "starters",
    "read_portion": "options",
    "refuse_to_overwrite": "writing",
    "stated_parts": "options",
    "weigh_starter": "recipe",
    "write_plan": "writing",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"trialkit.planning.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
