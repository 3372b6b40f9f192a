"""Tables: what is shown, what is kept, and text that must not be run."""

from __future__ import annotations

import csv
from pathlib import Path
from types import SimpleNamespace

from trialkit.records import BinValues
from trialkit.report.effect_tables import effects_table, reading_table, specialist_table
from trialkit.report.table_files import write_tables
from trialkit.report.tables import Table, all_bins_table, bins_table, details_table, guarded, table

HOSTILE = ("=cmd()", "+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1")


def test_cells_that_a_spreadsheet_would_run_are_guarded() -> None:
    for text in HOSTILE:
        assert guarded(text) == f"'{text}"
    assert guarded("water only") == "water only"
    assert guarded(-2.5) == "-2.5"
    assert guarded(-2) == -2
    assert guarded(None) == ""
    assert guarded(float("nan")) == ""


def test_csv_keeps_full_numbers() -> None:
    sheet = table(
        "t", "caption", [("name", "Name", False), ("value", "Value", True)], [[("=x", "=x"), (0.1 + 0.2, "0.3")]]
    )
    assert sheet.csv() == "name,value\n'=x,0.30000000000000004\n"
    assert sheet.shown == (("=x", "0.3"),)


def test_html_escapes_and_scopes() -> None:
    sheet = Table("t", "<b>caption</b>", ("a", "b"), ((1, 2),), (("<script>x</script>", "2"),), frozenset({1}))
    html = sheet.passage().html
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "<caption>&lt;b&gt;caption&lt;/b&gt;</caption>" in html
    assert html.count('scope="col"') == 2
    assert html.count('scope="row"') == 1


def test_a_wide_table_can_stand_as_cards_and_stays_a_table(make: SimpleNamespace) -> None:
    html = reading_table(make.analysis()).passage().html
    assert '<table class="cards" role="table">' in html
    assert html.count('role="row"') == 3 and html.count('role="rowheader"') == 2
    assert html.count('role="columnheader"') == 6 and html.count('role="cell"') == 10
    assert html.count('data-label="Read as"') == 2
    narrow = table("t", "c", [("a", "A", False), ("b", "B", True)], [[("x", "x"), (1, "1")]])
    assert "cards" not in narrow.passage().html


def test_effects_in_two_readings(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    assert reading_table(analysis).shown == (
        ("Decay rate: killed starter beside water only", "1.13", "1.09 to 1.18", "times", "0.012", "4 + 4"),
        ("Decay rate: live starter beside water only", "1.23", "1.18 to 1.28", "times", "<0.001", "4 + 4"),
    )
    assert reading_table(analysis).caption == "Effects with their 95 % ranges"
    assert specialist_table(analysis).shown[1] == (
        "Decay rate: live starter ÷ water only", "1.229", "1.179", "1.282", "95 %", "multivariate t", "0.01460", "6",
        "0.0000123", "4 + 4",
    )  # fmt: skip
    assert effects_table(analysis).rows[1][5] == 1.229090


def test_bins_table_leads_back_to_lines(make: SimpleNamespace) -> None:
    values: BinValues = make.values()
    first = bins_table(values).shown[0]
    assert first == ("B1", "water only", "1", "0.03000", "0.02850", "0.03150", "4", "readings.csv 2–5", "")
    assert bins_table(values).heads[3] == "per day"
    details = details_table(values)
    assert details is not None and details.shown[0] == ("B1", "80.00")


def test_files_are_written(make: SimpleNamespace, tmp_path: Path) -> None:
    paths = write_tables(make.analysis(), tmp_path / "tables")
    assert [path.name for path in paths] == [
        "effects.csv",
        "bins.csv",
        "means.csv",
        "fits.csv",
        "sensitivity.csv",
        "set_aside.csv",
    ]
    with (tmp_path / "tables" / "bins.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 12
    assert float(rows[0]["value"]) == 0.030
    assert len(all_bins_table(make.analysis()).rows) == 12
