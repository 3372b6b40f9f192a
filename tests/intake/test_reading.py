"""Files as people make them: encodings, separators, decimal commas, blank lines, ragged rows, what is no text."""

import csv

import numpy as np
import pytest

from trialkit.intake import load_trial
from trialkit.intake.reading import read_table

TEXT = "bin,day,volume_l,note\nB1,0,200.5,heiß\nB2,0,,\n"


def table(raw, known=("bin", "day", "volume_l", "note")):
    found, findings = read_table(raw, "readings.csv", known)
    return found, [(finding.code, finding.line) for finding in findings]


def cells(found):
    return [[column.at(row) for column in found.columns] for row in range(found.rows)]


@pytest.mark.parametrize(
    ("encoding", "codes"),
    [
        ("utf-8", []),
        ("utf-8-sig", []),
        ("utf-16", []),
        ("cp1252", [("read-as-windows-1252", None)]),
    ],
)
def test_encodings(encoding, codes):
    found, said = table(TEXT.encode(encoding))
    assert cells(found) == [["B1", "0", "200.5", "heiß"], ["B2", "0", "", ""]]
    assert found.headings == ("bin", "day", "volume_l", "note")
    assert list(found.lines) == [2, 3]
    assert said == codes


def test_utf_16_with_the_mark_of_either_byte_order():
    for order, mark in (("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff")):
        found, said = table(mark + TEXT.encode(order))
        assert cells(found)[0][3] == "heiß" and said == []


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(separator, ending):
    found, said = table(TEXT.replace(",", separator).replace("\n", ending).encode())
    assert cells(found) == [["B1", "0", "200.5", "heiß"], ["B2", "0", "", ""]]
    assert (found.separator, said) == (separator, [])


def test_a_spreadsheet_line_that_names_the_separator_is_no_line():
    found, said = table(b"sep=;\n" + TEXT.replace(",", ";").encode())
    assert list(found.lines) == [2, 3] and said == []


def test_a_file_of_one_column_is_read():
    found, _ = table(b"bin\nB1\n")
    assert cells(found) == [["B1"]]


def test_blank_lines_are_no_rows_and_still_counted_as_lines():
    found, said = table(b"\n\nbin,day\n\nB1,0\n,\n  , \n\nB2,0\n\n")
    assert cells(found) == [["B1", "0"], ["B2", "0"]]
    assert list(found.lines) == [5, 9] and said == []


def test_a_cell_over_two_lines_is_one_row_of_the_spreadsheet():
    found, _ = table(b'bin,day,note\nB1,0,"wet\nand warm"\nB2,0,\n')
    assert cells(found)[0][2] == "wet\nand warm"
    assert list(found.lines) == [2, 3]


@pytest.mark.parametrize("word", ["NA", "None", "null", "NaN", "TRUE", "1e5", "007", "-", "#N/A"])
def test_words_that_look_like_nothing_stay_text(word):
    found, said = table(f"bin,note\n{word},{word}\n".encode())
    assert cells(found) == [[word, word]] and said == []


def test_outer_blanks_are_trimmed_with_one_note():
    found, said = table("bin,day\n B1 ,0\nB2\u00a0, 0\n".encode())
    assert cells(found) == [["B1", "0"], ["B2", "0"]]
    assert said == [("outer-blanks", None)]
    assert table(b"bin, day\nB1,0\n")[1] == [("outer-blanks", None)]


def test_rows_that_end_early_are_counted_in_one_warning():
    found, said = table(b"bin,day,volume_l\nB1,0\nB2,0,3\nB3\n")
    assert cells(found) == [["B1", "0", ""], ["B2", "0", "3"], ["B3", "", ""]]
    assert said == [("row-too-short", 2)]


def test_columns_that_no_row_reaches_for_long_are_still_aligned():
    rows = "".join(f"B{n},0\n" for n in range(1500)) + "B9,0,7\n"
    found, _ = table(b"bin,day,volume_l\n" + rows.encode())
    assert found.rows == 1501
    assert [found.columns[2].at(row) for row in (0, 700, 1499, 1500)] == ["", "", "", "7"]


def test_empty_columns_on_the_right_of_a_spreadsheet_are_left_out():
    found, said = table(b"bin,day,,\nB1,0,,\n")
    assert found.headings == ("bin", "day") and said == []


