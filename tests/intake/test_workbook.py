"""The workbook: what is written comes back the same, and every fault in it is told by sheet, row and column."""

import datetime
import io
from dataclasses import replace

import openpyxl
import pytest

from trialkit.errors import DesignError, TemplateError, describe_findings
from trialkit.intake import blank_workbook, check_trial, load_trial, new_trial, workbook_bytes, write_workbook
from trialkit.records import Bin, Plan, Treatment
from trialkit.shipped import shipped


@pytest.fixture(scope="module")
def fitting(fitting_files, tmp_path_factory):
    """The trial that fits and its workbook."""
    place = tmp_path_factory.mktemp("plain")
    for name, text in fitting_files.items():
        (place / name).write_text(text, "utf-8")
    trial = load_trial(place)
    return trial, workbook_bytes(trial)


@pytest.fixture
def typed(fitting, write):
    """The workbook of the trial that fits, and a way to type into it: (sheet, cell, value), … -> its folder."""
    trial, content = fitting

    def change(*cells, folder="typed"):
        book = openpyxl.load_workbook(io.BytesIO(content))
        for sheet, cell, value in cells:
            book[sheet][cell] = value
        out = io.BytesIO()
        book.save(out)
        return write({"trial.xlsx": out.getvalue()}, folder)

    change.trial = trial
    return change


def row_of(folder, sheet, key):
    book = openpyxl.load_workbook(folder / "trial.xlsx")
    return next(row[0].row for row in book[sheet].iter_rows() if row[0].value == key)


def texts(place, severity="error"):
    checked = check_trial(place)
    return describe_findings([f for f in checked.findings if f.severity == severity])


def test_a_workbook_comes_back_as_the_same_trial(typed):
    trial = load_trial(typed())
    assert trial.plan == typed.trial.plan
    assert trial.bins == typed.trial.bins
    assert trial.readings.day.tolist() == typed.trial.readings.day.tolist()
    for name, values in typed.trial.readings.columns.items():
        assert trial.readings.columns[name].tolist() == values.tolist(), name
    assert trial.rows_read == trial.rows_used == 20
    assert [(source.file, source.rows) for source in trial.sources] == [
        ("trial.xlsx", 0), ("trial.xlsx, sheet bins", 4), ("trial.xlsx, sheet readings", 20),
    ]  # fmt: skip
    assert len({source.sha256 for source in trial.sources}) == 1
    assert not trial.findings


@pytest.mark.parametrize("name", ["three_arms", "one_bin_each"])
def test_the_sample_trials_come_back_too(tmp_path, name):
    trial = load_trial(shipped("sample_trials") / name)
    again = load_trial(write_workbook(trial, tmp_path / "trial.xlsx").parent)
    assert (again.plan, again.bins) == (trial.plan, trial.bins)
    for column, values in trial.readings.columns.items():
        # what was averaged may have more figures than a cell of a workbook keeps: fifteen
        assert again.readings.columns[column].tolist() == pytest.approx(values.tolist(), rel=1e-14, nan_ok=True)


def test_raters_yes_and_no_and_dates_come_back(write, tmp_path):
    rows = "bin,treatment,day,rater,odour_score,finished,water_added_l,start_x\n" + "".join(
        f"{name},{arm},{day},{rater},{score},{'yes' if day == 28 else 'no'},{1 if rater == 'Ann' else ''},\n"
        for name, arm in (("A", "x"), ("B", "y"))
        for day in (0, 14, 28)
        for rater, score in (("Ann", 3), ("Bo", 4), ("", 3))
    )
    trial = load_trial(write({"one.csv": rows}) / "one.csv", control="x")
    bins = tuple(replace(item, start_date=datetime.date(2026, 10, 3), note="=1+1") for item in trial.bins)
    path = write_workbook(replace(trial, bins=bins), tmp_path / "trial.xlsx")
    again = load_trial(path.parent, control="x")
    assert set(again.readings.columns) == set(trial.readings.columns)
    for name, values in trial.readings.columns.items():
        assert again.readings.columns[name].tolist() == pytest.approx(values.tolist(), nan_ok=True), name
    assert again.bins == bins


