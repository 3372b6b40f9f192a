"""The commands that come before the readings, as their functions and through their flags."""

import argparse
import json

import pytest

from trialkit.errors import DesignError
from trialkit.planning_commands import PLANNING_COMMANDS, add_planning_commands
from trialkit.shipped import shipped


@pytest.fixture
def say(capsys):
    """Runs one command in this process; returns its exit code and what it printed."""
    parser = argparse.ArgumentParser()
    add_planning_commands(parser.add_subparsers(dest="command"))

    def run(*words):
        options = parser.parse_args([str(word) for word in words])
        code = PLANNING_COMMANDS[options.command](options)
        return code, capsys.readouterr().out

    return run


def test_precision_prints_sentences_and_json(say):
    flags = ("precision", "--treatments", 2, "--layout", "completely random", "--bins-per-treatment", 4)
    code, told = say(*flags, "--cv", 0.20, "--ratio", 1.6)
    assert code == 0
    assert '"1.6 times the control"' in told
    code, told = say(*flags, "--cv", 0.20, "--ratio", 1.6, "--json", "--curve", "3-5")
    found = json.loads(told)
    # R 4.2.2 power.t.test: n = 4, CV 20 %, power 0.80 needs a ratio of 1.602
    assert found["power"] == pytest.approx(0.80, abs=0.005)
    assert [row["bins_per_treatment"] for row in found["curve"]] == [3, 4, 5]


def test_precision_takes_the_scatter_of_an_earlier_trial(say):
    code, told = say("precision", "--from", shipped("sample_trials") / "three_arms", "--json")
    found = json.loads(told)
    assert code == 0
    assert (found["treatments"], found["layout"], found["bins_per_treatment"]) == (3, "blocks", 4)
    assert 0.02 < found["cv"] < 0.10  # the card says 5 % between the bins of a block


def test_an_earlier_trial_that_cannot_be_analysed_gives_no_scatter(say):
    with pytest.raises(DesignError, match="No CV can be had from"):
        say("precision", "--from", shipped("sample_trials") / "one_bin_each")


@pytest.mark.parametrize(
    ("flags", "sentence"),
    [
        (("--cv", 0), "cv: found 0"),
        (("--cv", 2.5), "cv: found 2.5"),
        (("--ratio", 1), "ratio: found 1"),
        (("--ratio", -2), "ratio: found -2"),
        (("--curve", "many"), '--curve: found "many"; expected the fewest and the most bins, as 3-12'),
    ],
)
def test_questions_that_make_no_sense_are_told(say, flags, sentence):
    with pytest.raises(DesignError, match=sentence.replace("(", r"\(")):
        say("precision", *flags)


def test_figures_are_drawn_where_asked(say, tmp_path):
    code, _ = say("precision", "--curve", "3-5", "--figures", tmp_path / "drawn")
    assert code == 0
    names = {path.name for path in (tmp_path / "drawn").iterdir()}
    assert names == {"expected-range.svg", "chances-claim-true.svg", "chances-nothing.svg"}


def test_simulated_chances_agree_with_the_exact_ones(say):
    code, told = say("precision", "--layout", "blocks", "--bins-per-treatment", 5, "--trials", 4000, "--json")
    found = json.loads(told)
    assert code == 0
    for truth, chances in found["simulated_calls"].items():
        for call, chance in chances.items():
            exact = found["calls"][truth][call]
            # four standard errors of a share of 4,000, and a little for shares near zero
            assert chance == pytest.approx(exact, abs=4 * (exact * (1 - exact) / 4000) ** 0.5 + 0.002), (truth, call)


def test_a_cluster_without_trials_is_told(say):
    with pytest.raises(DesignError, match="Give --trials too"):
        say("precision", "--cluster", "tcp://127.0.0.1:1")
