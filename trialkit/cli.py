"""The door on the street: parse, call the workflow, print. Heavy imports wait until a command needs them.

Exit codes: 0 done, whatever the verdict; 1 the files, the plan or the control are wrong; 2 wrong usage; 3 the machine
stopped us; 130 interrupted.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from trialkit import __version__
from trialkit.planning_commands import PLANNING_COMMANDS, add_planning_commands

DONE, WRONG, USAGE, STOPPED, INTERRUPTED = 0, 1, 2, 3, 130
_STOPPED_BY = {"OSError", "PermissionError", "FileNotFoundError", "MemoryError", "BlockingIOError"}


def build_parser() -> argparse.ArgumentParser:
    """The commands and their flags."""
    parser = argparse.ArgumentParser(
        prog="trialkit", description="Side-by-side compost-bin trials: from readings to an answer that holds."
    )
    parser.add_argument("--version", action="version", version=f"trialkit {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="command")

    demo = commands.add_parser("demo", help="write the report of an invented sample trial")
    demo.add_argument("--out", default="trialkit-demo", metavar="DIR", help="where to write (trialkit-demo)")

    new = commands.add_parser("new", help="make a folder with the files to fill in")
    new.add_argument("folder", metavar="DIR")
    new.add_argument("--workbook", action="store_true", help="one workbook, trial.xlsx, in place of text files")

    start = commands.add_parser("start", help="open a page in the browser: plan, check, answer, learn")
    start.add_argument("folder", metavar="DIR", nargs="?", default=".", help="where your trials are (this folder)")
    start.add_argument("--no-browser", action="store_true", help="print the address instead of opening it")

    check = commands.add_parser(
        "check",
        help="look through the files and list every problem; how far a running trial is",
        description="Look through the files, finished or not: every problem with its place, visits that are in and "
        "missing, and bins that look odd; by bin and never by treatment. Nothing is changed.",
    )
    check.add_argument("folder", metavar="DIR", help="trial folder or a single file")
    check.add_argument("--json", action="store_true", help="print the same as JSON")

    reshape = commands.add_parser("reshape", help="turn a sheet with one heading several times into readings")
    reshape.add_argument("file", metavar="FILE", help="the sheet as CSV")
    reshape.add_argument("--column", metavar="NAME", help="what the cells are readings of, as in respired_c_g_kg")
    reshape.add_argument("--out", metavar="FILE", help="where to write (NAME-reshaped.csv beside it)")

    report = commands.add_parser("report", help="analyse a trial and write its report")
    report.add_argument("folder", metavar="DIR", help="trial folder or a single readings file")
    report.add_argument("--out", metavar="DIR", help="where to write (DIR/report, or NAME-report beside a file)")
    report.add_argument("--control", metavar="NAME", help="the treatment the others are compared with")
    report.add_argument("--with-notes", action="store_true", help="print the note columns too")

    add_planning_commands(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        # names from files may hold letters that this terminal cannot show
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    options = build_parser().parse_args(arguments)
    try:
        return _COMMANDS[options.command](options)
    except KeyboardInterrupt:
        print("Interrupted; nothing was changed.", file=sys.stderr)
        return INTERRUPTED
    except MemoryError:
        print("The machine ran out of memory; nothing was changed. Close other programs, try again.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # whoever read what was printed has seen enough
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        return DONE
    except OSError as problem:
        place = f" at {problem.filename}" if problem.filename else ""
        reason = problem.strerror or str(problem)
        print(f"The machine stopped us{place}: {reason}. Nothing was changed.", file=sys.stderr)
        return STOPPED
    except Exception as problem:
        from trialkit.errors import TrialkitError  # numpy comes with it

        if not isinstance(problem, TrialkitError):
            raise
        print(problem, file=sys.stderr)
        # a cell of the report notebook runs in another process, which tells us what stopped it by name
        stopped = getattr(problem.__cause__, "ename", "") in _STOPPED_BY
        return STOPPED if stopped else WRONG


def _demo(options: argparse.Namespace) -> int:
    from trialkit.shipped import shipped

    sample = shipped("sample_trials") / "three_arms"
    return _write(sample, Path(options.out), control=None, with_notes=False, what=f"An invented trial ({sample})")


def _report(options: argparse.Namespace) -> int:
    source = Path(options.folder)
    if options.out is not None:
        out = Path(options.out)
    else:
        out = source / "report" if source.is_dir() else source.with_name(f"{source.stem}-report")
    return _write(source, out, control=options.control, with_notes=options.with_notes, what="")


def _write(source: Path, out: Path, *, control: str | None, with_notes: bool, what: str) -> int:
    from trialkit.writing import write_report

    written = write_report(source, out, control=control, with_notes=with_notes, say=_say)
    if what:
        print(f"{what} was analysed.")
    for sentence in written.sentences:
        print(sentence)
    print(f"The report: {written.folder / 'report.html'}")
    return DONE


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _new(options: argparse.Namespace) -> int:
    from trialkit.intake import new_trial

    folder = Path(options.folder)
    if options.workbook:
        from trialkit.intake import blank_workbook

        new_trial(folder, workbook=blank_workbook())
        print(f"{folder / 'trial.xlsx'} is the workbook to fill in. Next: trialkit check {folder}")
        return DONE
    new_trial(folder)
    print(f"{folder} holds the files to fill in. Next: trialkit check {folder}")
    return DONE


def _check(options: argparse.Namespace) -> int:
    from trialkit.intake import check_trial, summarise_check

    checked = check_trial(Path(options.folder))
    wrong = any(finding.severity == "error" for finding in checked.findings)
    if options.json:
        print(json.dumps(asdict(checked.summary()), indent=1, default=str))
    else:
        print(summarise_check(checked))
    return WRONG if wrong else DONE


def _reshape(options: argparse.Namespace) -> int:
    from trialkit.intake import reshape_wide

    source = Path(options.file)
    out = Path(options.out) if options.out is not None else source.with_name(f"{source.stem}-reshaped.csv")
    for sentence in reshape_wide(source, options.column, out).done:
        print(sentence)
    print(f"Written: {out}. Look through it before you use it.")
    return DONE


def _start(options: argparse.Namespace) -> int:
    from trialkit.start import open_page

    return open_page(Path(options.folder), browser=not options.no_browser)


_COMMANDS = {
    "demo": _demo,
    "new": _new,
    "start": _start,
    "check": _check,
    "reshape": _reshape,
    "report": _report,
    **PLANNING_COMMANDS,
}


if __name__ == "__main__":
    sys.exit(main())
