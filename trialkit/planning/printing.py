"""Prints an HTML page to PDF where this machine has a way, and says what is missing where it has none."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from importlib import import_module
from pathlib import Path

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
SECONDS = 120
NO_ROUTE = (
    "No PDF was made: neither weasyprint (pip install 'trialkit[pdf]') nor a Chromium browser is here. Open "
    "sheets/sheets.html in any browser and print it, with headers and footers switched off."
)


def print_to_pdf(page: Path, pdf: Path) -> str | None:
    """Write ``pdf`` from the HTML file ``page``; None when it is there, else one sentence on why not."""
    try:
        weasyprint = import_module("weasyprint")
    except (ImportError, OSError):  # OSError: its system libraries are missing
        return _print_with_browser(page, pdf)
    weasyprint.HTML(filename=str(page)).write_pdf(str(pdf), pdf_variant="pdf/ua-1")
    return None


def _print_with_browser(page: Path, pdf: Path) -> str | None:
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        return NO_ROUTE
    with tempfile.TemporaryDirectory() as profile:
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={profile}",
            f"--print-to-pdf={pdf.resolve()}",
            page.resolve().as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # a browser refuses to start as root with it
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS)
        except subprocess.TimeoutExpired:
            return f"No PDF was made: {browser} did not finish in {SECONDS} s. Open {page.name} and print it."
    if done.returncode or not pdf.is_file():
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        return f'No PDF was made: {browser} said "{last}". Open {page.name} in a browser and print it.'
    return None
