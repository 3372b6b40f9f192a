"""Puts a finished folder in place in one move, so that a stop halfway leaves the old one whole."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from trialkit.errors import DesignError

# present in every folder a report was written to; tells our folder from somebody's own
MARK = "results.json"


def refuse_foreign(out: Path) -> None:
    """Raise DesignError where ``out`` exists and was not written by ``report`` or ``demo``."""
    if not out.exists() and not out.is_symlink():
        return
    if not out.is_dir():
        raise DesignError(f"{out} is a file; expected a folder to write the report to. Give another name after --out.")
    if any(out.iterdir()) and not _written_by_us(out):
        raise DesignError(
            f"{out} exists and was not written by this command; expected a new folder or an earlier report. "
            "Give another name after --out, or move that folder away."
        )


def _written_by_us(out: Path) -> bool:
    try:
        return "trialkit" in json.loads((out / MARK).read_text(encoding="utf-8"))
    except (OSError, ValueError, TypeError):
        return False


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """A new folder beside ``out`` to work in; on success it takes the place of ``out``, on failure it goes.

    Raises DesignError for a folder that is not ours, OSError where the disk refuses.
    """
    out = Path(os.path.abspath(out))
    refuse_foreign(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    workshop = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    stage = workshop / "new"
    try:
        stage.mkdir()
        yield stage
        old = workshop / "old"
        if out.exists():
            os.replace(out, old)
        try:
            os.replace(stage, out)
        except OSError:
            if old.exists():
                os.replace(old, out)
            raise
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
