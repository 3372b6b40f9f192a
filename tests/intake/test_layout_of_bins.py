"""Bins that stand where their layout allows none: told with the line of the bins file."""

import pytest

SQUARE = "bin,treatment,row,column\n" + "".join(
    f"B{3 * row + column + 1},{'xyz'[(row + column) % 3]},{row + 1},{column + 1}\n"
    for row in range(3)
    for column in range(3)
)
PAIRS = "bin,treatment,whole_plot\nB1,x,1\nB2,x,1\nB3,y,2\nB4,y,2\n"
LATIN = 'control = "x"\n[layout]\nkind = "latin square"\n'
SPLIT = """control = "x"
[layout]
kind = "split plot"
whole_plot_factor = "turning"
[[treatment]]
name = "x"
factors = {turning = "often", starter = "no"}
[[treatment]]
name = "y"
factors = {turning = "never", starter = "no"}
"""


@pytest.fixture
def look(write, said):
    """What is said of a plan and its bins, before any reading."""
    return lambda toml, bins: [
        text for *_, text in said(write({"trial.toml": toml, "bins.csv": bins}), "error", "warning")
    ]


def test_layouts_that_hold_say_nothing(look):
    assert look(LATIN, SQUARE) == []
    assert look(SPLIT, PAIRS) == []


def test_two_bins_in_one_place_of_a_square(look):
    assert look(LATIN, SQUARE.replace("B2,y,1,2", "B2,y,1,1"))[:1] == [
        'line 3, column: row "1", column "1" holds bin "B1" and bin "B2"; a place of a Latin square holds one bin. '
        "Correct it, or give each square its site."
    ]


def test_two_squares_at_two_sites_are_no_clash(look):
    head, *rows = SQUARE.splitlines()
    second = [f"C{row[1:]},south" for row in rows]
    assert look(LATIN, "\n".join([f"{head},site", *(f"{row},north" for row in rows), *second])) == []


def test_a_treatment_twice_in_a_line_of_a_square_is_asked(look):
    # row 1 holds x, x, z and column 2 x, z, x
    assert look(LATIN, SQUARE.replace("B2,y,1,2", "B2,x,1,2")) == [
        'line 3, row: bins "B1" and "B2" of row "1" have one treatment; '
        "a Latin square has every treatment once in each row. Check it; the bins are analysed as they stand.",
        'line 9, column: bins "B2" and "B8" of column "2" have one treatment; '
        "a Latin square has every treatment once in each column. Check it; the bins are analysed as they stand.",
    ]


def test_a_whole_plot_with_two_levels_of_its_factor(look):
    assert look(SPLIT, PAIRS.replace("B2,x,1", "B2,y,1")) == [
        'line 3, whole_plot: bins "B1" and "B2" of whole plot "1" differ in turning; a whole plot has one level of it. '
        "Correct the whole plot or the treatment."
    ]
