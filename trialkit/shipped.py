"""Finds the folders that travel with the package: ``templates`` and ``sample_trials``."""

from __future__ import annotations

from pathlib import Path
from typing import Literal


def shipped(folder: Literal["templates", "sample_trials"]) -> Path:
    """The folder on disk, in a wheel, an editable install or a checkout. Raises FileNotFoundError otherwise."""
    package = Path(__file__).resolve().parent
    for place in (package / "_shipped" / folder, package.parent / folder):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder {folder} that belongs to trialkit is missing beside {package}; install again")
