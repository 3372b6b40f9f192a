"""The way out: checks the files, runs the report notebook on them, and puts the result in place in one move.

Apart from ``workflow`` because the command that writes a report computes nothing itself: the notebook does, in a
process of its own, so the rooms that compute need not be loaded here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from trialkit import report
from trialkit.intake import load_trial
from trialkit.placing import staged
from trialkit.records import Trial


@dataclass(frozen=True)
class Written:
    """What ``write_report`` left behind: the folder, and one sentence a claim."""

    folder: Path
    sentences: tuple[str, ...]


def write_report(
    source: str | Path | Trial,
    out: str | Path | None = None,
    *,
    control: str | None = None,
    with_notes: bool = False,
    pdf: bool = True,
    say: Callable[[str], None] = lambda _: None,
) -> Written:
    """Check the files, execute the report notebook on them, export it, and move the result to ``out``.

    ``out`` defaults to the folder ``report`` inside the trial folder, or ``NAME-report`` beside a single file. The old
    report stays whole until the new one is finished. ``say`` receives one line a stage. Raises TemplateError,
    DesignError, OSError.
    """
    path = Path(source.folder if isinstance(source, Trial) else source).resolve()
    control = source.plan.control if isinstance(source, Trial) and not source.plan.declared else control
    if out is None:
        out = path / "report" if path.is_dir() else path.with_name(f"{path.stem}-report")
    say("Checking the files …")
    load_trial(path, control=control)
    run = {"folder": str(path), "control": control, "with_notes": with_notes}
    with staged(Path(out)) as stage:
        sentences = report.produce(run, stage, say, pdf=pdf)
    return Written(Path(out), sentences)
