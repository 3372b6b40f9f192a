"""Puts a finished folder in place in one move, so that a stop halfway leaves the old one whole.

Where the system can exchange two folders in one step, no moment exists at which the old report is gone and the new one
not yet there. Elsewhere it takes two steps; a run that is killed between them is put right by the next one.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from trialkit.errors import DesignError

# present in every folder a report was written to; tells our folder from somebody's own
MARK = "results.json"
# held for as long as a run lives; a work folder whose lock is free belongs to a run that died
LOCK = "lock"
_WORK = {LOCK, "new", "old"}
# an empty work folder may belong to a run that is just beginning
_YOUNG_S = 60.0
_HERE = -100  # AT_FDCWD
_EXCHANGE = 2  # RENAME_EXCHANGE
_CANNOT = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP}


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

    Work folders that killed runs left behind are cleared away first. Raises DesignError for a folder that is not ours,
    OSError where the disk refuses.
    """
    out = Path(os.path.abspath(out))
    clear_dead_runs(out)
    refuse_foreign(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    workshop = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    lock: IO[bytes] | None = None
    try:
        # a file system without locks: work folders then count as held, and are left alone
        with contextlib.suppress(OSError):
            lock = _hold(workshop / LOCK)
        stage = workshop / "new"
        stage.mkdir()
        yield stage
        _put_in_place(stage, out, workshop / "old")
    finally:
        _clear(workshop, lock)


def _clear(workshop: Path, lock: IO[bytes] | None = None) -> None:
    """Remove a work folder, its lock last: killed halfway, it can still be told for what it is."""
    for name in ("new", "old"):
        shutil.rmtree(workshop / name, ignore_errors=True)
    if lock is not None:
        lock.close()
    shutil.rmtree(workshop, ignore_errors=True)


def _put_in_place(stage: Path, out: Path, old: Path) -> None:
    if not out.exists():
        os.replace(stage, out)
        return
    if exchange(stage, out):
        return
    os.replace(out, old)
    try:
        os.replace(stage, out)
    except OSError:
        os.replace(old, out)
        raise


def exchange(one: Path, two: Path) -> bool:
    """Let two folders change places in one step; False where this system cannot, and then nothing was done."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename: Any = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    if rename(_HERE, os.fsencode(one), _HERE, os.fsencode(two), _EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _CANNOT:
        return False
    raise OSError(number, os.strerror(number), str(two))


# ---------------------------------------------------------------- runs that died
def clear_dead_runs(out: Path) -> None:
    """Remove the work folders of killed runs beside ``out``, and put back an old report that one had moved aside."""
    try:
        beside = sorted(out.parent.glob(f".{glob_text(out.name)}-*"))
    except OSError:
        return
    for workshop in beside:
        if not _is_dead(workshop):
            continue
        old = workshop / "old"
        if old.is_dir() and not out.exists() and _written_by_us(old):
            os.replace(old, out)
        _clear(workshop)


def glob_text(name: str) -> str:
    """A name with the letters that mean something in a pattern taken as they are."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _is_dead(workshop: Path) -> bool:
    """Whether a folder is a work folder of ours that no running process holds."""
    try:
        if workshop.is_symlink() or not workshop.is_dir() or not {item.name for item in workshop.iterdir()} <= _WORK:
            return False
        if not (workshop / LOCK).is_file():
            # killed before the lock was made or after it went, and then there is nothing else in it
            return not any(workshop.iterdir()) and time.time() - workshop.stat().st_mtime > _YOUNG_S
        _hold(workshop / LOCK).close()
    except OSError:
        return False
    return True


def _hold(path: Path) -> IO[bytes]:
    """Open a lock file and hold it until it is closed or the process ends. Raises OSError where another holds it."""
    file = path.open("ab")
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise
    return file
