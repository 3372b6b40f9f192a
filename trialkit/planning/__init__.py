"""The drawing board: from a claim and what is at hand to a layout, a recipe, a calendar and printed sheets.

Names are loaded on first use, so that the commands can be parsed without numpy.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "LayoutRequest": "layout_request",
    "DrawnLayout": "layouts",
    "draw_layout": "layouts",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"trialkit.planning.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
