"""The pages: self-contained, without script, readable by machines that read aloud."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from trialkit import report
from trialkit.records import Analysis
from trialkit.report.page import page_html, write_handout, write_page

Run = Callable[[Analysis], Any]
HOSTILE = '<script>alert("x")</script>'
VOID = {"meta", "img", "br", "hr", "link", "input"}


class Outline(HTMLParser):
    """Tags in order, and whether they close as they opened."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.crossed: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)


def outline(html: str) -> Outline:
    parser = Outline()
    parser.feed(html)
    return parser


@pytest.fixture(scope="module")
def page(make: SimpleNamespace, run_notebook: Run) -> str:
    return page_html(run_notebook(make.analysis()), title="Does it?")


@pytest.fixture(scope="module")
def handout(make: SimpleNamespace, run_notebook: Run, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("handout")
    path = write_handout(run_notebook(make.analysis()), folder / "handout.html", title="Does it?")
    return path.read_text(encoding="utf-8")


def test_a_page_needs_no_script_and_no_network(page: str, handout: str) -> None:
    for html in (page, handout):
        assert "<script" not in html
        assert "<link" not in html
        assert "@import" not in html
        assert not re.search(r"(src|href)=\"(?!data:|#)", html)
        assert "url(" not in html


def test_a_page_is_well_built(page: str, handout: str) -> None:
    for html in (page, handout):
        found = outline(html)
        tags = [tag for tag, _ in found.seen]
        assert found.crossed == [] and found.open == []
        assert tags.count("h1") == tags.count("main") == tags.count("title") == 1
        assert dict(found.seen)["html"]["lang"] == "en"
        assert all(attributes.get("alt") for tag, attributes in found.seen if tag == "img")
        assert all("scope" in attributes for tag, attributes in found.seen if tag == "th")
        assert tags.count("caption") == tags.count("table")
        levels = [int(tag[1]) for tag in tags if re.fullmatch("h[1-6]", tag)]
        assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_sections_come_in_their_order(page: str) -> None:
    headings = re.findall(r"<h2[^>]*>(.*?)</h2>", page)
    assert headings == [
        "How fair the comparison was",
        "The effects in numbers",
        "What was compared",
        "How sure, and why",
        "What this trial cannot tell",
        "Odd readings",
        "Take care",
        "For a newsletter, to paste",
        "Methods, to paste",
        "Appendix, for a statistician",
    ]
    assert page.index("Faster, but less than claimed") < page.index("<figure") < page.index("The effects in numbers")


def test_the_first_screen_has_no_method_names(page: str) -> None:
    first = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page[: page.index("The effects in numbers")], flags=re.S)
    for word in (
        "t-test",
        "REML",
        "Dunnett",
        "least squares",
        "multivariate",
        "Kenward",
        "degrees of freedom",
        "p-value",
    ):
        assert word not in first
    assert "between 1.18 and 1.28" in first


def test_code_is_folded_away_at_the_end(page: str) -> None:
    assert page.index("The code behind this page") > page.index("Appendix, for a statistician")
    assert "trialkit.bin_values(trial, name)" in page


def test_the_handout_is_the_first_page_alone(handout: str) -> None:
    assert "Faster, but less than claimed" in handout
    assert "How to read it" in handout
    assert handout.count("<figure") == 1
    assert "Methods, to paste" not in handout
    assert "The code behind this page" not in handout
    short = handout[handout.index('<ul class="short">') :]
    assert 3 <= short[: short.index("</ul>")].count("<li>") <= 5


def test_the_five_lines_stand_on_the_handout_only(page: str) -> None:
    assert "How to read it" not in page


def test_names_from_files_are_text_everywhere(make: SimpleNamespace, run_notebook: Run) -> None:
    analysis = make.analysis()
    plan = replace(analysis.trial.plan, title=HOSTILE, question=HOSTILE)
    bins = tuple(
        replace(item, bin=HOSTILE + item.bin, lost_on_day=9.0, lost_reason=HOSTILE) for item in analysis.trial.bins
    )
    verdicts = tuple(replace(verdict, claim=replace(verdict.claim, text=HOSTILE)) for verdict in analysis.verdicts)
    answer = analysis.answers[0]
    comparisons = tuple(replace(item, treatment=HOSTILE) for item in answer.comparisons)
    hostile = replace(
        analysis,
        trial=replace(analysis.trial, plan=plan, bins=bins),
        answers=(replace(answer, comparisons=comparisons),),
        verdicts=verdicts,
    )
    html = page_html(run_notebook(hostile), title=HOSTILE)
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_pages_are_written_in_utf_8(make: SimpleNamespace, run_notebook: Run, tmp_path: Path) -> None:
    path = write_page(run_notebook(make.analysis()), tmp_path / "report.html", title="Käse")
    assert "<title>Käse</title>" in path.read_text(encoding="utf-8")


def test_no_name_of_the_front_door_is_that_of_a_module() -> None:
    """A module, once loaded, would stand in the place of the function of that name."""
    modules = {path.stem for path in Path(report.__file__).parent.glob("*.py")}
    assert not modules & set(report.__all__)
