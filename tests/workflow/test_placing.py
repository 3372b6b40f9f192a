"""A finished folder takes the place of the old one whole, or the old one stays whole."""

import json

import pytest

from trialkit.errors import DesignError
from trialkit.placing import staged


def write_report_into(folder, text):
    (folder / "results.json").write_text(json.dumps({"trialkit": "0"}))
    (folder / "report.html").write_text(text)


def test_a_new_folder_appears_only_when_it_is_finished(tmp_path):
    out = tmp_path / "deep" / "report"
    with staged(out) as stage:
        write_report_into(stage, "new")
        assert not out.exists()
    assert (out / "report.html").read_text() == "new"
    assert [path.name for path in out.parent.iterdir()] == ["report"]


def test_an_earlier_report_is_replaced(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        write_report_into(stage, "old")
        (stage / "extra.txt").write_text("left over")
    with staged(out) as stage:
        write_report_into(stage, "new")
    assert (out / "report.html").read_text() == "new"
    assert not (out / "extra.txt").exists()


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt, OSError])
def test_a_stop_halfway_leaves_the_old_report_whole(tmp_path, failure):
    out = tmp_path / "report"
    with staged(out) as stage:
        write_report_into(stage, "old")
    with pytest.raises(failure), staged(out) as stage:
        (stage / "report.html").write_text("half")
        raise failure
    assert (out / "report.html").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_folder_of_somebody_else_is_refused(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    expected = "was not written by this command; expected a new folder or an earlier report"
    with pytest.raises(DesignError, match=expected), staged(tmp_path):
        pytest.fail("must not get here")
    assert (tmp_path / "thesis.txt").read_text() == "mine"


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "report").write_text("mine")
    with pytest.raises(DesignError, match="is a file; expected a folder"), staged(tmp_path / "report"):
        pytest.fail("must not get here")


def test_an_empty_folder_may_be_used(tmp_path):
    (tmp_path / "report").mkdir()
    with staged(tmp_path / "report") as stage:
        write_report_into(stage, "new")
    assert (tmp_path / "report" / "report.html").read_text() == "new"
