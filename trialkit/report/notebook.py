"""Runs the report notebook: a copy, one injected cell, this very Python."""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from trialkit.errors import TrialkitError

CELL_TIMEOUT_S = 1800
INJECTED = "injected-parameters"
Progress = Callable[[int, int, str], None]


class NotebookFailed(TrialkitError):
    """A cell of the report notebook failed; the text says which, and what went wrong."""


def execute(
    template: str | Path,
    run_file: str | Path,
    folder: str | Path,
    *,
    timeout: int = CELL_TIMEOUT_S,
    progress: Progress | None = None,
) -> Any:
    """Runs a copy of ``template`` in ``folder`` and returns the executed notebook (a nbformat node).

    One cell is put behind the cell tagged ``parameters``: the path of ``run_file``, nothing else. ``progress`` is
    called with (cells done, cells in all, heading) after each code cell. Raises NotebookFailed;
    ``template`` is never changed.
    """
    import nbformat

    notebook = nbformat.read(str(template), as_version=4)
    inject(notebook, run_file)
    with tempfile.TemporaryDirectory(prefix="trialkit-kernel-") as scratch:
        _run(notebook, Path(folder), Path(scratch), timeout, progress)
    return notebook


def inject(notebook: Any, run_file: str | Path) -> None:
    """Puts the one cell with the path of the run file behind the cell tagged ``parameters``; replaces an older one."""
    from nbformat.v4 import new_code_cell

    cells = [cell for cell in notebook.cells if INJECTED not in cell.metadata.get("tags", [])]
    places = [place for place, cell in enumerate(cells) if "parameters" in cell.metadata.get("tags", [])]
    if len(places) != 1:
        raise NotebookFailed(
            f"found {len(places)} cells tagged “parameters” in the report notebook; expected exactly one."
        )
    cell = new_code_cell(f"run_file = {str(run_file)!r}", metadata={"tags": [INJECTED]})
    cells.insert(places[0] + 1, cell)
    notebook.cells = cells


def _run(notebook: Any, folder: Path, scratch: Path, timeout: int, progress: Progress | None) -> None:
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    code = [place for place, cell in enumerate(notebook.cells) if cell.cell_type == "code"]

    def told(*, cell_index: int, **_: Any) -> None:
        if progress is not None and cell_index in code:
            progress(code.index(cell_index) + 1, len(code), heading_above(notebook, cell_index))

    client = NotebookClient(
        notebook,
        km=_kernel(scratch),
        timeout=timeout,
        resources={"metadata": {"path": str(folder)}},
        on_cell_executed=told,
        record_timing=False,
        coalesce_streams=True,
        shutdown_kernel="immediate",
    )
    try:
        client.execute(env=_environment(scratch), cleanup_kc=True)
    except (Exception, asyncio.CancelledError) as error:
        # set where it met Ctrl-C, which it swallows
        if getattr(client, "_async_cleanup_kernel_future", None) is not None:
            raise KeyboardInterrupt from error
        if isinstance(error, CellExecutionError):
            what = f"{error.ename}: {error.evalue}"
        elif isinstance(error, CellTimeoutError):
            what = f"it took longer than {timeout} s"
        elif isinstance(error, DeadKernelError | RuntimeError):
            what = f"Python stopped ({error})"
        else:
            raise
        raise NotebookFailed(_failure(notebook, what)) from error


def _kernel(scratch: Path) -> Any:
    """A kernel of the Python that runs now, whatever "python3" may be installed as; its files stay in ``scratch``."""
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager

    class ThisPython(KernelSpecManager):
        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:  # noqa: ARG002
            argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}",
                    "--HistoryManager.enabled=False", "--log-level=40"]  # fmt: skip
            return KernelSpec(argv=argv, display_name="Python 3", language="python")

    return AsyncKernelManager(
        kernel_name="python3", kernel_spec_manager=ThisPython(), connection_file=str(scratch / "kernel.json")
    )


def _environment(scratch: Path) -> dict[str, str]:
    """The environment of the kernel: no start-up files of the user's, no picture windows."""
    return {
        **os.environ,
        "IPYTHONDIR": str(scratch / "ipython"),
        "MPLBACKEND": "agg",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    }


def heading_above(notebook: Any, place: int) -> str:
    """The last Markdown heading at or above a cell, for progress and messages."""
    for cell in reversed(notebook.cells[: place + 1]):
        if cell.cell_type == "markdown" and cell.source.startswith("#"):
            return str(cell.source.splitlines()[0].lstrip("# ").strip())
    return ""


def _failure(notebook: Any, what: str) -> str:
    for place, cell in enumerate(notebook.cells):
        failed = cell.cell_type == "code" and any(output.output_type == "error" for output in cell.get("outputs", []))
        if failed:
            heading = heading_above(notebook, place)
            where = f"cell {place + 1}" + (f", under “{heading}”" if heading else "")
            return f"The report stopped at {where}: {what}. Nothing was written; an older report is as it was."
    return f"The report stopped: {what}. Nothing was written; an older report is as it was."
