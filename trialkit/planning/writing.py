"""Puts a planned trial into a folder: nothing that holds readings is ever overwritten."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from trialkit.errors import DesignError
from trialkit.planning.plan import PlannedTrial
from trialkit.planning.tables import KEY_FILE
from trialkit.printing import write_pdf

# present in every folder that was planned here
MARK = "registration.txt"
# written by hand perhaps: kept under another name where they would change
_KEPT = ("trial.toml", "trial.xlsx")
# not in every plan: an old one would belong to another layout
_STALE = (KEY_FILE, "sheets/sheets.pdf")


@dataclass(frozen=True)
class WrittenPlan:
    """The folder, the names of the files in it, and what is to be said about them."""

    folder: Path
    files: tuple[str, ...]
    sentences: tuple[str, ...]


def write_plan(planned: PlannedTrial, folder: str | Path, *, pdf: bool = True) -> WrittenPlan:
    """Write every file of the plan, and sheets/sheets.pdf where this machine can print one.

    A trial.toml or trial.xlsx that stood there before is kept under another name. Raises DesignError where the folder
    holds readings or was not made by this command, OSError where the disk refuses. Everything is made before the first
    file is moved in.
    """
    folder = Path(folder)
    refuse_to_overwrite(folder)
    folder = folder.resolve()
    folder.parent.mkdir(parents=True, exist_ok=True)
    # on the same disk, so that moving is renaming; inside the folder where it is there, for its parent may be shut
    stage = Path(tempfile.mkdtemp(prefix=".planning-", dir=folder if folder.exists() else folder.parent))
    sentences: list[str] = []
    try:
        for name, content in planned.files.items():
            place = stage / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        if pdf:
            problem = write_pdf(stage / "sheets/sheets.html", stage / "sheets/sheets.pdf")
            sentences += [problem] if problem else []
        sentences += _move_in(stage, folder)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    written = sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())
    return WrittenPlan(folder, tuple(written), tuple(sentences))


def refuse_to_overwrite(folder: Path) -> None:
    """Raise DesignError where planning into this folder would destroy something."""
    if folder.exists() and not folder.is_dir():
        raise DesignError(f"{folder} is a file; expected a folder to plan in. Give another name.")
    if not folder.exists():
        return
    readings = folder / "readings.csv"
    if readings.exists() and holds_readings(readings.read_text(encoding="utf-8", errors="replace")):
        raise DesignError(
            f"{readings} holds readings already; expected a folder without any. Planning anew would draw "
            "another layout "
            "for bins that are filled: plan into another folder."
        )
    foreign = [name for name in ("bins.csv", "readings.csv") if (folder / name).exists()]
    if foreign and not (folder / MARK).exists():
        raise DesignError(
            f"{folder} holds {' and '.join(foreign)} that this command did not write; expected an empty folder, or one "
            "with a trial.toml only. Give another name, or move the files away."
        )


def holds_readings(text: str) -> bool:
    """Whether any row of a readings table says more than which bin and when."""
    rows = list(csv.reader(io.StringIO(text)))
    if not rows:
        return False
    where = [position for position, name in enumerate(rows[0]) if name.strip() not in ("bin", "day", "date")]
    return any(position < len(row) and row[position].strip() for row in rows[1:] for position in where)


def _move_in(stage: Path, folder: Path) -> list[str]:
    said: list[str] = []
    if not folder.exists():
        stage.replace(folder)
        folder.chmod(0o755)  # the stage was private
        return said
    if (folder / MARK).exists():
        for name in _STALE:
            (folder / name).unlink(missing_ok=True)
    for name in _KEPT:
        old, new = folder / name, stage / name
        if old.exists() and not (new.exists() and new.read_bytes() == old.read_bytes()):
            kept = _free_name(old)
            old.replace(kept)
            said.append(f"{name} as it was is kept as {kept.name}.")
    for place in sorted(path for path in stage.rglob("*") if path.is_file()):
        target = folder / place.relative_to(stage)
        target.parent.mkdir(parents=True, exist_ok=True)
        place.replace(target)
    return said


def _free_name(old: Path) -> Path:
    number = 1
    while True:
        ending = "" if number == 1 else f"-{number}"
        kept = old.with_name(f"{old.stem}-before-planning{ending}{old.suffix}")
        if not kept.exists():
            return kept
        number += 1