def test_a_cell_too_many_names_its_line():
    _, said = table(b"bin,day\nB1,0\nB2,0,5\nB3,0,\n")
    assert said == [("cell-too-many", 3), ("cell-too-many", 4)]


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b'bin,note\nB1,a\nB2,"open\nB3,b\n', 3),
        (b'bin,note\nB1,"two\nlines"\nB2,"open\n', 3),
        (b'bin,note\nB1,"a" b\n', 2),
        (b'"bin,note\nB1,a\n', 1),
        (b"bin,note\nB1,a\n" + b"B2," + b"x" * 200_000 + b"\n", 3),
    ],
)
def test_a_quotation_mark_astray_names_the_row_it_begins_in(raw, line):
    found, said = table(raw)
    assert found is None
    assert said == [("quotation-mark", line)]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"PK\x03\x04rest", "the file is a zip archive or a workbook"),
        (b"%PDF-1.7", "the file is a PDF"),
        (b"\xd0\xcf\x11\xe0", "the file is an old workbook"),
        (b"\x00\x01\x02", "the file holds bytes that are not text"),
        ("bin,day\n".encode("utf-16-le"), "the file holds bytes that are not text"),
        (b"\xff\xfe\x00", "the file begins as UTF-16 text but does not go on so"),
        (b"bin\n\x81\x8d", "the letters are in no encoding that could be told"),
    ],
)
def test_what_is_no_text_is_refused(raw, words):
    found, findings = read_table(raw, "readings.csv")
    assert found is None
    assert [(finding.code, finding.found) for finding in findings] == [("not-text", words)]


SINGLE = "bin,treatment,day,volume_l\nA,x,0,200.5\nB,y,0,201.25\nA,x,7,150.5\nB,y,7,180\n"


def test_decimal_commas_give_the_same_numbers(write):
    plain = load_trial(write({"one.csv": SINGLE}) / "one.csv", control="x")
    place = write({"two.csv": SINGLE.replace(",", ";").replace(".", ",")}) / "two.csv"
    other = load_trial(place, control="x")
    assert np.array_equal(plain.readings.columns["volume_l"], other.readings.columns["volume_l"])
    assert [(f.severity, f.code) for f in other.findings] == [("note", "decimal-commas")]


def test_decimal_points_between_semicolons_are_decimal_points(write):
    trial = load_trial(write({"a.csv": SINGLE.replace(",", ";")}) / "a.csv", control="x")
    assert list(trial.readings.columns["volume_l"]) == [200.5, 150.5, 201.25, 180]


def test_a_cell_under_an_empty_heading_at_the_end_is_not_lost(write, said):
    place = write({"a.csv": "bin,treatment,day,volume_l,,\nA,x,0,9,,\nB,y,0,9,8,\n"}) / "a.csv"
    assert said(place, "error") == [
        (
            "error",
            "cell-too-many",
            'line 3: "8" stands in column E, beyond the last heading; expected at most 4 cells in a row. '
            "If decimal commas were typed, save the file with semicolons between the cells.",
        )
    ]


def test_another_library_does_not_move_the_length_of_a_cell():
    before = csv.field_size_limit(10**9)
    try:
        assert table(b"bin,note\nB1," + b"x" * 200_000 + b"\n")[1] == [("quotation-mark", 2)]
        assert csv.field_size_limit() == 10**9
    finally:
        csv.field_size_limit(before)


@pytest.mark.parametrize(("mark", "name"), [("|", "vertical bars"), (" ", "blanks")])
def test_another_separator_is_said_once(write, said, mark, name):
    place = write({"a.csv": mark.join(["bin", "treatment", "day", "ph"]) + "\n" + mark.join("Ax07")}) / "a.csv"
    assert said(place) == [
        (
            "error",
            "separator",
            f"header: the cells of the first row are set apart by {name}; expected a comma, semicolon or tab. "
            "Open it in the spreadsheet it came from and save each sheet as CSV (UTF-8).",
        )
    ]


def test_text_of_four_bytes_a_letter_is_named(write, said):
    place = write({"a.csv": "bin,treatment,day,ph\nA,x,0,7\n".encode("utf-32")}) / "a.csv"
    assert [text for *_, text in said(place)] == [
        "the file is UTF-32 text; expected plain text, such as a CSV file. Save it again as CSV (UTF-8)."
    ]
