"""The door on the street: parse, call the workflow, print. Heavy imports wait until a command needs them.

Exit codes: 0 done, whatever the verdict; 1 the files, the plan or the control are wrong; 2 wrong usage; 3 the machine
stopped us; 130 interrupted.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from trialkit import __version__

DONE, WRONG, USAGE, STOPPED, INTERRUPTED = 0, 1, 2, 3, 130


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

    check = commands.add_parser("check", help="look through the files and list every problem")
    check.add_argument("folder", metavar="DIR", help="trial folder or a single readings file")
    check.add_argument("--json", action="store_true", help="print the findings as JSON")

    report = commands.add_parser("report", help="analyse a trial and write its report")
    report.add_argument("folder", metavar="DIR", help="trial folder or a single readings file")
    report.add_argument("--out", metavar="DIR", help="where to write (DIR/report, or NAME-report beside a file)")
    report.add_argument("--control", metavar="NAME", help="the treatment the others are compared with")
    report.add_argument("--with-notes", action="store_true", help="print the note columns too")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    options = build_parser().parse_args(arguments)
    from trialkit.errors import TrialkitError  # numpy comes with it

    try:
        return _COMMANDS[options.command](options)
    except TrialkitError as problem:
        print(problem, file=sys.stderr)
        return WRONG
    except KeyboardInterrupt:
        print("Interrupted; nothing was changed.", file=sys.stderr)
        return INTERRUPTED
    except MemoryError:
        print("The machine ran out of memory; nothing was changed. Close other programs, try again.", file=sys.stderr)
        return STOPPED
    except OSError as problem:
        place = f" at {problem.filename}" if problem.filename else ""
        reason = problem.strerror or str(problem)
        print(f"The machine stopped us{place}: {reason}. Nothing was changed.", file=sys.stderr)
        return STOPPED


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
    from trialkit.workflow import write_report

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


_COMMANDS = {"demo": _demo, "new": _new, "check": _check, "report": _report}


if __name__ == "__main__":
    sys.exit(main())
