"""Flags, answers and a stated plan become one request; what disagrees is told."""

import argparse
import subprocess
import sys
from datetime import date

import pytest

from trialkit.errors import DesignError
from trialkit.planning.commands import (
    add_plan_command,
    add_sheets_command,
    add_simulate_command,
    ask_missing,
    given_options,
)
from trialkit.planning.factorials import factorial_treatments
from trialkit.planning.options import build_request, read_portion, stated_parts
from trialkit.planning.plan import plan_trial
from trialkit.records import Claim, Layout, Plan, Treatment

TODAY = date(2026, 9, 20)
ARMS = ["--treatments", "water only,killed starter,starter", "--control", "water only"]
BLOCKS = ["--blocks", "4", "--layout", "blocks", "--seed", "11"]


def options(*words):
    parser = argparse.ArgumentParser()
    commands = parser.add_subparsers(dest="command")
    for add in (add_plan_command, add_sheets_command, add_simulate_command):
        add(commands)
    return parser.parse_args(words)


def given(*words):
    return given_options(options("plan", "DIR", *words))


def request(*words, **more):
    return build_request(given(*words), TODAY, **more)


def refusal(*words, **more):
    with pytest.raises(DesignError) as caught:
        request(*words, **more)
    return str(caught.value)


def test_parsing_needs_no_numpy():
    code = (
        "import sys, argparse; from trialkit.planning.commands import add_plan_command;"
        "add_plan_command(argparse.ArgumentParser().add_subparsers()); print('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_three_flags_are_enough():
    made, notes = request(*ARMS, *BLOCKS)
    assert [item.name for item in made.treatments] == ["water only", "killed starter", "starter"]
    assert made.layout.blocks == 4 and made.layout.seed == 11 and made.claims == ()
    assert notes == (
        "Roles: water only = water; killed starter = killed; starter = live. Change them in trial.toml and trial.xlsx.",
    )
    assert len(plan_trial(made).bins) == 12


def test_everything_can_be_said_by_flags():
    made, _ = request(
        *ARMS, *BLOCKS, "--title", "T", "--start", "2026-10-03", "--days", "0,7,14", "--claim", "faster",
        "--times-as-fast", "2", "--margin", "0.8", "1.25", "--feed", "leaves=20kg", "--feed",
        "oak = 3.5 kg, nitrogen=0.8, cn=60, moisture=30", "--water-l", "2", "--sugar-g", "100", "--urea-g", "5",
        "--secondary", "cn_ratio, ph", "--capacity-l", "200", "--blinded", "--class", "--paper", "Letter",
    )  # fmt: skip
    assert made.start == date(2026, 10, 3) and made.days == (0, 7, 14)
    assert made.claims == (
        Claim("faster", "starter", "water only", "decay_rate", "times_as_fast", 2.0, "all", (0.8, 1.25)),
    )
    assert [portion.wet_mass_kg for portion in made.portions] == [20, 3.5]
    assert made.portions[1].feedstock.source == "as given"
    assert made.starter.sugar_g == 100 and made.blinded and made.pupils and made.paper == "Letter"
    assert made.secondary == ("cn_ratio", "ph")


def test_a_seed_is_taken_where_none_is_named():
    made, notes = request(*ARMS, "--layout", "blocks", "--blocks", "4", seed=99)
    assert made.layout.seed == 99 and "No seed was given: 99." in notes


def test_a_lot_needs_no_seed():
    made, notes = request(*ARMS, "--layout", "blocks", "--blocks", "2", "--lot", ",".join(["starter", "water only",
                          "killed starter"] * 2), seed=99)  # fmt: skip
    planned = plan_trial(made)
    assert planned.plan.layout.drawn == "by lot" and planned.plan.layout.seed is None
    assert not any("seed" in note for note in notes)


def test_factors_make_the_arms():
    two = factorial_treatments(["carrier", "culture"])
    assert [(item.name, item.role) for item in two] == [
        ("water only", "water"), ("culture", "other"), ("carrier", "killed"), ("carrier + culture", "live"),
    ]  # fmt: skip
    made, notes = request("--factors", "carrier, culture, nitrogen", *BLOCKS, "--water-l", "2", "--sugar-g", "100",
                          "--urea-g", "5")  # fmt: skip
    assert len(made.treatments) == 8 and made.control == "water only"
    assert 'No control was named: "water only".' in notes
    planned = plan_trial(made)
    assert len(planned.bins) == 32
    amounts = {item.name: dict(item.amounts) for item in planned.plan.treatments}
    assert {a["water_l"] for a in amounts.values()} == {2.0}
    for name, of_arm in amounts.items():
        assert (of_arm.get("sugar_g", 0) == 100) == ("carrier" in name)
        assert (of_arm.get("nitrogen_g", 0) == 2.332) == ("nitrogen" in name)
    # the shared brew carries no nitrogen where that is a factor: 4 arms of 4 bins get liquid, a tenth to spare
    assert planned.batch.nitrogen_g == 0 and planned.batch.sugar_g == pytest.approx(100 * 16 * 1.1)
    with pytest.raises(DesignError, match=r'found the factor "nitrogn"; expected some of .* Nearest: "nitrogen"'):
        factorial_treatments(["carrier", "nitrogn"])
    with pytest.raises(DesignError, match=r"found 1 factors \(carrier\); expected two or three"):
        factorial_treatments(["carrier"])


STATED = Plan(
    "water only", title="Leaves", layout=Layout("blocks", seed=7), primary="cn_ratio",
    treatments=(Treatment("water only", "water", {}, {"water_l": 2.0}), Treatment("brew", "live")),
    claims=(Claim("x", "brew", "water only", "cn_ratio", "at_least_ratio", 1.2),),
)  # fmt: skip


def test_a_stated_plan_is_taken_over():
    made, _ = request("--blocks", "5", stated=STATED)
    assert made.control == "water only" and made.layout.kind == "blocks" and made.layout.seed == 7
    assert (
        made.claims == STATED.claims and made.primary == "cn_ratio" and made.treatments[0].amounts == {"water_l": 2.0}
    )
    assert stated_parts(STATED) == {"control", "treatments", "layout"} and stated_parts(None) == frozenset()
    assert len(plan_trial(made).bins) == 10


def test_flags_that_contradict_the_folder_are_told_together():
    text = refusal("--blocks", "4", "--seed", "8", "--title", "Other", "--primary", "ph", "--claim", "y",
                   "--times-as-fast", "2", stated=STATED)  # fmt: skip
    assert text.splitlines()[0] == (
        '--title says "Other" and the folder says "Leaves"; expected one answer. Leave the flag out, or '
        "change the file."
    )
    assert len(text.splitlines()) == 4 and text.splitlines()[-1].startswith("the folder states a claim and --claim")
    assert "found other ones among the flags (a, b)" in refusal("--treatments", "a,b", "--blocks", "4", stated=STATED)
    made, _ = request("--blocks", "4", "--seed", "7", "--title", "Leaves", stated=STATED)
    assert made.title == "Leaves"


def test_a_stated_split_plot_is_taken_apart_and_put_together_again(make_request):
    first = plan_trial(
        make_request(
            claims=(), layout_kind="split plot", layout_whole_plot_factor="turning",
            layout_whole_plot_levels=("weekly", "never"),
        )
    )  # fmt: skip
    made, _ = request("--blocks", "4", stated=first.plan)
    again = plan_trial(made)
    assert [(b.bin, b.treatment) for b in again.bins] == [(b.bin, b.treatment) for b in first.bins]
    assert again.plan.control == first.plan.control == "water only, weekly"
    assert "--whole-plots says" in refusal("--blocks", "4", "--whole-plots", "lid: on, off", stated=first.plan)


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ([], "no treatments are named; expected --treatments"),
        (["--treatments", "a,b"], "no control is named; expected --control with one of a, b."),
        (ARMS, "no layout is named; expected --layout blocks"),
        ([*ARMS, *BLOCKS, "--factors", "carrier, culture"], "found --treatments and --factors"),
        ([*ARMS, *BLOCKS, "--start", "3.10.2026"], 'found --start "3.10.2026"; expected a date as 2026-10-03.'),
        ([*ARMS, *BLOCKS, "--days", "0,1.5"], 'found "1.5" among --days; expected whole numbers'),
        ([*ARMS, *BLOCKS, "--days", ","], "found no day after --days"),
        ([*ARMS, *BLOCKS, "--feed", "leaves"], 'found --feed "leaves"; expected a material and its mass a bin'),
        ([*ARMS, *BLOCKS, "--feed", "leavs=20kg"], 'found the feedstock "leavs"'),
        ([*ARMS, *BLOCKS, "--feed", "oak=20kg, cn=60"], "expected all of nitrogen"),
        ([*ARMS, *BLOCKS, "--feed", "leaves=1.2.3kg"], 'found "1.2.3" in --feed'),
        ([*ARMS, *BLOCKS, "--claim", "x"], "the claim has no size; expected one of --times-as-fast"),
        ([*ARMS, *BLOCKS, "--sugar-g", "10"], "the starter has no water; expected --water-l"),
        (
            [*ARMS, "--layout", "split plot", "--whole-plots", "turning"],
            'found --whole-plots "turning"; expected a factor',
        ),
        (
            ["--treatments", "water,p,q", "--control", "water", *BLOCKS, "--times-as-fast", "2"],
            "the claim names no treatment; expected --claim-treatment with one of p, q.",
        ),
    ],
)  # fmt: skip
def test_flags_that_cannot_be_read(words, reason):
    assert reason in refusal(*words, seed=1)


