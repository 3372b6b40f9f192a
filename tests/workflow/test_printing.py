"""A page becomes a tagged PDF, or one sentence says why not and how to print by hand."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from trialkit import printing


def test_without_a_printer_the_way_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing.importlib.util, "find_spec", lambda _: None)
    monkeypatch.setattr(printing.shutil, "which", lambda _: None)
    page = tmp_path / "report.html"
    page.write_text("<p>x</p>", encoding="utf-8")
    assert not printing.can_print()
    assert printing.write_pdf(page, tmp_path / "report.pdf") == (
        "No PDF was made: open report.html in a browser and choose Print, then “Save as PDF”. Or install trialkit[pdf]."
    )
    assert not (tmp_path / "report.pdf").exists()


def test_a_browser_that_fails_leaves_no_half_pdf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing.importlib.util, "find_spec", lambda _: None)
    monkeypatch.setattr(printing.shutil, "which", lambda _: "/bin/false")
    page, target = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text("<p>x</p>", encoding="utf-8")

    def broken(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        target.write_bytes(b"half")
        return subprocess.CompletedProcess(command, 3, "", "starting\nno display\n")

    monkeypatch.setattr(printing.subprocess, "run", broken)
    told = printing.write_pdf(page, target) or ""
    assert told.startswith("No PDF was made: open report.html in a browser")
    assert told.endswith("(false said: no display.)")
    assert not target.exists()


def test_a_browser_prints_with_the_folds_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing.importlib.util, "find_spec", lambda _: None)
    monkeypatch.setattr(printing.shutil, "which", lambda name: f"/opt/{name}")
    page, target = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text("<details><summary>x</summary></details><details class='code'></details>", encoding="utf-8")
    seen: dict[str, Any] = {}

    def prints(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        seen["command"] = command
        seen["html"] = Path(command[-1].removeprefix("file://")).read_text(encoding="utf-8")
        target.write_bytes(b"%PDF-1.7")
        return subprocess.CompletedProcess(command, 0, "", "")

    monkeypatch.setattr(printing.subprocess, "run", prints)
    assert printing.write_pdf(page, target) is None
    assert seen["command"][0] == "/opt/chromium"
    assert seen["html"].count("<details open>") == 1
    assert "open" not in page.read_text(encoding="utf-8")


def test_a_browser_that_never_ends_is_stopped_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing.importlib.util, "find_spec", lambda _: None)
    monkeypatch.setattr(printing.shutil, "which", lambda name: f"/opt/{name}")
    page = tmp_path / "sheets.html"
    page.write_text("<p>x</p>", encoding="utf-8")

    def hangs(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        raise subprocess.TimeoutExpired(command, printing.TIMEOUT_S)

    monkeypatch.setattr(printing.subprocess, "run", hangs)
    assert (printing.write_pdf(page, tmp_path / "sheets.pdf") or "").endswith("(chromium did not finish in 120 s.)")


@pytest.mark.slow
def test_a_page_is_printed_tagged_here_or_the_way_is_told(tmp_path: Path) -> None:
    """Tagged as ISO 32000-1, 14.7 and 14.8 ask: a structure tree, and a catalogue entry that says so."""
    page, target = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text("<!DOCTYPE html><html lang='en'><title>x</title><h1>Bins</h1><p>x</p></html>", encoding="utf-8")
    note = printing.write_pdf(page, target)
    if not printing.can_print():
        assert note is not None and note.startswith("No PDF was made: open report.html")
        return
    assert note is None
    printed = target.read_bytes()
    assert printed.startswith(b"%PDF-")
    assert re.search(rb"/MarkInfo\s*<<[^>]*/Marked\s+true", printed)
    assert b"/StructTreeRoot" in printed
