"""Which files make a trial, what cannot be opened, and the making of a new folder."""

import os

import pytest

from trialkit.errors import DesignError, TemplateError
from trialkit.intake import check_trial, load_trial, new_trial


def texts(path):
    with pytest.raises(TemplateError) as caught:
        load_trial(path, control="x")
    return str(caught.value)


def test_a_path_that_is_not_there(tmp_path):
    assert texts(tmp_path / "nowhere") == (
        "nowhere does not fit (1 problem):\n  there is no file or folder of this name. Check the path."
    )
    (tmp_path / "my trial").mkdir()
    assert 'The nearest is "my trial".' in texts(tmp_path / "mytrial")


@pytest.mark.parametrize("path", ["a\0b", "x" * 5000])
def test_a_path_that_cannot_be(path):
    assert "does not fit" in texts(path)


def test_an_empty_folder(tmp_path):
    place = tmp_path / "trial"
    place.mkdir()
    assert texts(place) == (
        "trial does not fit (1 problem):\n"
        "  the folder is empty. Copy readings.csv into it, or begin a folder with: trialkit new DIR"
    )


def test_a_folder_with_other_things(write):
    place = write({"photo.jpg": "x", "reading.csv": "bin,day\n"})
    assert texts(place) == (
        "trial does not fit (1 problem):\n"
        "  the folder holds no readings.csv. Copy readings.csv into it, or begin a folder with: trialkit new DIR\n"
        "reading.csv, to look at (1 warning):\n"
        '  the file is no part of the trial; the nearest name that is read is "readings.csv". '
        "Rename it if it should be read."
    )


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        (
            "trial.xlsx",
            "the workbook is damaged. Open it in a spreadsheet and save it again as a workbook (.xlsx).",
        ),
        (
            "readings.xlsx",
            "the workbook is damaged. Open it in a spreadsheet and save it again as a workbook (.xlsx).",
        ),
        (
            "readings.ods",
            "this kind of workbook is not read. Save it as a workbook (.xlsx) under the same name.",
        ),
    ],
)
def test_a_workbook_beside_the_files_is_not_passed_over(trial_files, write, said, name, sentence):
    place = write({**trial_files, name: b"PK\x03\x04"})
    assert said(place) == [("error", "workbook", sentence)]


def test_other_files_are_noted_and_hidden_ones_are_not(trial_files, write, said):
    place = write({**trial_files, "weather.csv": "a,b\n", ".DS_Store": "x", "~$bins.csv": "x", "photo.jpg": "x"})
    assert said(place) == [("note", "not-read", "the file is no part of the trial.")]


def test_names_of_files_may_be_in_capitals(trial_files, write):
    files = {"Trial.toml": trial_files["trial.toml"], "Bins.CSV": trial_files["bins.csv"]}
    trial = load_trial(write({**files, "READINGS.CSV": trial_files["readings.csv"]}))
    assert (len(trial.bins), trial.rows_used) == (4, 20)


def test_several_readings_files_are_read_in_natural_order(trial_files, write):
    head, *rows = trial_files["readings.csv"].splitlines()
    files = {f"readings_{n}.csv": "\n".join([head, *rows[2 * n : 2 * n + 2]]) for n in range(10)}
    files["readings_10.csv"] = files.pop("readings_9.csv")
    trial = load_trial(write({**trial_files, "readings.csv": None, **files}))
    assert [source.file for source in trial.sources][-2:] == ["readings_8.csv", "readings_10.csv"]
    assert trial.rows_read == 20


def test_a_folder_that_is_planned_but_not_read_passes_the_check(trial_files, write):
    for readings in (None, "bin,day,volume_l\n"):
        place = write({**trial_files, "readings.csv": readings}, f"planned {readings is None}")
        checked = check_trial(place)
        assert [(f.severity, f.code, f.found) for f in checked.findings] == [("note", "no-readings", "no readings yet")]
        assert checked.trial is not None
        with pytest.raises(TemplateError, match="no readings yet"):
            load_trial(place)


def test_a_file_without_one_row_is_refused(write, said):
    place = write({"a.csv": "bin,treatment,day,volume_l\n"}) / "a.csv"
    assert said(place, "error")[0] == (
        "error",
        "no-rows",
        "the file has headings and not one row of data. Fill it in.",
    )


def test_a_folder_with_headings_alone_holds_nothing(write):
    assert "there is no bins.csv and no row of readings" in texts(write({"readings.csv": "bin,treatment,day\n"}))


@pytest.mark.parametrize("kind", ["fifo", "folder"])
def test_a_file_that_is_no_file(trial_files, write, kind):
    place = write({**trial_files, "readings.csv": None})
    if kind == "folder":
        (place / "readings.csv").mkdir()
        assert [f.code for f in check_trial(place).findings] == ["no-readings"]
    else:
        os.mkfifo(place / "pipe.csv")
        assert "this is neither a file nor a folder" in texts(place / "pipe.csv")


def test_a_file_that_may_not_be_read(trial_files, write, monkeypatch):
    place = write(trial_files)
    from pathlib import Path

    read = Path.read_bytes

    def refuse(self):
        if self.name == "bins.csv":
            raise PermissionError(13, "Permission denied", str(self))
        return read(self)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert "  it may not be read by this user. Check that it exists and may be read." in texts(place)


def test_a_new_folder_holds_the_templates_and_passes_the_check(tmp_path):
    place = new_trial(tmp_path / "deep" / "my trial")
    assert sorted(item.name for item in place.iterdir()) == ["bins.csv", "readings.csv", "trial.toml"]
    checked = check_trial(place)
    assert [finding.code for finding in checked.findings] == ["no-readings"]
    assert len(checked.trial.bins) == 12
    assert checked.trial.plan.layout.kind == "blocks"


def test_a_new_folder_never_writes_over_one_that_is_there(trial_files, write, tmp_path):
    place = write(trial_files)
    with pytest.raises(DesignError) as caught:
        new_trial(place)
    assert str(caught.value) == (f"{place} is not empty; a new trial needs a folder of its own. Choose another name.")
    with pytest.raises(DesignError, match=r"bins\.csv is a file; a new trial needs a folder of its own"):
        new_trial(place / "bins.csv")
    with pytest.raises(DesignError, match="cannot be made: a file is in the way"):
        new_trial(place / "bins.csv" / "inside")
    (tmp_path / "bare").mkdir()
    assert new_trial(tmp_path / "bare").exists()


def test_a_place_where_nobody_may_write(tmp_path, monkeypatch):
    from pathlib import Path

    def refuse(self, *_, **__):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(DesignError, match="cannot be made: this user may not write there"):
        new_trial(tmp_path / "x")