@pytest.mark.parametrize("name", ["None", "NA", "TRUE", "1e5", "#N/A", "=1+1", "+x", "007", "2026-10-03", "nan"])
def test_names_stay_text(tmp_path, name):
    trial = load_trial(shipped("sample_trials") / "three_arms")
    treatments = tuple(replace(t, name=name) if t.role == "live" else t for t in trial.plan.treatments)
    claims = tuple(replace(c, treatment=name) for c in trial.plan.claims)
    bins = tuple(replace(b, treatment=name) if b.treatment == "live starter" else b for b in trial.bins)
    bins = (replace(bins[0], bin=name), *bins[1:])
    changed = replace(trial, plan=replace(trial.plan, treatments=treatments, claims=claims), bins=bins)
    again = load_trial(write_workbook(changed, tmp_path / "trial.xlsx").parent)
    assert again.bins == bins
    assert again.plan == changed.plan
    sheet = openpyxl.load_workbook(tmp_path / "trial.xlsx")["bins"]
    assert sheet["A2"].data_type == "s"  # text also for the spreadsheet: nothing is run


def test_the_same_plan_makes_the_same_bytes():
    assert blank_workbook() == blank_workbook()


def test_a_new_workbook_passes_and_has_its_bins_filled_in(tmp_path):
    place = new_trial(tmp_path / "new", workbook=blank_workbook())
    assert [path.name for path in place.iterdir()] == ["trial.xlsx"]
    checked = check_trial(place)
    assert not any(finding.severity != "note" for finding in checked.findings)
    assert "no readings yet" in [finding.found for finding in checked.findings]
    template = check_trial(shipped("templates")).trial
    assert replace(checked.trial.plan, stated_before_data=False) == template.plan
    assert checked.trial.bins == template.bins
    sheet = openpyxl.load_workbook(place / "trial.xlsx")["readings"]
    assert [sheet.cell(row, 1).value for row in range(2, 14)] == [f"B{n}" for n in range(1, 13)]
    with pytest.raises(TemplateError, match="no readings yet"):
        load_trial(place)


def test_a_planned_trial_gets_a_row_for_every_bin_and_day(tmp_path, typed):
    plan, bins = typed.trial.plan, typed.trial.bins
    path = write_workbook(plan, tmp_path / "trial.xlsx", bins=bins, days=(0, 7, 21), columns=("volume_gal", "ph"))
    sheet = openpyxl.load_workbook(path)["readings"]
    assert [cell.value for cell in sheet[1]] == ["bin", "day", "volume_gal", "ph"]
    assert [(sheet.cell(r, 1).value, sheet.cell(r, 2).value) for r in (2, 6, 13, 14)] == [
        ("B1", 0), ("B1", 7), ("B4", 21), (None, None),
    ]  # fmt: skip
    with pytest.raises(DesignError, match="is there already"):
        write_workbook(plan, path, bins=bins)
    with pytest.raises(DesignError, match="is no column of readings"):
        workbook_bytes(plan, bins=bins, columns=("volume",))
    with pytest.raises(DesignError, match="a workbook cannot hold"):
        workbook_bytes(plan, bins=(Bin("a\x01", "x"),))


def test_where_letters_stand_for_treatments_letters_are_offered():
    plan = Plan("water only", treatments=(Treatment("water only"), Treatment("live starter")))
    bins = (Bin("B1", "K"), Bin("B2", "C"), Bin("B3", "K"))
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(plan, bins=bins, days=(0,))))
    assert '"C,K"' in {rule.formula1 for rule in book["bins"].data_validations.dataValidation}


