"""The pages of every sample under axe in a real Chromium: no violation, wide, at 200 % zoom and narrow; nothing runs
off the side, and a keyboard reaches every fold and every table that scrolls.

It needs the file named by TRIALKIT_AXE (axe.min.js of the package axe-core) and runs only where that is set; then a
Chromium must be on the path, and its absence is a failure rather than a pass unseen.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Callable
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from trialkit.printing import browser, write_pdf
from trialkit.report.page import write_handout, write_page
from trialkit.report.producing import produce
from trialkit.shipped import shipped

pytestmark = pytest.mark.browser

# 1280 px at 200 % zoom is 640 px; a headless window is never narrower than 500 px, a phone's page is held in a frame
WIDTHS = (1280, 640, 375)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
    "--allow-file-access-from-files", "--virtual-time-budget=20000",
)  # fmt: skip
ASK = """
const reach = () => { const lost = [];
  document.querySelectorAll("summary, a[href], [tabindex]").forEach((one) => { one.focus();
    const seen = getComputedStyle(one).outlineStyle !== "none";
    if (document.activeElement !== one || one.tabIndex !== 0 || !seen) lost.push(one.outerHTML.slice(0, 200)); });
  document.querySelectorAll("details").forEach((fold) => {
    if (fold.firstElementChild?.tagName !== "SUMMARY") { lost.push(fold.outerHTML.slice(0, 200)); return; }
    fold.open = false; fold.firstElementChild.click();
    if (!fold.open) lost.push(fold.outerHTML.slice(0, 200)); });
  document.querySelectorAll("*").forEach((one) => {
    const rolls = one.scrollWidth > one.clientWidth + 1 && ["auto", "scroll"].includes(getComputedStyle(one).overflowX);
    if (rolls && one.tabIndex !== 0) lost.push(one.outerHTML.slice(0, 200)); });
  return lost; };
const told = (found) => { const box = parent.document.createElement("pre"); box.id = "axe-found";
  box.textContent = JSON.stringify(found); parent.document.body.append(box); };
document.querySelectorAll("details").forEach((fold) => { fold.open = true; });
const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
axe.run(document).then((result) => told({wide, lost: reach(), passes: result.passes.length,
  violations: result.violations.map((one) => [one.id, one.help, one.nodes.map((node) => node.html)])}),
  (error) => told({error: String(error)}));
"""


def under_axe(page: Path, folder: Path, width: int) -> dict[str, Any]:
    """What axe says of a copy of the page with every fold open, in a frame of that width."""
    program, axe = browser(), os.environ.get("TRIALKIT_AXE", "")
    assert program is not None, "no Chromium on the path"
    assert axe and Path(axe).is_file(), "TRIALKIT_AXE names no file"
    html = page.read_text(encoding="utf-8")
    script = f"<script>{Path(axe).read_text(encoding='utf-8')}</script><script>{ASK}</script></body>"
    (folder / "inside.html").write_text(html.replace("</body>", script), encoding="utf-8")
    frame = f'<iframe src="inside.html" title="page" style="border:0;width:{width}px;height:4000px"></iframe>'
    (folder / "frame.html").write_text(f"<!DOCTYPE html><body>{frame}</body>", encoding="utf-8")
    command = [program, *FLAGS, f"--window-size={max(width, 500) + 40},4000", f"--user-data-dir={folder / 'profile'}",
               "--dump-dom", (folder / "frame.html").as_uri()]  # fmt: skip
    dom = subprocess.run(command, capture_output=True, text=True, timeout=180, check=True).stdout
    found = re.search(r'<pre id="axe-found">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None, "axe said nothing"
    return dict(json.loads(unescape(found[1])))


SAMPLES = sorted(
    path.name for path in shipped("sample_trials").iterdir() if (path / "trial.toml").is_file() and path.name != "dirty"
)


@pytest.fixture(scope="module")
def pages(
    make: SimpleNamespace, run_notebook: Callable[[Any], Any], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Path]:
    """The folder with the two pages of a shipped sample, or of an analysis that holds one of everything."""
    made: dict[str, Path] = {}

    def of(name: str) -> Path:
        if name not in made:
            made[name] = tmp_path_factory.mktemp(name)
            if name == "everything":
                notebook = run_notebook(make.whole())
                write_page(notebook, made[name] / "report.html", title="Does it?")
                write_handout(notebook, made[name] / "handout.html", title="Does it?")
            else:
                produce({"folder": str(shipped("sample_trials") / name), "control": None}, made[name], pdf=False)
        return made[name]

    return of


@pytest.mark.parametrize("page", ["report", "handout"])
@pytest.mark.parametrize("name", ["everything", *SAMPLES])
def test_axe_finds_no_violation(pages: Callable[[str], Path], tmp_path: Path, name: str, page: str) -> None:
    for width in WIDTHS:
        folder = tmp_path / str(width)
        folder.mkdir()
        found = under_axe(pages(name) / f"{page}.html", folder, width)
        assert "error" not in found, found
        assert found["violations"] == [], f"{width} px"
        assert found["passes"] > 15  # it did look
        assert found["wide"] <= 0, f"the page runs off its side at {width} px"
        assert found["lost"] == [], f"not reached, or not seen to be reached, by keyboard at {width} px"


@pytest.mark.parametrize("name", ["everything", *SAMPLES])
def test_the_handout_prints_on_one_sheet_with_tags(pages: Callable[[str], Path], tmp_path: Path, name: str) -> None:
    assert write_pdf(pages(name) / "handout.html", tmp_path / "handout.pdf") is None
    printed = (tmp_path / "handout.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    assert b"/StructTreeRoot" in printed
    assert re.search(rb"/MarkInfo\s*<<[^>]*/Marked\s+true", printed)


@pytest.mark.parametrize("name", SAMPLES)
def test_every_figure_has_its_finding_in_words(pages: Callable[[str], Path], name: str) -> None:
    html = (pages(name) / "report.html").read_text(encoding="utf-8")
    told = [unescape(alt) for alt in re.findall(r'<img [^>]*alt="([^"]*)"', html)]
    assert len(told) >= 2
    for alt in told:
        assert len(re.findall(r"\d", alt)) >= 3, alt  # what it shows, not only what it is


def test_axe_would_see_a_fault(tmp_path: Path) -> None:
    page = tmp_path / "faulty.html"
    page.write_text("<!DOCTYPE html><html><body><main><img src='data:,'></main></body></html>", encoding="utf-8")
    names = {violation[0] for violation in under_axe(page, tmp_path, 640)["violations"]}
    assert {"html-has-lang", "image-alt", "document-title"} <= names
