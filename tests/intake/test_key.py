"""Blinded trials: letters in bins.csv, the key beside it, and who reads it. All numbers are invented."""

import hashlib

import pytest

from trialkit.errors import TemplateError, word_finding
from trialkit.intake import check_trial, load_trial, summarise_check

KEY = "letter,treatment\nA,live starter\nB,water only\n"
LETTERED = "bin,treatment,block\nB1,B,1\nB2,A,1\nB3,A,2\nB4,B,2\n"


@pytest.fixture
def blinded(trial_files, write):
    """Writes the trial that fits with letters for treatments; files may be given anew, None leaves one out."""

    def make(**files):
        named = {name.replace("_", "."): text for name, text in files.items()}
        return write({**trial_files, "bins.csv": LETTERED, "key.csv": KEY} | named)

    return make


def refused(folder):
    with pytest.raises(TemplateError) as caught:
        load_trial(folder)
    return [(f.code, f.file, word_finding(f)) for f in caught.value.findings if f.severity == "error"]


def test_the_report_reads_the_key_and_says_so(blinded, fitting_files, write):
    trial = load_trial(blinded())
    plain = load_trial(write(fitting_files, "plain"))
    assert [item.treatment for item in trial.bins] == [item.treatment for item in plain.bins]
    (note,) = trial.findings
    assert (note.severity, note.code, note.file) == ("note", "key-opened", "key.csv")
    assert word_finding(note) == (
        "letters stood for the treatments until now; the key was read for this report, which check never does."
    )
    source = trial.sources[-1]
    assert (source.file, source.rows) == ("key.csv", 2)
    assert source.sha256 == hashlib.sha256(KEY.encode()).hexdigest()
    # the readings still point at the file they came from
    assert trial.sources[int(trial.readings.row_file[0])].file == "readings.csv"


@pytest.mark.parametrize("key", [KEY, None, "", "\x00 not a table", KEY.replace("starter", "straw")])
def test_check_is_the_same_with_any_key_and_without(blinded, key):
    checked = check_trial(blinded(key_csv=key))
    assert checked.findings == ()
    assert [item.treatment for item in checked.trial.bins] == ["B", "A", "A", "B"]
    told = summarise_check(checked) + str(checked.summary())
    assert "live starter" not in told and "straw" not in told and "fits." in told


def test_check_opens_the_key_where_it_is_told_to(blinded):
    checked = check_trial(blinded(), open_key=True)
    assert [item.treatment for item in checked.trial.bins][:2] == ["water only", "live starter"]


def test_without_the_key_there_is_no_report(blinded):
    assert refused(blinded(key_csv=None)) == [
        (
            "key-absent",
            "bins.csv",
            "treatment: letters stand for the treatments, and there is no key.csv; expected it beside this file, with "
            "the columns letter and treatment. Fetch the key from the one who poured, and put it there.",
        )
    ]


@pytest.mark.parametrize(
    ("key", "code", "sentence"),
    [
        (
            KEY.replace("live starter", "live startr"),
            "treatment-unknown",
            'line 2, treatment: found "live startr"; expected one of "water only", "live starter". '
            'Nearest is "live starter".',
        ),
        (
            KEY + "A,water only\n",
            "letter-twice",
            'line 4, letter: "A" stands already on line 2; expected every letter once. Correct one of them.',
        ),
        (
            KEY + "C,water only\n",
            "treatment-twice",
            'line 4, treatment: "water only" stands already on line 3; expected every treatment once. '
            "Correct one of them.",
        ),
        (KEY + ",water only\n", "cell-empty", "line 4, letter: the cell is empty. Fill it in."),
        (KEY + "C,\n", "cell-empty", "line 4, treatment: the cell is empty. Fill it in."),
        (
            KEY.replace("letter,", "code,"),
            "heading-missing",
            'header: no column "letter"; expected "letter" and "treatment". Name it.',
        ),
        (
            "letter,letter,treatment\nA,B,water only\n",
            "heading-missing",
            'header: more than one column "letter"; expected "letter" and "treatment". Name it.',
        ),
        ("letter,treatment\n", "no-rows", "the file has headings and not one row of data. Fill it in."),
    ],
)
def test_a_wrong_key_is_told_by_line(blinded, key, code, sentence):
    assert (code, "key.csv", sentence) in refused(blinded(key_csv=key))


def test_a_letter_that_the_key_lacks_is_told_where_it_stands(blinded):
    told = refused(blinded(bins_csv=LETTERED.replace("B3,A", "B3,C")))
    assert told == [
        (
            "letter-unknown",
            "bins.csv",
            'line 4, treatment: found "C"; expected one of A, B, as key.csv has them. Correct it here, or in the key.',
        )
    ]


def test_check_counts_letters_against_treatments(blinded, said):
    assert said(blinded(bins_csv=LETTERED.replace("B3,A", "B3,C"))) == [
        (
            "error",
            "letters-uneven",
            "treatment: 3 letters stand for the treatments (A, B, C); expected 2, one for each treatment of the trial "
            "file. Check the letters.",
        )
    ]
    ((severity, code, _),) = said(blinded(bins_csv=LETTERED.replace(",A,", ",B,")))
    assert (severity, code) == ("warning", "letters-uneven")


def test_letters_that_differ_by_capitals_are_told(blinded, said):
    told = said(blinded(bins_csv=LETTERED.replace("B3,A", "B3,a")), "error")
    assert [code for _, code, _ in told] == ["letters-uneven", "treatment-unknown"]
    assert told[1][2] == 'line 4, treatment: found "a"; expected one of B, A. Nearest is "A".'


def test_treatments_that_look_like_letters_go_through_the_key(trial_files, write):
    # without the key read, every bin would be given to the other arm
    toml = trial_files["trial.toml"].replace('"water only"', '"A"').replace('"live starter"', '"B"')
    key = "letter,treatment\nA,B\nB,A\n"
    folder = write({**trial_files, "trial.toml": toml, "bins.csv": LETTERED, "key.csv": key})
    assert [item.treatment for item in load_trial(folder).bins] == ["A", "B", "B", "A"]


def test_a_key_beside_bins_with_their_treatments_is_not_used(blinded, fitting_files):
    trial = load_trial(blinded(bins_csv=fitting_files["bins.csv"]))
    assert [word_finding(finding) for finding in trial.findings] == [
        "the bins are listed with their treatments, so the key was not used."
    ]
    assert [item.treatment for item in trial.bins][:2] == ["water only", "live starter"]


def test_letters_without_key_and_without_declared_treatments_are_treatments(blinded):
    toml = 'control = "A"\n'
    trial = load_trial(blinded(trial_toml=toml, key_csv=None))
    assert [item.name for item in trial.plan.treatments] == ["B", "A"]
    # with a key they stand for the treatments it names
    trial = load_trial(blinded(trial_toml='control = "water only"\n'))
    assert [item.name for item in trial.plan.treatments] == ["water only", "live starter"]
    assert check_trial(blinded(trial_toml='control = "water only"\n')).trial is not None


def test_readings_that_repeat_letters_agree_with_the_bins(blinded, trial_files):
    lines = trial_files["readings.csv"].splitlines()
    letters = {"B1": "B", "B2": "A", "B3": "A", "B4": "B"}
    rows = [lines[0] + ",treatment", *(f"{line},{letters[line.split(',')[0]]}" for line in lines[1:])]
    trial = load_trial(blinded(readings_csv="\n".join(rows) + "\n"))
    assert trial.bins[1].treatment == "live starter"
    rows[1] = rows[1][:-1] + "A"
    assert refused(blinded(readings_csv="\n".join(rows) + "\n"))[0][0] == "bin-changes"
