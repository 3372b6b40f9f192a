"""Flags and questions of the commands ``plan``, ``sheets`` and ``simulate``; nothing heavy is imported here."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

LAYOUTS = ("completely random", "blocks", "latin square", "split plot")
# options that need no answer: everything else that is None was not given
_SWITCHES = ("blinded", "pupils", "no_pdf")


def add_plan_command(commands: Any) -> argparse.ArgumentParser:
    """Add ``plan DIR`` to the commands (what ``add_subparsers`` returned)."""
    plan: argparse.ArgumentParser = commands.add_parser(
        "plan", help="lay out a trial and write its folder: files, map, calendar, recipe, printed sheets"
    )
    plan.add_argument(
        "folder", metavar="DIR", help="new folder, or one with a trial.toml or workbook that says the arms"
    )
    arms = plan.add_argument_group("arms")
    arms.add_argument(
        "--treatments", metavar="NAMES", help='names with commas between: "water only,killed starter,starter"'
    )
    arms.add_argument("--factors", metavar="NAMES", help='instead: "carrier, culture" or "carrier, culture, nitrogen"')
    arms.add_argument("--control", metavar="NAME", help="the treatment the others are compared with")
    layout = plan.add_argument_group("layout")
    layout.add_argument("--layout", metavar="KIND", help=", ".join(LAYOUTS))
    layout.add_argument("--blocks", type=int, metavar="N", help="number of blocks, each with every arm")
    layout.add_argument("--bins", type=int, metavar="N", help="bins an arm (completely random)")
    layout.add_argument("--bins-per-block", type=int, metavar="N", help="bins that a block can hold")
    layout.add_argument(
        "--control-bins", metavar="N", help='control bins for each bin of another arm, or "square root"'
    )
    layout.add_argument("--whole-plots", metavar="TEXT", help='split plot: "turning: weekly, never"')
    layout.add_argument("--seed", type=int, metavar="N", help="the draw; the same seed gives the same layout")
    layout.add_argument("--lot", metavar="NAMES", help="instead: treatments as drawn by lot, in the order of places")
    layout.add_argument("--redraw-rule", metavar="TEXT", help='which draws are thrown back; "none" for no rule')
    layout.add_argument("--variances", choices=("common", "by treatment"), help="how bins may scatter (rule by layout)")
    words = plan.add_argument_group("question, days, claim")
    words.add_argument("--title", metavar="TEXT")
    words.add_argument("--question", metavar="TEXT")
    words.add_argument("--start", metavar="DATE", help="day the bins are filled, as 2026-10-03 (the next Saturday)")
    words.add_argument("--days", metavar="DAYS", help="visits, as 0,3,7,14,28 (0,3,7,10,14,21,28,42,56)")
    words.add_argument("--primary", metavar="OUTCOME", help="the outcome that decides (decay_rate)")
    words.add_argument("--secondary", metavar="OUTCOMES", help="others, with commas between")
    words.add_argument("--measure", metavar="COLUMNS", help="columns to read, with commas between")
    words.add_argument("--claim", metavar="TEXT", help="the claim in words")
    words.add_argument("--claim-treatment", metavar="NAME", help="which treatment is claimed to be better")
    words.add_argument("--against", metavar="NAME", help="than which (the control)")
    words.add_argument("--outcome", metavar="OUTCOME", help="in what (the primary outcome)")
    size = words.add_mutually_exclusive_group()
    size.add_argument("--times-as-fast", type=float, metavar="N")
    size.add_argument("--at-least", type=float, metavar="N", help="a difference in the outcome's unit")
    size.add_argument("--at-least-ratio", type=float, metavar="N")
    size.add_argument("--within-days", type=float, metavar="N")
    words.add_argument("--margin", nargs=2, type=float, metavar=("LOW", "HIGH"), help="what counts as no difference")
    heap = plan.add_argument_group("heap and starter, per bin")
    heap.add_argument(
        "--feed", action="append", metavar="TEXT",
        help='"leaves=20kg", once for each material; own figures: "oak=20kg, nitrogen=0.8, cn=60, moisture=30"',
    )  # fmt: skip
    heap.add_argument("--target-moisture", type=float, metavar="PCT", help="percent of wet mass (55)")
    heap.add_argument("--water-l", type=float, metavar="L", help="liquid that every arm gets")
    heap.add_argument("--sugar-g", type=float, metavar="G", help="sugar in the starter")
    heap.add_argument("--urea-g", type=float, metavar="G", help="urea in the starter")
    heap.add_argument("--soil-kg", type=float, metavar="KG", help="soil of a soil arm")
    heap.add_argument("--turns-per-week", type=float, metavar="N")
    heap.add_argument("--capacity-l", type=float, metavar="L", help="volume of a bin")
    paper = plan.add_argument_group("sheets")
    paper.add_argument("--blinded", action="store_true", help="letters for treatments; key.csv tells them")
    paper.add_argument("--class", dest="pupils", action="store_true", help="a class runs the trial")
    _add_paper(paper)
    return plan


def add_sheets_command(commands: Any) -> argparse.ArgumentParser:
    """Add ``sheets DIR``: draw the printed sheets of a planned folder again."""
    sheets: argparse.ArgumentParser = commands.add_parser("sheets", help="draw the printed sheets of a trial again")
    sheets.add_argument("folder", metavar="DIR", help="a planned trial folder")
    _add_paper(sheets)
    return sheets


def add_simulate_command(commands: Any) -> argparse.ArgumentParser:
    """Add ``simulate DIR``: fill a planned folder with invented readings."""
    simulate: argparse.ArgumentParser = commands.add_parser(
        "simulate", help="fill a planned folder with invented readings, for practice"
    )
    simulate.add_argument("folder", metavar="DIR", help="a planned trial folder without readings")
    simulate.add_argument(
        "--truth", type=float, default=1.0, metavar="N", help="how many times as fast the claimed treatment is (1)"
    )
    simulate.add_argument("--seed", type=int, default=1, metavar="N", help="the draw (1)")
    simulate.add_argument("--complete", action="store_true", help="no missed visits and no lost bin")
    return simulate


def _add_paper(place: Any) -> None:
    place.add_argument("--paper", choices=("A4", "Letter"), default=None, help="paper size (A4)")
    place.add_argument("--no-pdf", action="store_true", help="write no sheets.pdf")


def given_options(options: argparse.Namespace) -> dict[str, Any]:
    """What was typed, without what was left out."""
    return {
        name: value
        for name, value in vars(options).items()
        if name not in ("command", "folder") and value is not None and not (name in _SWITCHES and value is False)
    }


def ask_missing(
    given: dict[str, Any], stated: frozenset[str], ask: Callable[[str], str], say: Callable[[str], None]
) -> dict[str, Any]:
    """``given`` with answers for treatments, control and layout where neither flags nor the folder (``stated``) say.

    An empty answer takes what stands in brackets. What cannot be read is asked again.
    """
    answers = dict(given)
    has = stated | set(answers) | ({"treatments", "control"} if "factors" in answers else frozenset())
    if "treatments" not in has:
        say("Which arms? A fair set for a liquid starter: water only, killed starter, live starter.")
        answers["treatments"] = _until(
            ask, say, "Treatments, with commas between [water only, killed starter, live starter]: ",
            "water only, killed starter, live starter", lambda text: len(_names(text)) >= 2, "two names or more",
        )  # fmt: skip
    names = _names(answers.get("treatments", ""))
    if "control" not in has:
        default = next((name for name in names if "water" in name.lower()), names[0] if names else "")
        answers["control"] = _until(
            ask, say, f"Control [{default}]: ", default, lambda text: not names or text in names,
            f"one of {', '.join(names)}",
        )  # fmt: skip
    if "layout" not in has:
        say("Blocks are groups of bins alike in place or fill, each with every arm once. They suit most trials.")
        answers["layout"] = _until(
            ask, say, f"Layout ({', '.join(LAYOUTS)}) [blocks]: ", "blocks", lambda text: text in LAYOUTS,
            f"one of {', '.join(LAYOUTS)}",
        )  # fmt: skip
    layout = answers.get("layout")
    if layout == "split plot" and "whole_plots" not in answers:
        answers["whole_plots"] = _until(
            ask, say, 'Factor set for groups of bins, as "turning: weekly, never": ', "",
            lambda text: ":" in text and len(_names(text.split(":", 1)[1])) >= 2, "a factor, a colon and two levels",
        )  # fmt: skip
    if layout in ("blocks", "split plot") and "blocks" not in answers:
        answers["blocks"] = int(_until(ask, say, "How many blocks? [4]: ", "4", _is_count, "a whole number from 2 up"))
    if layout == "completely random" and "bins" not in answers:
        answers["bins"] = int(
            _until(ask, say, "How many bins an arm? [4]: ", "4", _is_count, "a whole number from 2 up")
        )
    return answers


def _until(
    ask: Callable[[str], str],
    say: Callable[[str], None],
    question: str,
    default: str,
    fits: Callable[[str], bool],
    expected: str,
) -> str:
    while True:
        text = ask(question).strip() or default
        if fits(text):
            return text
        say(f'Found "{text}"; expected {expected}.')


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _is_count(text: str) -> bool:
    return text.isdecimal() and int(text) >= 2
