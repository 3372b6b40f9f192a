"""Putting a plan into a folder: nothing measured, and nothing of somebody else's, is lost."""

import pytest

from trialkit.errors import DesignError
from trialkit.planning.plan import plan_trial
from trialkit.planning.writing import holds_readings, write_plan


def test_every_file_of_the_plan_is_written(planned, tmp_path):
    written = write_plan(planned, tmp_path / "deep" / "trial", pdf=False)
    assert set(written.files) == set(planned.files)
    for name, content in planned.files.items():
        assert (written.folder / name).read_bytes() == content
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["trial"]


def test_planning_anew_takes_the_place_of_a_plan_without_readings(planned, make_request, tmp_path):
    folder = tmp_path / "trial"
    write_plan(plan_trial(make_request(blinded=True)), folder, pdf=False)
    (folder / "sheets" / "sheets.pdf").write_bytes(b"of the first plan")
    other = plan_trial(make_request(layout_seed=12))
    written = write_plan(other, folder, pdf=False)
    assert (folder / "bins.csv").read_bytes() == other.files["bins.csv"]
    assert not (folder / "key.csv").exists() and not (folder / "sheets" / "sheets.pdf").exists()
    assert written.sentences == ("trial.toml as it was is kept as trial-before-planning.toml.",)
    assert write_plan(other, folder, pdf=False).sentences == ()
    assert write_plan(planned, folder, pdf=False).sentences == (
        "trial.toml as it was is kept as trial-before-planning-2.toml.",
    )


def test_readings_are_never_overwritten(planned, tmp_path):
    folder = write_plan(planned, tmp_path / "trial", pdf=False).folder
    text = (folder / "readings.csv").read_text().replace("B1,0,,", "B1,0,21,")
    (folder / "readings.csv").write_text(text)
    with pytest.raises(DesignError) as caught:
        write_plan(planned, folder, pdf=False)
    assert str(caught.value) == (
        f"{folder / 'readings.csv'} holds readings already; expected a folder without any. Planning anew would draw "
        "another layout for bins that are filled: plan into another folder."
    )
    assert (folder / "readings.csv").read_text() == text


def test_somebody_else_s_folder_is_refused(planned, tmp_path):
    (tmp_path / "bins.csv").write_text("bin,treatment\n")
    with pytest.raises(DesignError, match=r"holds bins\.csv that this command did not write"):
        write_plan(planned, tmp_path, pdf=False)
    (tmp_path / "file").write_text("x")
    with pytest.raises(DesignError, match="is a file; expected a folder to plan in"):
        write_plan(planned, tmp_path / "file", pdf=False)


def test_a_trial_file_that_stood_there_is_kept(planned, tmp_path):
    (tmp_path / "trial.toml").write_text('control = "water only"\n')
    (tmp_path / "photo.jpg").write_bytes(b"x")
    written = write_plan(planned, tmp_path, pdf=False)
    assert written.sentences == ("trial.toml as it was is kept as trial-before-planning.toml.",)
    assert (tmp_path / "trial-before-planning.toml").read_text() == 'control = "water only"\n'
    assert (tmp_path / "photo.jpg").exists()
    assert write_plan(planned, tmp_path, pdf=False).sentences == ()


def test_a_stop_halfway_leaves_nothing_behind(planned, tmp_path, monkeypatch):
    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("trialkit.planning.writing.write_pdf", fail)
    with pytest.raises(OSError, match="No space left"):
        write_plan(planned, tmp_path / "trial")
    assert list(tmp_path.iterdir()) == []


def test_what_counts_as_a_reading():
    assert not holds_readings("bin,day,volume_l\nB1,0,\nB1,3, \n")
    assert holds_readings("bin,day,volume_l\nB1,0,\nB1,3,0\n")
    assert not holds_readings("")


def test_the_folder_one_stands_in(planned, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    written = write_plan(planned, ".", pdf=False)
    assert written.folder == tmp_path and set(written.files) == set(planned.files)
    assert {path.name for path in tmp_path.iterdir()} == {name.split("/")[0] for name in planned.files}
