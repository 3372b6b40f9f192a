"""The wording of findings, from hand-built records."""

import pytest

from trialkit.errors import TemplateError, describe_findings, nearest_name, word_finding
from trialkit.records import Finding


def finding(severity="error", file="readings.csv", line=14, column="wet_mass_kg", found='found "-2.0"', **more):
    return Finding(severity, "value-out-of-range", file, line, column, found, **more)


THREE = [
    finding(expected="expected a number above 0 kg", remedy="Check the sign, or leave the cell empty."),
    finding(
        line=22, column="bin", found='found "B 3"', expected="expected one of B1 … B12", remedy="Remove the space."
    ),
    finding(
        line=None,
        column="header",
        found='column "coretemp" is not known',
        expected='nearest is "core_temp_c"',
        remedy="Rename it.",
    ),
]


def test_three_faults_of_one_file_are_told_in_four_lines():
    assert describe_findings(THREE, {"readings.csv": 96}) == [
        "readings.csv does not fit (96 rows read, 3 problems):",
        '  line 14, wet_mass_kg: found "-2.0"; expected a number above 0 kg. Check the sign, or leave the cell empty.',
        '  line 22, bin: found "B 3"; expected one of B1 … B12. Remove the space.',
        '  header: column "coretemp" is not known; nearest is "core_temp_c". Rename it.',
    ]


def test_the_exception_says_the_same_and_carries_the_findings():
    error = TemplateError(THREE, {"readings.csv": 96})
    assert str(error).splitlines() == describe_findings(THREE, {"readings.csv": 96})
    assert error.findings == tuple(THREE)
    assert error.rows == {"readings.csv": 96}


@pytest.mark.parametrize(
    ("made", "text"),
    [
        (finding(line=None, column=None, found="the file is empty"), "the file is empty."),
        (finding(line=3, column=None, found="found x"), "line 3: found x."),
        (finding(line=None, found="found x", remedy="Do y."), "wet_mass_kg: found x. Do y."),
        (finding(found="found x.", remedy=""), "line 14, wet_mass_kg: found x."),
    ],
)
def test_a_finding_says_where_it_is_as_far_as_that_is_known(made, text):
    assert word_finding(made) == text


def test_one_problem_and_one_row_are_not_plural():
    assert describe_findings(THREE[:1], {"readings.csv": 1})[0] == "readings.csv does not fit (1 row read, 1 problem):"


def test_without_a_count_of_rows_none_is_given():
    assert describe_findings(THREE[:1])[0] == "readings.csv does not fit (1 problem):"


def test_what_is_the_same_on_several_lines_is_said_once_with_the_lines():
    same = [finding(line=number, bin=f"B{number}") for number in (2, 3, 4, 9, 30, 12)]
    assert describe_findings([*same, finding(line=5, found='found "-1"')], {"readings.csv": 40}) == [
        "readings.csv does not fit (40 rows read, 7 problems):",
        '  lines 2 to 4, 9, 12 and 30, wet_mass_kg: found "-2.0".',
        '  line 5, wet_mass_kg: found "-1".',
    ]


def test_of_many_scattered_lines_eight_runs_are_named_and_the_rest_counted():
    lines = describe_findings([finding(line=number) for number in range(2, 42, 2)])
    assert lines[1] == '  lines 2, 4, 6, 8, 10, 12, 14, 16 and 12 more, wet_mass_kg: found "-2.0".'
    assert len(lines) == 2


def test_the_same_in_two_files_is_two_things_to_put_right():
    lines = describe_findings([finding(), finding(file="readings_2.csv")])
    assert [line for line in lines if "problem" in line] == [
        "readings.csv does not fit (1 problem):",
        "readings_2.csv does not fit (1 problem):",
    ]


def test_twenty_are_shown_and_the_rest_counted():
    found = [finding(line=number, found=f'found "-{number}"') for number in range(2, 27)]
    lines = describe_findings(found, {"readings.csv": 40})
    assert lines[0] == "readings.csv does not fit (40 rows read, 25 problems):"
    assert len(lines) == 1 + 20 + 1
    assert lines[-1] == "  … and 5 more."


def test_errors_come_before_warnings_and_notes_whatever_their_file():
    lines = describe_findings(
        [
            finding("note", found="found a note"),
            finding("warning", found="found a warning"),
            finding("error", "bins.csv", found="found an error"),
        ]
    )
    assert lines == [
        "bins.csv does not fit (1 problem):",
        "  line 14, wet_mass_kg: found an error.",
        "readings.csv, to look at (1 warning):",
        "  line 14, wet_mass_kg: found a warning.",
        "readings.csv, worth knowing (1 note):",
        "  line 14, wet_mass_kg: found a note.",
    ]


def test_nothing_found_is_nothing_said():
    assert describe_findings([]) == []


@pytest.mark.parametrize(
    ("typed", "near"), [("B 3", "B3"), ("b3", "B3"), ("core_tmp_c", "core_temp_c"), ("zebra", None), ("", None)]
)
def test_the_nearest_name_ignores_case_and_blanks(typed, near):
    assert nearest_name(typed, ["B3", "core_temp_c"]) == near
