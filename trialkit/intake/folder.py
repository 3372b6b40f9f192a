"""Which files of a folder make up a trial, and their bytes. Also makes a new folder from the templates."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from trialkit.errors import DesignError, nearest_name
from trialkit.records import Finding
from trialkit.shipped import shipped

TEMPLATES = ("trial.toml", "bins.csv", "readings.csv")
WORKBOOK = ".xlsx"
# written beside a trial when it is planned; no part of its data
_OF_THE_PLAN = ("registration.txt", "invented.txt")
_BEFORE_THE_PLAN = "trial-before-planning"
_OTHER_SHEETS = (".xlsm", ".xls", ".xlsb", ".ods")
_SPREADSHEET_REMEDY = "Save it as a workbook (.xlsx) under the same name."


@dataclass
class TrialFiles:
    """The files of a trial; ``workbook`` may stand for all of it. ``single``: one file was named, not a folder.

    ``key`` tells the letters of a blinded trial.
    """

    folder: str
    trial: Path | None = None
    bins: Path | None = None
    readings: list[Path] = field(default_factory=list)
    workbook: Path | None = None
    single: bool = False
    key: Path | None = None


def find_files(path: str | Path) -> tuple[TrialFiles, list[Finding]]:
    """The files of a folder, or the single file named; problems are findings."""
    place = Path(path)
    files = TrialFiles(str(path))
    try:
        if place.is_dir():
            return _look_through(place, files)
        if not place.exists():
            return files, [_finding(place, "not-there", "there is no file or folder of this name", _look_alike(place))]
    except (OSError, ValueError) as problem:
        return files, [_finding(place, "not-readable", _reason(problem), "Check the path.")]
    files.single = True
    if place.suffix.lower() in _OTHER_SHEETS:
        said = "this kind of workbook is not read"
        return files, [_finding(place, "workbook", said, _SPREADSHEET_REMEDY)]
    if not place.is_file():
        return files, [_finding(place, "not-readable", "this is neither a file nor a folder", "Check the path.")]
    if place.suffix.lower() == WORKBOOK:
        files.workbook = place
    else:
        files.readings = [place]
    return files, []


def read_bytes(path: Path) -> tuple[bytes | None, list[Finding]]:
    """The bytes of a file, or one finding why they cannot be had."""
    try:
        return path.read_bytes(), []
    except OSError as problem:
        return None, [_finding(path, "not-readable", _reason(problem), "Check that it exists and may be read.")]


def _look_through(folder: Path, files: TrialFiles) -> tuple[TrialFiles, list[Finding]]:
    findings: list[Finding] = []
    try:
        inside = sorted((item for item in folder.iterdir() if not item.name.startswith((".", "~"))), key=_natural)
    except OSError as problem:
        return files, [_finding(folder, "not-readable", _reason(problem), "Check that it may be read.")]
    for item in inside:
        name = item.name.lower()
        if item.is_dir():
            if name == "loggers":
                said = "logger files are not read yet"
                findings.append(Finding("note", "not-read", item.name, None, None, said))
        elif name in _OF_THE_PLAN or name.startswith(_BEFORE_THE_PLAN):
            continue
        elif name == "key.csv":
            files.key = item
        elif name == "trial.toml":
            files.trial = item
        elif name == "trial.xlsx":
            files.workbook = item
        elif name in ("bins.csv", "bins.xlsx"):
            if files.bins is not None:
                said = f"the bins stand in {files.bins.name} too"
                findings.append(Finding("error", "bins-twice", item.name, None, None, said, "", "Keep one of the two."))
            files.bins = item
        elif name.startswith("readings") and name.endswith((".csv", WORKBOOK)):
            files.readings.append(item)
        elif item.suffix.lower() in _OTHER_SHEETS and name.startswith(("trial", "bins", "readings")):
            said = "this kind of workbook is not read"
            findings.append(Finding("error", "workbook", item.name, None, None, said, "", _SPREADSHEET_REMEDY))
        elif item.suffix.lower() in (WORKBOOK, *_OTHER_SHEETS):
            findings.append(Finding("note", "not-read", item.name, None, None, "the file is no part of the trial"))
        elif name.endswith((".csv", ".toml", ".tsv", ".txt")):
            findings.append(_other(item))
    if not (files.trial or files.bins or files.readings or files.workbook) and not any(
        f.severity == "error" for f in findings
    ):
        said = "the folder holds no readings.csv" if inside else "the folder is empty"
        remedy = "Copy readings.csv into it, or begin a folder with: trialkit new DIR"
        findings.append(_finding(folder, "nothing-to-read", said, remedy))
    return files, findings


def _other(item: Path) -> Finding:
    # beside the ending: every .csv looks a little like bins.csv
    near_stem = nearest_name(item.stem, [template.split(".")[0] for template in TEMPLATES])
    near = next((template for template in TEMPLATES if near_stem and template.startswith(near_stem)), None)
    if near is not None:
        said, expected = "the file is no part of the trial", f'the nearest name that is read is "{near}"'
        return Finding("warning", "not-read", item.name, None, None, said, expected, "Rename it if it should be read.")
    return Finding("note", "not-read", item.name, None, None, "the file is no part of the trial")


def _natural(path: Path) -> list[tuple[int, str]]:
    """Sort ``readings2.csv`` before ``readings10.csv``."""
    parts = re.split(r"(\d+)", path.name.lower())
    return [(int(part), "") if part.isdecimal() and part.isascii() else (-1, part) for part in parts]


def _finding(place: Path, code: str, found: str, remedy: str) -> Finding:
    return Finding("error", code, place.name or str(place), None, None, found, "", remedy)


def _look_alike(place: Path) -> str:
    try:
        near = nearest_name(place.name, [item.name for item in place.parent.iterdir()])
    except OSError:
        near = None
    return f'The nearest is "{near}".' if near else "Check the path."


def _reason(problem: Exception) -> str:
    if isinstance(problem, PermissionError):
        return "it may not be read by this user"
    if isinstance(problem, FileNotFoundError):
        return "it is not there any more"
    reason = getattr(problem, "strerror", None) or "the path cannot be used"
    return f"it cannot be read ({reason})"


def new_trial(folder: str | Path, workbook: bytes | None = None) -> Path:
    """Make a trial folder from the templates and return it; with the bytes of a ``workbook``, that in their place.

    Raises DesignError where files would be overwritten or the place cannot be written.
    """
    place = Path(folder)
    try:
        if place.exists() and (not place.is_dir() or any(_names(place))):
            what = "is not empty" if place.is_dir() else "is a file"
            raise DesignError(f"{place} {what}; a new trial needs a folder of its own. Choose another name.")
        place.mkdir(parents=True, exist_ok=True)
        if workbook is not None:
            (place / "trial.xlsx").write_bytes(workbook)
            return place
        for name in TEMPLATES:
            shutil.copyfile(shipped("templates") / name, place / name)
    except (PermissionError, NotADirectoryError, FileExistsError) as problem:
        raise DesignError(f"{place} cannot be made: {_written(problem)}. Choose another place.") from problem
    return place


def _written(problem: OSError) -> str:
    return "this user may not write there" if isinstance(problem, PermissionError) else "a file is in the way"


def _names(folder: Path) -> Iterator[str]:
    return (item.name for item in folder.iterdir())
