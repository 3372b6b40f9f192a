"""The commands that come before the readings: ``plan``, ``sheets``, ``simulate``, ``precision``.

Only the flags are loaded with the module; everything else waits until a command runs.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.planning.commands import (
    add_plan_command,
    add_sheets_command,
    add_simulate_command,
    ask_missing,
    given_options,
)
from trialkit.planning.precision_command import add_precision_command, curve_range, given_question

if TYPE_CHECKING:
    from trialkit.records import Plan

WORKBOOK = "trial.xlsx"


def add_planning_commands(commands: Any) -> None:
    """Add the four commands to what ``add_subparsers`` returned."""
    for add in (add_plan_command, add_sheets_command, add_simulate_command, add_precision_command):
        add(commands)


def run_plan(options: argparse.Namespace) -> int:
    """``plan DIR``: draw the layout and write the folder."""
    import secrets
    from dataclasses import replace
    from datetime import date

    from trialkit.errors import DesignError
    from trialkit.intake import read_plan, sheet_texts
    from trialkit.planning import (
        build_request,
        holds_readings,
        plan_trial,
        refuse_to_overwrite,
        stated_parts,
        write_plan,
    )
    from trialkit.workflow import planned_workbook

    folder = Path(options.folder)
    refuse_to_overwrite(folder)
    stated: Plan | None = read_plan(folder) if folder.is_dir() else None
    book = folder / WORKBOOK
    if book.is_file() and holds_readings(sheet_texts(book).get("readings.csv", "")):
        raise DesignError(
            f"{book} holds readings already; expected a folder without any. Planning anew would draw "
            "another layout for bins that are filled: plan into another folder."
        )
    given = given_options(options)
    if sys.stdin.isatty():
        given = ask_missing(given, stated_parts(stated), input, print)
    # drawn once, then written into the trial file, so that the draw can be repeated
    request, told = build_request(given, date.today(), stated=stated, seed=secrets.randbelow(1_000_000))
    planned = plan_trial(request)
    planned = replace(planned, files={**planned.files, WORKBOOK: planned_workbook(planned)})
    written = write_plan(planned, folder, pdf=not options.no_pdf)
    _print([*told, *planned.notes, *planned.warnings, *written.sentences])
    print(
        f"The readings go into {WORKBOOK} or into readings.csv, whichever you like. What you add to the plan, a "
        "claim for example, may stand in trial.toml or in the workbook; what you change there, change in both."
    )
    print(f"The plan: {written.folder}. Next: print the sheets, then trialkit check {written.folder}")
    return 0


def run_sheets(options: argparse.Namespace) -> int:
    """``sheets DIR``: draw the printed sheets of a planned folder again."""
    from trialkit.intake import table_texts
    from trialkit.planning import draw_sheets_again
    from trialkit.printing import write_pdf

    folder = Path(options.folder)
    trial = _planned_trial(folder)
    texts = table_texts(folder)
    _refuse_absent(folder, texts)
    page = folder / "sheets" / "sheets.html"
    drawn = draw_sheets_again(trial.plan, trial.bins, texts["readings.csv"], paper=options.paper or "A4")
    page.parent.mkdir(exist_ok=True)
    page.write_text(drawn, encoding="utf-8")
    print(f"The sheets: {page}")
    if not options.no_pdf:
        told = write_pdf(page, page.with_suffix(".pdf"))
        print(told or f"To print: {page.with_suffix('.pdf')}")
    return 0


def run_simulate(options: argparse.Namespace) -> int:
    """``simulate DIR``: fill a planned folder, its text files and its workbook, with invented readings."""
    from trialkit.errors import DesignError
    from trialkit.intake import fill_workbook, table_texts
    from trialkit.simulate import PlannedFolder, simulate_trial

    folder = Path(options.folder)
    trial = _planned_trial(folder, open_key=True)
    texts = table_texts(folder)
    _refuse_absent(folder, texts)
    if trial.rows_used:
        raise DesignError(
            f"{folder} holds readings; expected a planned trial without any. Invented numbers are never put over "
            "measured ones: plan a folder for practice."
        )
    files = {name: text.encode() for name, text in texts.items()}
    if (folder / "trial.toml").is_file():
        files["trial.toml"] = (folder / "trial.toml").read_bytes()
    spoil: dict[str, Any] = {"missed_share": 0.0, "lose_a_bin": False} if options.complete else {}
    invented = simulate_trial(PlannedFolder(trial.plan, trial.bins, files), options.truth, options.seed, **spoil)
    made = {name: raw for name, raw in invented.files.items() if name == "INVENTED.txt" or (folder / name).is_file()}
    if (folder / WORKBOOK).is_file():
        tables = {name: invented.files[name].decode() for name in ("bins.csv", "readings.csv")}
        made[WORKBOOK] = fill_workbook((folder / WORKBOOK).read_bytes(), tables, invented.title)
    for name, raw in made.items():
        (folder / name).write_bytes(raw)
    print(f"{folder} now holds invented readings, marked as such in every file. Next: trialkit report {folder}")
    return 0


def run_precision(options: argparse.Namespace) -> int:
    """``precision``: what so many bins can tell."""
    from trialkit.errors import DesignError
    from trialkit.planning.precision import precision, precision_curve
    from trialkit.report.precision_words import precision_sentences, precision_table

    question = given_question(options)
    if options.source is not None:
        from trialkit.workflow import question_of

        question = question_of(options.source, outcome=options.outcome, control=options.control) | question
    try:
        bins = None if options.curve is None else curve_range(options.curve)
    except ValueError as problem:
        raise DesignError(str(problem)) from None
    asked = precision(**question)
    found = asdict(asked)
    if options.trials is not None:
        from trialkit.planning.precision_grid import simulate_precision

        found["simulated_calls"] = simulate_precision(
            asked,
            options.trials,
            cores=options.cores,
            cluster=options.cluster,
            progress=True,
            say=lambda text: print(text, file=sys.stderr),
        )
    elif options.cluster is not None:
        raise DesignError("--cluster: found an address and nothing to simulate there. Give --trials too, as 10000.")
    rest = {name: value for name, value in question.items() if name != "bins_per_treatment"}
    curve = [] if bins is None else [asdict(one) for one in precision_curve(bins, **rest)]
    if options.json:
        print(json.dumps(found if bins is None else {**found, "curve": curve}, indent=1))
    else:
        _print(precision_sentences(found))
        if curve:
            _print(["", *precision_table(curve)])
    if options.figures is not None:
        from trialkit.report.precision_figures import write_precision_figures

        for path in write_precision_figures(found, curve, Path(options.figures)):
            print(f"Drawn: {path}", file=sys.stderr)
    return 0


def _planned_trial(folder: Path, *, open_key: bool = False) -> Any:
    from trialkit.errors import TemplateError
    from trialkit.intake import check_trial

    checked = check_trial(folder, open_key=open_key)
    if checked.trial is None:
        raise TemplateError(checked.findings, checked.rows)
    return checked.trial


def _refuse_absent(folder: Path, texts: dict[str, str]) -> None:
    from trialkit.errors import DesignError

    absent = [name for name in ("bins.csv", "readings.csv") if name not in texts]
    if absent:
        raise DesignError(
            f"{folder} holds no {' and no '.join(absent)}, nor a {WORKBOOK} with such a sheet; expected a folder made "
            "by trialkit plan."
        )


def _print(lines: list[str]) -> None:
    for line in lines:
        print(line)


PLANNING_COMMANDS = {"plan": run_plan, "sheets": run_sheets, "simulate": run_simulate, "precision": run_precision}
