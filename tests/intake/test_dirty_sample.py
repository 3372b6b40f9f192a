"""The dirty sample trial: every fault of its card is found where the card says, and nothing else stops it."""

import re

import pytest

from trialkit.errors import TemplateError
from trialkit.intake import check_trial, load_trial, summarise_check
from trialkit.shipped import shipped

FOLDER = shipped("sample_trials") / "dirty"


def planted():
    """(file, line or None, code) of every row of the card."""
    card = (FOLDER / "CARD.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \d+ \| `([^`]+)` \| ([^|]+) \| [^|]+ \| `([^`]+)` \|$", card, flags=re.MULTILINE)
    return [(file, int(line) if line.isdigit() else None, code) for file, line, code in rows]


@pytest.fixture(scope="module")
def found():
    return check_trial(FOLDER).findings


def test_the_card_lists_at_least_fifteen_kinds():
    assert len(planted()) == 25
    assert len({code for _, _, code in planted()}) >= 15


@pytest.mark.parametrize(("file", "line", "code"), planted())
def test_every_planted_fault_is_found_at_its_place(found, file, line, code):
    assert any((finding.file, finding.line, finding.code) == (file, line, code) for finding in found)


def test_nothing_else_is_an_error(found):
    errors = {(finding.file, finding.line, finding.code) for finding in found if finding.severity == "error"}
    # the renamed bin is told at each of its visits
    assert errors - set(planted()) == {("readings_south.csv", 54, "bin-unknown")}


def test_nothing_is_analysed_and_everything_is_counted():
    with pytest.raises(TemplateError) as caught:
        load_trial(FOLDER)
    assert caught.value.rows == {"bins.csv": 13, "readings_north.csv": 54, "readings_south.csv": 55}
    shown = summarise_check(check_trial(FOLDER)).splitlines()
    assert shown[-1] == f"{FOLDER} does not fit yet: 20 problems to put right."
    assert len(shown) < 40  # one screen
