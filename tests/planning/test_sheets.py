"""The printed sheets: what stands on them, what must not, and that they print."""

import re
import shutil
import subprocess
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from trialkit.planning.again import draw_sheets_again, places_of
from trialkit.planning.field_sheets import HEADINGS
from trialkit.planning.labels import qr_code
from trialkit.planning.layout_map import draw_map
from trialkit.planning.plan import plan_trial
from trialkit.printing import can_print, write_pdf


class Outline(HTMLParser):
    """Collects headings and checks that tags are closed in the order they were opened."""

    VOID = frozenset({"meta", "br", "wbr", "link", "img", "path"})

    def __init__(self):
        super().__init__()
        self.open, self.headings = [], []

    def handle_starttag(self, tag, attrs):  # noqa: ARG002
        if tag not in self.VOID:
            self.open.append(tag)
        if tag in ("h1", "h2", "h3"):
            self.headings.append("")

    def handle_endtag(self, tag):
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] in ("h1", "h2", "h3"):
            self.headings[-1] += data


def outline(page):
    parser = Outline()
    parser.feed(page)
    assert parser.open == []
    return parser.headings


@pytest.fixture
def page(planned):
    return planned.files["sheets/sheets.html"].decode()


def test_every_sheet_is_there(page):
    assert outline(page) == [
        "Leaves & <starters>", "Labels", "Filling the bins", "The arms", "What differs between them",
        "Recipe and pouring list", "Pour in this order",
        "Day 0: Saturday, 26 September 2026", "Day 3: Tuesday, 29 September 2026", "Day 7: Saturday, 3 October 2026",
        "Day 10: Tuesday, 6 October 2026", "Day 14: Saturday, 10 October 2026", "Day 21: Saturday, 17 October 2026",
        "Day 28: Saturday, 24 October 2026", "Day 42: Saturday, 7 November 2026", "Day 56: Saturday, 21 November 2026",
        "Reader's card", "Finished?", "Safety",
    ]  # fmt: skip


def test_text_from_the_request_is_escaped(page, planned):
    assert "<starters>" not in page and "Leaves &amp; &lt;starters&gt;" in page
    ElementTree.fromstring(planned.files["layout.svg"])


def test_field_sheets_never_name_treatments(page):
    sheets = page[
        page.index("Day 0:") : page.index("Reader&#x27;s card") if "Reader&#x27;s" in page else page.index("Reader's")
    ]
    assert not any(name in sheets for name in ("live starter", "killed starter", "water only"))
    for bin_ in (f"B{number}" for number in range(1, 13)):
        assert sheets.count(f'<th scope="row">{bin_}</th>') == 9


def test_field_sheets_have_the_columns_of_the_readings(page, planned):
    first = page[page.index("Day 0:") : page.index("Day 3:")]
    named = [text.replace("<wbr>", "") for text in re.findall(r"<code>(.*?)</code>", first)]
    assert named == planned.files["readings.csv"].decode().splitlines()[0].split(",")[2:]


def test_the_protocol_says_what_makes_it_fair(page):
    for words in (
        "The same wet mass in every bin, to within 2 %",
        "Open <b>every</b> bin, the control too, and mix it with the same number of fork strokes",
        "Order: controls first, then the killed starter, the live starter last.",
        "warm to the hand and not hot",
        "let go one or two drops",
        "Never seal the bottle",
        "boiled for 20 minutes",
    ):
        assert words in page
    pouring = page[page.index("Pour in this order") :]
    order = [pouring.index(f'<th scope="row">{name}</th>') for name in ("water only", "killed starter", "live starter")]
    assert order == sorted(order)


def test_paper(page, make_request):
    assert "size: 210mm 297mm" in page and "size: 297mm 210mm" in page
    letter = plan_trial(make_request(paper="Letter")).files["sheets/sheets.html"].decode()
    assert "size: 8.5in 11in" in letter and "size: 11in 8.5in" in letter


def test_nothing_is_fetched_from_a_network(page):
    assert not re.findall(r'(?:src|href)="(?!#)', page) and "url(" not in page and "<script" not in page


def test_labels_bear_codes_in_a_blinded_trial(make_request):
    planned = plan_trial(make_request(blinded=True))
    page = planned.files["sheets/sheets.html"].decode()
    labels = page[page.index("<h2>Labels</h2>") : page.index("<h2>Filling")]
    for bin_ in planned.bins:
        assert f'<div class="label-bin">{bin_.bin}</div><div>{bin_.code}</div>' in labels


def test_a_qr_code_is_a_picture_of_its_own():
    one, other = qr_code("B1"), qr_code("B2")
    assert one is not None and one.startswith("<svg") and one != other
    ElementTree.fromstring(one)


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ({"kind": "latin square", "blocks": None}, ["Row 1", "Column 3"]),
        ({"kind": "completely random", "blocks": None, "bins": 4}, ["Line", "… on", "the map breaks it"]),
        (
            {"kind": "split plot", "whole_plot_factor": "turning", "whole_plot_levels": ("weekly", "never")},
            ["Block 4", "W8"],
        ),
    ],
)
def test_every_layout_has_its_map(make_request, layout, words):
    planned = plan_trial(make_request(claims=(), **{f"layout_{name}": value for name, value in layout.items()}))
    drawing = draw_map(planned.drawn, {bin_.bin: bin_.treatment for bin_ in planned.bins})
    texts = [" ".join(item.itertext()) for item in ElementTree.fromstring(drawing)]
    joined = " ".join(texts)
    assert all(word in joined for word in words)
    assert all(bin_.bin in texts for bin_ in planned.bins)


def test_sheets_are_drawn_again_from_the_files(planned, page):
    again = draw_sheets_again(planned.plan, planned.bins, planned.files["readings.csv"].decode())
    for heading in outline(again):
        assert heading in outline(page)
    assert places_of(planned.plan, planned.bins) == planned.drawn.places
    sheet = slice(page.index("Day 0:"), page.index("Day 3:"))
    assert page[sheet] in again


def test_every_heading_has_words():
    assert all(words for words, _ in HEADINGS.values())


# ---------------------------------------------------------------- PDF
@pytest.mark.slow
def test_the_pages_print_as_they_should(page, tmp_path):
    """Where this machine can print: one page a section, field sheets lying. Elsewhere the sentence is checked."""
    (tmp_path / "sheets.html").write_text(page)
    told = write_pdf(tmp_path / "sheets.html", tmp_path / "sheets.pdf")
    if not can_print() or shutil.which("pdfinfo") is None:
        assert told is None or told.startswith("No PDF was made: open sheets.html in a browser")
        return
    assert told is None
    info = subprocess.run(
        ["pdfinfo", "-l", "99", str(tmp_path / "sheets.pdf")], capture_output=True, text=True, check=True
    ).stdout
    sizes = re.findall(r"size: +([\d.]+) x ([\d.]+)", info)
    lying = [float(width) > float(height) for width, height in sizes]
    # map, labels, filling with arms, recipe; nine visits; reader's card, safety
    assert lying == [False] * 4 + [True] * 9 + [False] * 2
