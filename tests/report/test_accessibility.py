"""The pages under axe in a real Chromium: no violation, wide, at 200 % zoom and narrow; nothing runs off the side.

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

pytestmark = pytest.mark.browser

# 1280 px at 200 % zoom is 640 px; a headless window is never narrower than 500 px, a phone's page is held in a frame
WIDTHS = (1280, 640, 375)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
    "--allow-file-access-from-files", "--virtual-time-budget=20000",
)  # fmt: skip
ASK = """
const told = (found) => { const box = parent.document.createElement("pre"); box.id = "axe-found";
  box.textContent = JSON.stringify(found); parent.document.body.append(box); };
document.querySelectorAll("details").forEach((fold) => { fold.open = true; });
const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
axe.run(document).then((result) => told({wide, passes: result.passes.length,
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


@pytest.fixture(scope="module")
def pages(
    make: SimpleNamespace, run_notebook: Callable[[Any], Any], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    notebook, folder = run_notebook(make.whole()), tmp_path_factory.mktemp("pages")
    return {
        "report": write_page(notebook, folder / "report.html", title="Does it?"),
        "handout": write_handout(notebook, folder / "handout.html", title="Does it?"),
    }


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["report", "handout"])
def test_axe_finds_no_violation(pages: dict[str, Path], tmp_path: Path, name: str, width: int) -> None:
    found = under_axe(pages[name], tmp_path, width)
    assert "error" not in found, found
    assert found["violations"] == []
    assert found["passes"] > 15  # it did look
    assert found["wide"] <= 0, "the page runs off its side"


def test_the_handout_prints_on_one_sheet_with_tags(pages: dict[str, Path], tmp_path: Path) -> None:
    assert write_pdf(pages["handout"], tmp_path / "handout.pdf") is None
    printed = (tmp_path / "handout.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    assert b"/StructTreeRoot" in printed


def test_axe_would_see_a_fault(tmp_path: Path) -> None:
    page = tmp_path / "faulty.html"
    page.write_text("<!DOCTYPE html><html><body><main><img src='data:,'></main></body></html>", encoding="utf-8")
    names = {violation[0] for violation in under_axe(page, tmp_path, 640)["violations"]}
    assert {"html-has-lang", "image-alt", "document-title"} <= names
