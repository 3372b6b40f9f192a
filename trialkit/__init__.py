"""trialkit: replicated side-by-side compost-bin trials, from readings to an answer that holds.

The way through, one function an arrow::

    load_trial -> bin_values -> fit_bins -> compare -> judge        readings to verdicts
    analyse                                                         all of it on a folder
    precision, plan_trial, simulate_trial                           before the first bin is filled
    write_report                                                    the notebook, the page, results.json

The rooms: ``planning`` comes before the readings; ``intake`` opens files, ``outcomes`` makes one value a bin,
``models`` fits, ``contrasts`` compares, ``verdicts`` judges, ``report`` draws, rounds and words; ``numerics`` computes
below them all and ``records`` holds what they hand each other. Names are loaded on first use, so ``import trialkit``
costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "DesignError": "errors",
    "TemplateError": "errors",
    "analyse": "workflow",
    "bin_values": "outcomes",
    "compare": "contrasts",
    "fit_bins": "models",
    "fit_mixed": "models",
    "judge": "verdicts",
    "load_trial": "intake",
    "plan_trial": "planning",
    "precision": "planning.precision",
    "simulate_trial": "simulate",
    "write_report": "writing",
}
_ROOMS = (
    "contrasts",
    "intake",
    "models",
    "numerics",
    "outcomes",
    "planning",
    "records",
    "report",
    "simulate",
    "verdicts",
    "workflow",
)

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"trialkit.{_HOME[name]}"), name)
    if name in _ROOMS:
        return import_module(f"trialkit.{name}")
    raise AttributeError(f"trialkit has no {name!r}; it has {', '.join(__all__)}")


def __dir__() -> list[str]:
    return [*__all__, *_ROOMS, "__version__"]