def test_what_may_be_picked_and_typed(tmp_path):
    (tmp_path / "trial.xlsx").write_bytes(blank_workbook())
    book = openpyxl.load_workbook(tmp_path / "trial.xlsx")
    assert book.sheetnames == ["instructions", "trial", "treatments", "claims", "bins", "readings", "lists"]
    assert book["lists"].sheet_state == "hidden"

    def rules(sheet):
        heads = {cell.column_letter: cell.value for cell in book[sheet][1]}
        found = {}
        for rule in book[sheet].data_validations.dataValidation:
            letters = "".join(filter(str.isalpha, str(rule.sqref).split(":")[0]))
            found.setdefault(heads[letters], []).append((rule.type, rule.formula1, rule.formula2))
        return found

    assert rules("bins")["treatment"][0][1].startswith("treatments!$A$2:$A$")
    assert ("list", '"yes,no"', None) in rules("trial")["value"]  # pupils
    readings = rules("readings")
    assert readings["bin"][0][1].startswith("bins!$A$2:$A$")
    assert readings["turned"] == [("list", '"yes,no"', None)]
    assert readings["moisture_pct"] == [("decimal", "0", "100")]
    assert [formula for _, formula, _ in rules("trial")["value"]].count("treatments!$A$2:$A$400") == 1
    for name in ("trial", "treatments", "claims", "bins", "readings"):
        sheet = book[name]
        assert sheet.protection.sheet and not sheet.protection.password
        assert sheet["A1"].protection.locked
        assert all(not cell.protection.locked for cell in sheet[2][1:2])
    assert book["readings"]["C1"].comment.text == "Temperature in the core of the bin. In °C. -30 to 95."
    assert "trialkit check" in book["instructions"]["A17"].value


def test_scores_are_picked_from_nought_to_five(typed, tmp_path):
    path = write_workbook(typed.trial.plan, tmp_path / "x.xlsx", bins=typed.trial.bins, columns=("odour_score",))
    (rule,) = [
        rule
        for rule in openpyxl.load_workbook(path)["readings"].data_validations.dataValidation
        if str(rule.sqref).startswith("C2")
    ]
    assert rule.formula1 == '"0,1,2,3,4,5"'


