"""Prints a finished page to a tagged PDF: by weasyprint where it is installed, else by a Chromium that is there."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import tempfile
from pathlib import Path

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
    "--export-tagged-pdf",
)
TIMEOUT_S = 120
BY_HAND = "No PDF was made: open {page} in a browser and choose Print, then “Save as PDF”. Or install trialkit[pdf]."


def can_print() -> bool:
    """Whether a PDF can be made on this machine."""
    return importlib.util.find_spec("weasyprint") is not None or browser() is not None


def browser() -> str | None:
    """The first Chromium-like browser on the path."""
    return next((found for name in BROWSERS if (found := shutil.which(name)) is not None), None)


def write_pdf(page: str | Path, pdf: str | Path) -> str | None:
    """Prints ``page`` (an HTML file) to ``pdf``, tagged so that it can be read aloud.

    None where it worked, else one sentence on what failed and how to print by hand.
    """
    page, pdf = Path(page).resolve(), Path(pdf).resolve()
    if importlib.util.find_spec("weasyprint") is not None:
        return _by_library(page, pdf)
    program = browser()
    return BY_HAND.format(page=page.name) if program is None else _by_browser(program, page, pdf)


def opened(html: str) -> str:
    """The page with its folds open, but for the code: paper cannot be clicked."""
    return html.replace("<details>", "<details open>")


def _by_library(page: Path, pdf: Path) -> str | None:
    try:
        from weasyprint import HTML  # type: ignore[import-not-found]

        HTML(string=opened(page.read_text(encoding="utf-8"))).write_pdf(str(pdf), pdf_variant="pdf/ua-1")
    except (OSError, ImportError, ValueError) as error:  # a missing system library shows itself only here
        return _failed(page, pdf, f"weasyprint said: {error}")
    return None


def _by_browser(program: str, page: Path, pdf: Path) -> str | None:
    name = Path(program).name
    with tempfile.TemporaryDirectory(prefix="trialkit-print-", ignore_cleanup_errors=True) as profile:
        open_page = Path(profile) / page.name
        command = [program, *FLAGS, f"--user-data-dir={profile}", f"--print-to-pdf={pdf}", open_page.as_uri()]
        try:
            open_page.write_text(opened(page.read_text(encoding="utf-8")), encoding="utf-8")
            done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
        except subprocess.TimeoutExpired:
            return _failed(page, pdf, f"{name} did not finish in {TIMEOUT_S} s")
        except OSError as error:
            return _failed(page, pdf, f"{name} could not be run: {error.strerror or error}")
    if done.returncode != 0 or not pdf.exists() or pdf.read_bytes()[:5] != b"%PDF-":
        last = (done.stderr.strip().splitlines() or ["nothing"])[-1]
        return _failed(page, pdf, f"{name} said: {last}")
    return None


def _failed(page: Path, pdf: Path, why: str) -> str:
    pdf.unlink(missing_ok=True)
    return f"{BY_HAND.format(page=page.name)} ({why}.)"
