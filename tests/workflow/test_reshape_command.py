"""``trialkit reshape`` and ``trialkit new --workbook`` as a user types them."""

import pytest

JARS = "Day,clay,clay,sand,sand\n1,0.12,0.19,0.27,\n2,0.39,0.42,0.36,0.34\n"


def test_reshape_says_what_it_did_and_the_rows_pass(run, tmp_path):
    (tmp_path / "lab.csv").write_text(JARS)
    done = run("reshape", "lab.csv", "--column", "respired_c_g_kg", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        "4 columns under 2 headings became 4 bins, numbered from the left: clay 1 … sand 2.",
        "2 rows became 7, one per bin and visit, with the cells as respired_c_g_kg.",
        "1 empty cell makes no row.",
        "Written: lab-reshaped.csv. Look through it before you use it.",
    ]
    assert (tmp_path / "lab.csv").read_text() == JARS
    assert run("check", "lab-reshaped.csv", cwd=tmp_path).returncode == 0
    again = run("reshape", "lab.csv", "--column", "respired_c_g_kg", cwd=tmp_path)
    assert again.returncode == 1 and again.stderr == "lab-reshaped.csv is there already. Choose another name.\n"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            (),
            'Say what the cells are readings of: column = "respired_c_g_kg" in a notebook, '
            "--column respired_c_g_kg at the command.",
        ),
        (("--column", "volume"), '"volume" is no column of readings. The nearest is "volume_l".'),
    ],
)
def test_reshape_asks_for_what_it_cannot_know(run, tmp_path, arguments, sentence):
    (tmp_path / "lab.csv").write_text(JARS)
    done = run("reshape", "lab.csv", *arguments, cwd=tmp_path)
    assert done.returncode == 1 and done.stderr.strip() == sentence
    assert [path.name for path in tmp_path.iterdir()] == ["lab.csv"]


def test_new_with_a_workbook_then_check(run, tmp_path):
    assert run("new", "mine", "--workbook", cwd=tmp_path).returncode == 0
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["trial.xlsx"]
    told = run("check", "mine", cwd=tmp_path)
    assert told.returncode == 0, told.stdout + told.stderr
    assert "108 read, 0 used, 108 set aside" in told.stdout
    assert run("new", "mine", "--workbook", cwd=tmp_path).returncode == 1