def test_a_portion():
    assert read_portion("Grass Clippings = 4 kg").feedstock.name == "grass clippings"


# ---------------------------------------------------------------- questions
def answers_to(replies, start=None, stated=frozenset()):
    said, replies = [], list(replies)
    asked = []

    def ask(question):
        asked.append(question)
        return replies.pop(0)

    return ask_missing(start or {}, stated, ask, said.append), asked, said


def test_only_what_is_missing_is_asked():
    found, asked, _ = answers_to(["", "", "", ""])
    assert found == {
        "treatments": "water only, killed starter, live starter", "control": "water only", "layout": "blocks",
        "blocks": 4,
    }  # fmt: skip
    assert len(asked) == 4
    made, _ = build_request(found, TODAY, seed=1)
    assert len(plan_trial(made).bins) == 12
    _, asked, _ = answers_to([], {"blocks": 4}, frozenset({"treatments", "control", "layout"}))
    assert asked == []


def test_what_cannot_be_read_is_asked_again():
    found, _, said = answers_to(["one", "a, b", "c", "b", "rows", "completely random", "1", "3"])
    assert found == {"treatments": "a, b", "control": "b", "layout": "completely random", "bins": 3}
    assert 'Found "one"; expected two names or more.' in said
    assert 'Found "c"; expected one of a, b.' in said
    assert 'Found "1"; expected a whole number from 2 up.' in said


def test_the_other_commands_parse():
    assert vars(options("simulate", "DIR", "--truth", "1.5", "--seed", "3"))["truth"] == 1.5
    assert options("sheets", "DIR", "--paper", "Letter").paper == "Letter"
