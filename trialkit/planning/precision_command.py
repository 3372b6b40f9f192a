"""Flags of the command ``precision``; nothing heavy is imported here."""

from __future__ import annotations

import argparse
from typing import Any

QUESTION = ("treatments", "layout", "bins_per_treatment", "cv", "ratio", "lost", "level", "chance", "family", "seed")


def add_precision_command(commands: Any) -> argparse.ArgumentParser:
    """Add ``precision`` to the commands (what ``add_subparsers`` returned)."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "precision", help="what a number of bins can tell, before the first is filled"
    )
    parser.add_argument("--treatments", type=int, metavar="N", help="arms, the control among them (2)")
    parser.add_argument("--layout", metavar="KIND", help="completely random, blocks, latin square")
    parser.add_argument("--bins-per-treatment", type=int, metavar="N", help="bins of each arm, or blocks (4)")
    parser.add_argument(
        "--cv", type=float, metavar="X", help="how much bins treated alike differ, 0.20 for 20 %% (0.20)"
    )
    parser.add_argument(
        "--ratio", type=float, metavar="R", help="the claim: so many times as much as the control (1.6)"
    )
    parser.add_argument("--lost", type=int, metavar="N", help="bins lost on the way (0)")
    parser.add_argument("--level", type=float, metavar="X", help="level of the intervals (0.95)")
    parser.add_argument("--chance", type=float, metavar="X", help="what counts as reliable (0.8)")
    parser.add_argument("--family", choices=("all", "claim only"), help="which intervals hold together (all)")
    parser.add_argument("--seed", type=int, metavar="N", help="for the simulated part (1)")
    parser.add_argument("--from", dest="source", metavar="DIR", help="a planned trial, or an earlier one for its CV")
    parser.add_argument("--outcome", metavar="NAME", help="with --from: the outcome (the primary one)")
    parser.add_argument("--control", metavar="NAME", help="with --from and no trial file: the control")
    parser.add_argument("--curve", metavar="A-B", help="a table over bins per treatment, as 3-12")
    parser.add_argument("--figures", metavar="DIR", help="also draw the two figures into a folder")
    grid = parser.add_argument_group("also by simulation")
    grid.add_argument("--trials", type=int, metavar="N", help="simulate so many trials of each truth as well")
    grid.add_argument("--cores", type=int, default=1, metavar="N", help="processes of this machine (1)")
    grid.add_argument("--cluster", metavar="ADDRESS", help="a running Dask scheduler, as tcp://host:8786")
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    return parser


def given_question(options: argparse.Namespace) -> dict[str, Any]:
    """The parts of the question that were typed."""
    return {name: getattr(options, name) for name in QUESTION if getattr(options, name) is not None}


def curve_range(text: str) -> tuple[int, ...]:
    """ "3-12" as numbers. ValueError in a sentence for anything else."""
    parts = text.split("-")
    if len(parts) != 2 or not all(part.strip().isdigit() for part in parts) or int(parts[0]) > int(parts[1]):
        raise ValueError(f'--curve: found "{text}"; expected the fewest and the most bins, as 3-12.')
    return tuple(range(int(parts[0]), int(parts[1]) + 1))
