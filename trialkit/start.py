"""The start page: opens JupyterLab on a page with four lines to change, and holds what those lines call.

Every call shows its result as text below the cell and never ends in a traceback for what the files hold.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from trialkit.errors import DesignError, TrialkitError
from trialkit.shipped import shipped

PAGE = "start.ipynb"
WORKBOOK = "trial.xlsx"
SAMPLE = "sample-trial"
_SETTINGS = "JUPYTER_CONFIG_PATH"


def open_page(folder: Path, *, browser: bool = True) -> int:
    """Open JupyterLab on the start page in ``folder`` and wait until it is closed; returns the exit code.

    The page is copied there once and never written over. Raises DesignError where ``folder`` is a file, OSError where
    the disk refuses.
    """
    page = copy_page(folder)
    print(f"Opening {page}. Leave this window open; to end, close the page and press Ctrl-C here.", flush=True)
    command = [sys.executable, "-m", "jupyterlab", *server_options(folder, browser=browser)]
    # the kernel of this very installation comes before one of the same name elsewhere; no news over the page
    settings = os.pathsep.join(filter(None, [str(shipped("templates") / "jupyter"), os.environ.get(_SETTINGS)]))
    environment = {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1", _SETTINGS: settings}
    server = subprocess.Popen(command, env=environment)
    try:
        return 0 if server.wait() == 0 else 3
    except KeyboardInterrupt:
        server.wait()
        return 0


def server_options(folder: Path, *, browser: bool) -> list[str]:
    """What JupyterLab is told: this folder, this page, this machine only, no questions and no news."""
    options = [
        f"--ServerApp.root_dir={folder.resolve()}",
        f"--LabApp.default_url=/lab/tree/{PAGE}",
        "--ServerApp.ip=127.0.0.1",
        "--ServerApp.answer_yes=True",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--Application.log_level=WARN",
    ]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        options.append("--ServerApp.allow_root=True")  # in a container there may be no other user
    return options if browser else [*options, "--no-browser"]


def copy_page(folder: Path) -> Path:
    """The start page in ``folder``, copied there if it is not there yet. Raises DesignError, OSError."""
    if folder.exists() and not folder.is_dir():
        raise DesignError(f"{folder} is a file; expected a folder for your trials. Give another name.")
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / PAGE
    if not page.exists():
        shutil.copyfile(shipped("templates") / PAGE, page)
    return page


# ---------------------------------------------------------------- the four lines of the page
def plan(
    folder: str, treatments: Sequence[str] = ("water only", "killed starter", "live starter"), blocks: int = 4
) -> None:
    """Draw a layout in blocks, the first treatment being the control, and write the folder with a workbook to fill in
    and sheets to print. A folder that has its workbook is left as it is.
    """
    _say(_plan, folder, treatments, blocks)


def check(folder: str) -> None:
    """List every problem of a trial, how far it is, and which bins look odd; by bin and never by treatment."""
    _say(_check, folder)


def answer(folder: str, control: str | None = None) -> None:
    """Analyse a trial, write its report, and show what may be said. ``control`` only where no plan names it."""
    _say(_answer, folder, control)


def learn() -> None:
    """Lay the notebooks of the manual beside the page and list them."""
    _say(_learn)


def _plan(folder: str, treatments: Sequence[str], blocks: int) -> str:
    import secrets
    from dataclasses import replace
    from datetime import date

    from trialkit.planning import build_request, plan_trial, write_plan
    from trialkit.workflow import planned_workbook

    place = Path(folder)
    if (place / WORKBOOK).exists():
        return f"**{folder}** is planned already. Fill in [its workbook]({_link(place / WORKBOOK)})."
    if place.exists() and (not place.is_dir() or any(place.iterdir())):
        raise DesignError(f"{folder} is there already and is no plan of this page. Choose another name.")
    given = {"treatments": ",".join(treatments), "control": treatments[0], "layout": "blocks", "blocks": blocks}
    request, _ = build_request(given, date.today(), seed=secrets.randbelow(1_000_000))
    planned = plan_trial(request)
    # the workbook stands for the three text files, so that nothing is written down twice
    kept = {name: raw for name, raw in planned.files.items() if name not in ("trial.toml", "bins.csv", "readings.csv")}
    write_plan(replace(planned, files={**kept, WORKBOOK: planned_workbook(planned)}), place, pdf=False)
    sheets = place / "sheets" / "sheets.html"
    lines = [
        f"**{folder}** is planned: {len(planned.bins)} bins, "
        f"{len(treatments)} treatments in {blocks} blocks, the layout drawn at random.",
        f"- Fill in [the workbook]({_link(place / WORKBOOK)}): download it, type, and put it back under its name.",
    ]
    if sheets.exists():
        lines.append(f"- Print [the sheets]({_link(sheets)}) and take them to the bins.")
    return "\n".join([*lines, *(f"- {note}" for note in planned.warnings)])


def _check(folder: str) -> str:
    from trialkit.intake import check_trial, summarise_check

    return _as_typed(summarise_check(check_trial(folder)))


def _answer(folder: str, control: str | None) -> str:
    from trialkit.writing import write_report

    place = Path(folder)
    if folder == SAMPLE and not place.exists():
        shutil.copytree(shipped("sample_trials") / "three_arms", place)
    # on the page plain lines: what goes to stderr stands on red there, as if something were wrong
    written = write_report(place, control=control, say=lambda text: print(text, flush=True))
    sentences = "\n".join(f"> {_escaped(sentence)}\n" for sentence in written.sentences)
    report, here = (written.folder / "report.html").resolve(), Path.cwd().resolve()
    named = str(report)
    if report.is_relative_to(here):  # a link of the page leads only to what is below its folder
        inside = report.relative_to(here)
        named = f"[{inside.as_posix()}]({_link(inside)})"
    return f"{sentences}\nThe report: {named}. The first page alone is `handout.html` beside it."


def _learn() -> str:
    import json

    manual = shipped("templates").parent / "notebooks"
    here = Path("learn")
    lines = []
    for source in sorted(manual.glob("*.ipynb")):
        here.mkdir(exist_ok=True)
        if not (here / source.name).exists():
            shutil.copyfile(source, here / source.name)
        cells = json.loads(source.read_text(encoding="utf-8"))["cells"]
        title = "".join(cells[0]["source"]).splitlines()[0].lstrip("# ").strip()
        lines.append(f"- [{title}]({_link(here / source.name)})")
    return "\n".join(lines) or "The notebooks are not part of this installation; they come with the source of trialkit."


def _say(work: Callable[..., str], *arguments: Any) -> None:
    """Show what ``work`` returns, or the sentence of what went wrong, below the cell."""
    from IPython import display

    try:
        text = work(*arguments)
    except TrialkitError as problem:
        text = _as_typed(str(problem))
    except OSError as problem:
        text = f"The machine stopped us: {problem.strerror or problem}. Nothing was changed."
    show: Any = display
    show.display(show.Markdown(text))


def _as_typed(text: str) -> str:
    """Text as a block in which no letter means anything, whatever files and names hold."""
    return "\n".join(f"    {line}" for line in text.splitlines())


def _escaped(text: str) -> str:
    return "".join(f"\\{letter}" if letter in "\\`*_{}[]<>#|$&" else letter for letter in text)


def _link(path: Path) -> str:
    from urllib.parse import quote

    return quote(path.as_posix())