FAULTS = [
    (
        ("readings", "D5", -3),
        'trial.xlsx, sheet readings does not fit (1 problem):\n'
        '  line 5, volume_l (column D): found "-3"; expected a number above 0 L. '
        "Check the sign, or leave the cell empty.",
    ),
    (
        ("readings", "A5", "B 3"),
        'trial.xlsx, sheet readings does not fit (1 problem):\n'
        '  line 5, bin (column A): found "B 3"; expected one of B1, B2, B3, B4. Remove the space.',
    ),
    (
        ("readings", "B5", datetime.date(2026, 10, 10)),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        '  line 5, day (column B): found "2026-10-10"; expected a number of days, not a date. '
        'Count the days from the start, or name the column "date".',
    ),
    (
        ("readings", "D5", "NA"),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        '  line 5, volume_l (column D): found "NA"; expected a number (L). '
        "Leave the cell empty where nothing was measured.",
    ),
    (
        ("readings", "D5", "=1/0"),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        "  line 5: cell D5 holds a formula without a value; expected a value. Open the workbook and save it again.",
    ),
    (
        ("readings", "D5", "#N/A"),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        "  line 5: cell D5 holds an error of the spreadsheet; expected a value. Correct or empty it.",
    ),
    (
        ("readings", "ZZZ1000000", 1),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        "  line 1000000: cell ZZZ1000000 stands far from all others. Delete its row and column.",
    ),
    (
        ("readings", "Z5", 7),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        '  line 5: "7" stands in column Z, beyond the last heading; expected at most 5 cells in a row. '
        "Move it under its heading, or put the cell in quotation marks.",
    ),
    (
        ("readings", "D1", "volume"),
        "trial.xlsx, sheet readings does not fit (1 problem):\n"
        '  header: column "volume" is not known; nearest is "volume_l". Rename it.',
    ),
    (
        ("bins", "B3", "live starte"),
        "trial.xlsx, sheet bins does not fit (1 problem):\n"
        '  line 3, treatment (column B): found "live starte"; expected one of "water only", "live starter". '
        'Nearest is "live starter".',
    ),
    (
        ("trial", "A6", "controll"),
        "trial.xlsx, sheet trial does not fit (1 problem):\n"
        '  line 6, value (column B): "controll" is not known here; nearest is "control". Rename it.',
    ),
    (
        ("claims", "D2", "decay_rte"),
        "trial.xlsx, sheet claims does not fit (1 problem):\n"
        '  line 2, outcome (column D): found "decay_rte"; nearest is "decay_rate". Rename it.',
    ),
    (
        ("claims", "E2", 0.5),
        "trial.xlsx, sheet claims does not fit (1 problem):\n"
        "  line 2, times_as_fast (column E): found 0.5; expected a ratio above 1, counted in the better direction. "
        "A claim says that something is gained.",
    ),
    (
        ("claims", "J2", 0.8),
        "trial.xlsx, sheet claims does not fit (1 problem):\n"
        "  line 2, equivalence.low (column J): found a list; expected two numbers, [low, high]. "
        "Fill in equivalence.low and equivalence.high.",
    ),
    (
        ("claims", "E1", "times as fast"),
        "trial.xlsx, sheet claims does not fit (1 problem):\n"
        '  header: column "times as fast" is not known; nearest is "times_as_fast". Rename it.',
    ),
    (
        ("treatments", "C2", "a lot"),
        "trial.xlsx, sheet treatments does not fit (1 problem):\n"
        '  line 2, water_l (column C): found "a lot"; expected a number. Type a number, or leave the cell empty.',
    ),
    (
        ("treatments", "B2", "alive"),
        "trial.xlsx, sheet treatments does not fit (1 problem):\n"
        '  line 2, role (column B): found "alive"; expected one of "nothing", "water", "carrier", "killed", "live", '
        '"soil", "other". Nearest is "live".',
    ),
]  # fmt: skip


@pytest.mark.parametrize(("cell", "text"), FAULTS, ids=lambda value: str(value)[:30])
def test_a_fault_is_told_by_sheet_row_and_column(typed, cell, text):
    assert "\n".join(texts(typed(cell))) == text


def test_a_key_of_the_trial_sheet_is_told_by_its_row(typed):
    place = typed()
    start = row_of(place, "trial", "start")
    told = texts(typed(("trial", f"B{start}", "03/04/2026"), folder="b"))
    assert told == [
        "trial.xlsx, sheet trial does not fit (1 problem):",
        f'  line {start}, value (column B): found "03/04/2026"; expected a date. '
        "Write it as year-month-day, as in 2026-10-31.",
    ]
    control = row_of(place, "trial", "control")
    assert texts(typed(("trial", f"B{control}", None), folder="c"))[-1] == (
        "  control: control is missing; expected the treatment that the others are compared with. "
        "Fill it in on the sheet trial."
    )
    assert texts(typed(("trial", f"B{control}", "water"), folder="d"))[-1].startswith(
        f'  line {control}, value (column B): found "water"; expected one of "water only", "live starter".'
    )


def test_what_people_type_is_read_as_what_it_says(typed):
    place = typed()
    rows = {key: row_of(place, "trial", key) for key in ("start", "level", "secondary", "layout.seed")}
    trial = load_trial(
        typed(
            ("trial", f"B{rows['start']}", datetime.datetime(2026, 10, 3)),
            ("trial", f"B{rows['level']}", "0,90"),
            ("trial", f"B{rows['secondary']}", "dry_matter_loss_pct; ph"),
            ("trial", f"B{rows['layout.seed']}", 7.0),
            ("claims", "E2", "1,5"),
            ("claims", "J2", 0.8),
            ("claims", "K2", 1.25),
            ("readings", "D5", 1.234),
            ("readings", "D6", "151,5"),
            folder="b",
        )
    )
    assert trial.plan.start == datetime.date(2026, 10, 3) and trial.plan.level == 0.9
    assert trial.plan.secondary == ("dry_matter_loss_pct", "ph") and trial.plan.layout.seed == 7
    assert (trial.plan.claims[0].amount, trial.plan.claims[0].equivalence) == (1.5, (0.8, 1.25))
    assert {1.234, 151.5} <= set(trial.readings.columns["volume_l"].tolist())


