"""Whether an answer survives when one thing about the analysis is changed, in words and as a table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trialkit.records import Analysis, Answer, Comparison, Sensitivity, Trial, Verdict
from trialkit.report.answers import main_answer
from trialkit.report.passages import capitalised, counted, listed, named
from trialkit.report.tables import Table, number_cell, table, text_cell, values_of
from trialkit.report.words import BADGES, noun

PLAIN_SCALE = "identity"
NEUTRAL = {"ratio": 1.0, "difference": 0.0, "superiority": 0.5}


def robustness_lines(analysis: Analysis) -> tuple[str, ...]:
    """One sentence a claim that says whether its verdict survives; without a claim, one sentence a comparison."""
    if analysis.verdicts:
        lines = (_claim_line(verdict, analysis) for verdict in analysis.verdicts)
    else:
        answer = main_answer(analysis)
        found = [c for c in (answer.comparisons if answer else ()) if isinstance(c, Comparison)]
        lines = _comparison_lines(found, answer, analysis.trial) if answer is not None else ()
    return tuple(line for line in lines if line)


def survives(verdict: Verdict, analysis: Analysis) -> bool:
    """Whether every repeat that came to a call came to the same one."""
    return not _changed(verdict, repeats_of(verdict.comparison, _answer_of(verdict, analysis)))


def repeats_of(comparison: Comparison | None, answer: Answer | None) -> tuple[Sensitivity, ...]:
    """The repeats of this very comparison, in the order of the record."""
    if comparison is None or answer is None:
        return ()
    pair = {comparison.treatment, comparison.against}
    return tuple(item for item in answer.sensitivity if {item.treatment, item.against} == pair)


def _answer_of(verdict: Verdict, analysis: Analysis) -> Answer | None:
    return next((answer for answer in analysis.answers if answer.name == verdict.claim.outcome), None)


def _changed(verdict: Verdict, repeats: Iterable[Sensitivity]) -> list[Sensitivity]:
    return [item for item in repeats if item.call is not None and item.call != verdict.call]


def _claim_line(verdict: Verdict, analysis: Analysis) -> str:
    repeats = repeats_of(verdict.comparison, _answer_of(verdict, analysis))
    told = [item for item in repeats if item.call is not None]
    if not told:
        return ""
    changed = _changed(verdict, told)
    start = f"“{verdict.claim.text}”: the answer “{BADGES[verdict.call].lower()}”"
    if not changed:
        return f"{start} stays in all {len(told)} repeats ({_what(told, analysis.trial)}).{_open(repeats, told)}"
    groups: dict[str, list[str]] = {}
    for item in changed:
        groups.setdefault(BADGES[item.call or "cannot_tell"].lower(), []).append(changed_words(item, analysis.trial))
    becomes = "; ".join(f"it becomes “{call}” {listed(words, 'or')}" for call, words in groups.items())
    rest = len(told) - len(changed)
    return (
        f"{start} does not hold throughout: {becomes}. It stays in the other {rest} of {len(told)} repeats "
        f"({_what(told, analysis.trial)}).{_open(repeats, told)}"
    )


def _open(repeats: Sequence[Sensitivity], told: Sequence[Sensitivity]) -> str:
    missing = len(repeats) - len(told)
    return "" if not missing else f" {capitalised(counted(missing, 'repeat'))} came to no call."


def _comparison_lines(found: Sequence[Comparison], answer: Answer, trial: Trial) -> Iterable[str]:
    """Comparisons with the same control of which the same is to be said share a sentence."""
    groups: dict[tuple[str, str], list[str]] = {}
    for item in found:
        said = _told(item, answer, trial)
        if said:
            groups.setdefault((item.against or "", said), []).append(named(item.treatment))
    for (against, said), names in groups.items():
        whose = "each" if len(names) > 1 else "its"
        yield f"{capitalised(listed(names))} beside {named(against)}: {whose} {said}"


def _told(comparison: Comparison, answer: Answer, trial: Trial) -> str:
    repeats = [item for item in repeats_of(comparison, answer) if item.low is not None or item.high is not None]
    if not repeats:
        return ""
    mine = _side(comparison.interval.low, comparison.interval.high, NEUTRAL.get(comparison.kind, 0.0))
    other = [item for item in repeats if _side_of(item, comparison) != mine]
    what = _what(repeats, trial)
    said = "range lies clear of “no difference”" if mine else "range holds “no difference”"
    if not other:
        return f"{said}, and so in all {len(repeats)} repeats ({what})."
    words = listed((changed_words(item, trial) for item in other), "or")
    return f"{said}, but not {words}; so in the other {len(repeats) - len(other)} repeats ({what})."


def _side(low: float | None, high: float | None, neutral: float) -> int:
    if low is not None and low > neutral:
        return 1
    return -1 if high is not None and high < neutral else 0


def _side_of(item: Sensitivity, comparison: Comparison) -> int:
    turned = item.treatment != comparison.treatment
    neutral = NEUTRAL.get(comparison.kind, 0.0)
    side = _side(item.low, item.high, neutral)
    return -side if turned else side


def changed_words(item: Sensitivity, trial: Trial) -> str:
    """What a repeat changed: "without bin B3", "without block 2", "on the plain scale"."""
    if item.what == "left out":
        return f"without {_left_out(item.name, trial)}"
    if item.what == "scale":
        return "on the plain scale" if item.name == PLAIN_SCALE else f"on the {item.name} scale"
    return "with a variance for each treatment" if item.name == "by treatment" else "with one variance for all"


def _other_way(item: Sensitivity) -> str:
    return f" (then by {item.method})" if item.method else ""


def _left_out(name: str, trial: Trial) -> str:
    if name.startswith(("bin ", "block ", "site ")):
        return name
    is_bin = any(item.bin == name for item in trial.bins)
    is_block = any(item.block == name for item in trial.bins)
    return name if is_bin == is_block else f"{'bin' if is_bin else 'block'} {name}"


def _what(repeats: Sequence[Sensitivity], trial: Trial) -> str:
    """What the repeats changed, each kind once."""
    left = [_left_out(item.name, trial) for item in repeats if item.what == "left out"]
    kinds = []
    if any(not word.startswith("block ") for word in left):
        kinds.append("each bin")
    if any(word.startswith("block ") for word in left):
        kinds.append("each block")
    parts = [f"{listed(kinds)} left out in turn"] if kinds else []
    for what, words in (("scale", "the other scale"), ("variances", "the other rule for variances")):
        if any(item.what == what for item in repeats):
            parts.append(words)
    return listed(parts)


def repeats_table(answer: Answer, trial: Trial) -> Table:
    """Every repeat of every comparison of one outcome, for the appendix and tables/sensitivity.csv."""
    columns = [
        ("outcome", "Outcome", False),
        ("comparison", "Comparison", False),
        ("changed", "Changed", False),
        ("estimate", "Estimate", True),
        ("low", "Low", True),
        ("high", "High", True),
        ("call", "Answer", False),
    ]
    values = values_of(answer)
    name = noun(values.outcome) if values is not None else answer.name
    rows = [
        [
            (answer.name, name),
            text_cell(f"{item.treatment} beside {item.against}"),
            (f"{item.what}: {item.name}", capitalised(changed_words(item, trial)) + _other_way(item)),
            number_cell(item.estimate),
            number_cell(item.low),
            number_cell(item.high),
            (item.call, BADGES[item.call] if item.call else "–"),
        ]
        for item in answer.sensitivity
    ]
    return table("sensitivity", f"{capitalised(name)}: one thing changed at a time", columns, rows)


def all_repeats_table(analysis: Analysis) -> Table:
    """The repeats of every outcome in one table."""
    tables = [repeats_table(answer, analysis.trial) for answer in analysis.answers if answer.sensitivity]
    columns = ("outcome", "comparison", "changed", "estimate", "low", "high", "call")
    rows = tuple(row for part in tables for row in part.rows)
    shown = tuple(row for part in tables for row in part.shown)
    return Table("sensitivity", "One thing changed at a time", columns, rows, shown)
