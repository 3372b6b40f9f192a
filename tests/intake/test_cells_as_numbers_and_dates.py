"""Single cells: what is a number, a date, a yes, and what is refused with which readings shown."""

from datetime import date

import pytest

from trialkit.intake.dates import read_date, word_readings
from trialkit.intake.numbers import NotANumber, find_style, read_number

NOTHING = find_style([], ",")


@pytest.mark.parametrize(
    ("text", "value"),
    [("5", 5), ("-5.5", -5.5), ("+5", 5), (".5", 0.5), ("5.", 5), ("1e3", 1000), ("1E-3", 0.001), ("1.234", 1.234)],
)
def test_numbers(text, value):
    assert read_number(text, NOTHING) == value


@pytest.mark.parametrize(
    "text",
    ["inf", "-inf", "nan", "1_000", "٣", "0x10", "1 000", "1'000", "1.2.3", "1,2,3", "--5", "5e", "e5", "NA", "=1"],
)
def test_what_python_or_a_spreadsheet_might_take_for_a_number_is_none(text):
    assert isinstance(read_number(text, NOTHING), NotANumber)


@pytest.mark.parametrize(
    ("texts", "separator", "text", "value"),
    [
        # other cells show decimal commas: three digits after a comma are decimals too
        (["1,5"], ",", "1,234", 1.234),
        (["1,5"], ";", "1,234", 1.234),
        # nothing but the semicolons: commas are decimal
        ([], ";", "1,234", 1.234),
        (["0,125"], ",", "1,250", 1.25),
        # points are decimals unless commas are
        (["1.5"], ",", "1.234", 1.234),
        ([], ",", "1.234", 1.234),
        (["1.5"], ";", "1.234", 1.234),
        (["1.5"], ",", "2,5", 2.5),
    ],
)
def test_a_mark_before_three_digits_is_read_by_the_other_cells(texts, separator, text, value):
    assert read_number(text, find_style([*texts, text], separator)) == value


@pytest.mark.parametrize(
    ("texts", "separator", "text", "readings"),
    [
        ([], ",", "1,234", "1234 or 1.234"),
        (["1.5"], ",", "1,234", "1234 or 1.234"),
        (["1.5"], ";", "1,234", "1234 or 1.234"),
        (["1.5", "2,5"], ",", "1,234", "1234 or 1.234"),
        (["1,5"], ";", "1.234", "1234 or 1.234"),
        # semicolons speak for decimal commas, so that a point may set thousands apart
        ([], ";", "1.234", "1234 or 1.234"),
    ],
)
def test_a_mark_that_reads_two_ways_is_refused_with_both(texts, separator, text, readings):
    refused = read_number(text, find_style([*texts, text], separator))
    assert isinstance(refused, NotANumber)
    assert refused.code == "number-ambiguous"
    assert refused.expected == f"expected a number that reads one way; this is {readings}"


def test_one_cell_with_another_number_of_decimals_settles_a_file_with_semicolons():
    refused = read_number("1.234", find_style(["1.234", "5.678"], ";"))
    assert isinstance(refused, NotANumber)
    assert refused.remedy == "Write 1234, or 1.2340 if it is the small one, which settles the others too."
    assert read_number("5.678", find_style(["1.2340", "5.678"], ";")) == 5.678


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-10-03", date(2026, 10, 3)),
        ("2026-10-03 00:00:00", date(2026, 10, 3)),
        ("2026-10-03T08:30", date(2026, 10, 3)),
        ("2026/10/3", date(2026, 10, 3)),
        ("3.10.2026", date(2026, 10, 3)),
        ("25/12/2026", date(2026, 12, 25)),
        ("12/25/2026", date(2026, 12, 25)),
        ("03/03/2026", date(2026, 3, 3)),
        ("3-Oct-2026", date(2026, 10, 3)),
        ("3 October 2026", date(2026, 10, 3)),
        ("Oct 3, 2026", date(2026, 10, 3)),
        ("Sept 3, 2026", date(2026, 9, 3)),
    ],
)
def test_dates(text, day):
    assert read_date(text).day == day


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("03/10/2026", "3 October 2026 or 10 March 2026"),
        ("3-10-2026", "3 October 2026 or 10 March 2026"),
        ("46298", "3 October 2026 or 4 October 2030"),
        ("3.10.26", "3 October 2026 or 10 March 2026 or 26 October 2003"),
        ("25/12/99", "25 December 2099 or 25 December 1999"),
    ],
)
def test_a_date_that_reads_two_ways_shows_them(text, readings):
    read = read_date(text)
    assert read.day is None
    assert word_readings(read.readings) == readings


@pytest.mark.parametrize(
    "text", ["", "soon", "2026", "30.2.2026", "2026-13-01", "3/10", "Octo 3 2026x", "10-2026", "7"]
)
def test_what_is_no_date(text):
    assert read_date(text).readings == ()


def test_other_date_styles_are_noted_and_ambiguous_ones_refused(write, said):
    rows = "bin,treatment,date,volume_l\nA,x,{},200\nB,y,3.10.2026,200\n"
    assert said(write({"r.csv": rows.format("3-Oct-2026")}) / "r.csv", "note")[0] == (
        "note", "date-style", 'date: dates such as "3-Oct-2026" were read as 3 October 2026.'
    )  # fmt: skip
    assert said(write({"r.csv": rows.format("03/10/2026")}) / "r.csv", "error") == [
        (
            "error",
            "date-ambiguous",
            'line 2, date: found "03/10/2026"; expected a date that reads one way; this is 3 October 2026 or '
            "10 March 2026. Write it as year-month-day, as in 2026-10-31.",
        )
    ]


@pytest.mark.parametrize(
    ("text", "value"), [("yes", 1), ("No", 0), ("Y", 1), ("n", 0), ("TRUE", 1), ("false", 0), ("1", 1), ("0", 0)]
)
def test_yes_and_no(write, text, value):
    from trialkit.intake import load_trial

    rows = f"bin,treatment,day,finished\nA,x,1,{text}\nB,y,1,no\n"
    trial = load_trial(write({"r.csv": rows}) / "r.csv", control="x")
    assert trial.readings.columns["finished"][0] == value


def test_maybe_is_neither(write, said):
    rows = "bin,treatment,day,finished\nA,x,1,maybe\nB,y,1,no\n"
    assert said(write({"r.csv": rows}) / "r.csv", "error") == [
        (
            "error",
            "not-yes-or-no",
            'line 2, finished: found "maybe"; expected yes or no (y, n, true, false, 1, 0). '
            "Correct it, or leave the cell empty.",
        )
    ]