def test_a_workbook_without_a_plan_needs_a_control(typed):
    book = openpyxl.load_workbook(typed() / "trial.xlsx")
    for sheet in ("trial", "treatments", "claims", "instructions", "lists"):
        del book[sheet]
    place = typed(folder="b")
    book.save(place / "trial.xlsx")
    trial = load_trial(place, control="water only")
    assert not trial.plan.declared and trial.rows_used == 20
    with pytest.raises(TemplateError, match="nothing says which treatment is the control"):
        load_trial(place)


def test_a_single_workbook_with_one_sheet_is_readings(tmp_path):
    book = openpyxl.Workbook()
    for row in (["bin", "treatment", "day", "volume_l"], ["A", "x", 0, 9.5], ["B", "y", 0, 9]):
        book.active.append(row)
    book.save(tmp_path / "mine.xlsx")
    trial = load_trial(tmp_path / "mine.xlsx", control="x")
    assert trial.readings.columns["volume_l"].tolist() == [9.5, 9.0]
    assert trial.sources[0].file == "mine.xlsx, sheet Sheet"


def test_readings_of_a_second_team_may_come_as_a_workbook(typed, trial_files, write):
    head, *rows = trial_files["readings.csv"].splitlines()
    book = openpyxl.Workbook()
    for line in [head, *rows[10:]]:
        book.active.append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in line.split(",")])
    out = io.BytesIO()
    book.save(out)
    files = {**trial_files, "readings.csv": "\n".join([head, *rows[:10]]), "readings2.xlsx": out.getvalue()}
    trial = load_trial(write(files, "teams"))
    assert trial.rows_used == 20
    assert trial.readings.columns["volume_l"].tolist() == typed.trial.readings.columns["volume_l"].tolist()


def test_a_sheet_of_another_name_is_noted(typed):
    book = openpyxl.load_workbook(typed() / "trial.xlsx")
    book.create_sheet("weather")["A1"] = "rain"
    place = typed(folder="b")
    book.save(place / "trial.xlsx")
    assert texts(place, "note") == [
        "trial.xlsx, worth knowing (1 note):",
        '  the sheet "weather" is no part of the trial.',
    ]


def test_keys_without_a_value_and_values_without_a_key(typed):
    place = typed()
    start, title = row_of(place, "trial", "start"), row_of(place, "trial", "title")
    assert texts(typed(("trial", f"A{start}", None), folder="b"))[-1] == (
        f'  line {start}, value (column B): the value "2026-10-03" stands beside no key. Fill in the key.'
    )
    assert texts(typed(("trial", f"A{start}", "title"), folder="c"))[-1] == (
        f'  line {start}, value (column B): "title" stands already on line {title}. Keep one of the two.'
    )
    assert texts(typed(("trial", "B1", "answer"), folder="d"))[-1] == (
        "  line 1: the first row does not say key and value. Write them over the two columns."
    )


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "the file is no workbook, whatever its name says"),
        (b"bin,day\nA,1\n", "the file is no workbook, whatever its name says"),
        (b"PK\x03\x04" + bytes(50), "the workbook is damaged"),
    ],
)
def test_what_is_no_workbook(write, content, text):
    assert text in texts(write({"trial.xlsx": content}))[1]


def test_a_workbook_that_unpacks_without_end_is_refused(typed, monkeypatch):
    monkeypatch.setattr("trialkit.intake.workbook._MOST_BYTES", 10_000)
    assert "unpacks to more than a gigabyte" in texts(typed())[1]
