"""The finish rule of a trial file: conditions that contradict their rule, told before the first reading."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.intake.parts import FinishPart
from trialkit.intake.trialfile import TrialFile
from trialkit.records import Finding

# a number of days conditions another condition and is none itself
_ALONE_NOTHING = "days_after_turning"
_CONDITIONS = tuple(name for name in FinishPart.model_fields if name not in ("rule", _ALONE_NOTHING))


def judge_finish(trial: TrialFile) -> Iterator[Finding]:
    """Conditions beside "as recorded", and "all of" with nothing to fulfil or with days that belong to no condition."""
    part = trial.part.finish
    if part is None:
        return
    given = part.model_dump(exclude_none=True, exclude={"rule"})
    chosen = [name for name in _CONDITIONS if given.get(name, False) is not False]

    def say(key: str, found: str, expected: str, remedy: str) -> Finding:
        return trial.finding(("finish", key), "finish-contradicts", found, expected, remedy)

    if part.rule == "as recorded":
        for key in given:
            found = f'{key} beside rule = "as recorded"'
            yield say(key, found, 'conditions belong to rule = "all of"', "Change the rule, or remove the line.")
    elif not chosen:
        found = 'rule = "all of" without a condition'
        yield say("rule", found, f"expected one or more of {', '.join(_CONDITIONS)}", "Add one.")
    elif _ALONE_NOTHING in given and part.reheating_at_most_c is None:
        found = f"{_ALONE_NOTHING} without reheating_at_most_c"
        yield say(_ALONE_NOTHING, found, "the days belong to that condition", "Add it, or remove the line.")
