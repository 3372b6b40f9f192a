"""A workbook that went through LibreOffice Calc comes straight back: opened, filled in, saved by Calc itself."""

import datetime
import io
import shutil
import subprocess
from dataclasses import replace

import openpyxl
import pytest

from trialkit.intake import blank_workbook, check_trial, load_trial, workbook_bytes
from trialkit.shipped import shipped

pytestmark = pytest.mark.desktop


@pytest.fixture
def through_calc(tmp_path):
    """Open a workbook in Calc and save it, as its own kind of file and then as a workbook again; returns the folder."""
    program = shutil.which("soffice") or shutil.which("libreoffice")
    assert program, "LibreOffice Calc is needed: apt-get install libreoffice-calc-nogui"

    def convert(content, name="trial"):
        place = tmp_path / name
        place.mkdir()
        (place / "trial.xlsx").write_bytes(content)
        for kind, source in (("ods", "trial.xlsx"), ("xlsx", "saved/trial.ods")):
            done = subprocess.run(
                [program, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to", kind,
                 "--outdir", str(place / "saved"), str(place / source)],
                capture_output=True, text=True, timeout=180,
            )  # fmt: skip
            assert done.returncode == 0, done.stderr
        (place / "saved" / "trial.xlsx").replace(place / "trial.xlsx")
        shutil.rmtree(place / "saved")
        return place

    return convert


def test_a_whole_trial_comes_back_number_for_number(through_calc):
    trial = load_trial(shipped("sample_trials") / "three_arms")
    again = load_trial(through_calc(workbook_bytes(trial)))
    assert again.plan == trial.plan and again.bins == trial.bins
    assert again.rows_used == trial.rows_used == 132
    for name, values in trial.readings.columns.items():
        assert again.readings.columns[name].tolist() == pytest.approx(values.tolist(), rel=1e-14, nan_ok=True), name


def test_names_that_look_like_something_else_stay_names(through_calc):
    trial = load_trial(shipped("sample_trials") / "three_arms")
    odd = ["None", "NA", "TRUE", "1e5", "#N/A", "=1+1", "007", "2026-10-03", "1-2", "+x", "nan", "é°"]
    bins = tuple(replace(item, bin=name) for item, name in zip(trial.bins, odd, strict=True))
    again = load_trial(through_calc(workbook_bytes(replace(trial, bins=bins))))
    assert [item.bin for item in again.bins] == odd


def test_the_blank_workbook_filled_in_is_a_trial(through_calc):
    book = openpyxl.load_workbook(io.BytesIO(blank_workbook()))
    sheet = book["readings"]
    heads = {cell.value: cell.column for cell in sheet[1]}
    for row in range(2, 110):
        day = sheet.cell(row, heads["day"]).value
        sheet.cell(row, heads["volume_l"]).value = round(200 - 1.2 * day + row % 7, 1)
        sheet.cell(row, heads["finished"]).value = "no"
        sheet.cell(row, heads["moisture_pct"]).value = "55,5" if row % 2 else 55.5
    start = next(row for row in book["trial"].iter_rows() if row[0].value == "start")
    start[1].value = datetime.date(2026, 10, 3)
    out = io.BytesIO()
    book.save(out)
    place = through_calc(out.getvalue())
    checked = check_trial(place)
    assert not [finding for finding in checked.findings if finding.severity == "error"]
    trial = load_trial(place)
    assert trial.rows_used == 108 and trial.plan.start == datetime.date(2026, 10, 3)
    assert set(trial.readings.columns["moisture_pct"].tolist()) == {55.5}
    assert trial.readings.columns["volume_l"][0] == 202.0


def test_choices_and_protection_are_still_there_afterwards(through_calc):
    book = openpyxl.load_workbook(through_calc(blank_workbook()) / "trial.xlsx")
    readings = book["readings"]
    assert readings.protection.sheet
    assert readings["A1"].protection.locked and not readings["A2"].protection.locked
    lists = [rule.formula1 for rule in readings.data_validations.dataValidation if rule.type == "list"]
    assert any("yes,no" in formula for formula in lists)
    assert any("bins" in formula for formula in lists)
    treatments = [rule.formula1 for rule in book["bins"].data_validations.dataValidation if rule.type == "list"]
    assert any("treatments" in formula for formula in treatments)


def test_an_error_of_the_spreadsheet_is_told_and_not_lost(through_calc):
    book = openpyxl.load_workbook(io.BytesIO(blank_workbook()))
    book["readings"]["E5"] = "=1/0"
    book["readings"]["E6"] = "=100+99"
    out = io.BytesIO()
    book.save(out)
    place = through_calc(out.getvalue())
    told = [(f.line, f.found) for f in check_trial(place).findings if f.severity == "error"]
    assert told == [(5, "cell E5 holds an error of the spreadsheet")]
