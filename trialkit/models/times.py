"""Times known only between visits: by the layout's own least squares while every bin finished, by draws after that.

Every bin finished: the fit of the layout on the logs of window midpoints, with the residual variance never below what
rounding to visits alone brings. Some bin known from one side only: the rules of ``numerics.censored_times``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.models.layout_checks import absent_reason, layout_problems
from trialkit.models.measured import Measured
from trialkit.numerics.censored_intervals import log_windows
from trialkit.numerics.censored_level import censored_level
from trialkit.numerics.censored_times import CensoredTimes
from trialkit.numerics.time_windows import TimeWindows, time_windows
from trialkit.records import BinValues, Fit, Refusal, read_only

Array = NDArray[np.float64]

RULES = {
    1: "t interval on the logs of window midpoints",
    2: "draws from the interval-censored model",
    4: "exact one-sided bound",
}
SQUARES = ("latin square", "split plot")


def fit_times(found: Measured, by_layout: Callable[[], Fit | Refusal]) -> Fit | Refusal:
    """A fit of bins whose times are windows. ``by_layout`` fits the midpoints as the layout says."""
    values, plan = found.values, found.values.plan
    open_ended = [v.bin for v in values.values if v.censored]
    if plan.layout.kind in SQUARES or values.outcome.scale != "log":
        if open_ended:
            where = f"a {plan.layout.kind}" if values.outcome.scale == "log" else "the plain scale"
            return found.refusal(
                f"Times known from one side only ({', '.join(open_ended)}) are not analysed in {where}; leaving such "
                "bins out would be wrong. Compare a loss on a fixed day."
            )
        return _not_below_rounding(by_layout(), values)
    windows = time_windows(values)
    if plan.comparisons == "with control" and plan.control not in found.treatments:
        return found.refusal(*layout_problems(found))
    if windows.missing:
        return found.refusal(f"The layout says blocks, but {', '.join(windows.missing)} has none. Fill it in.")
    if len(windows.treatments) < 2:
        return found.refusal("Only one treatment has bins that were watched, so there is nothing to compare it with.")
    pairs = [pair for pair in found.pairs_of_interest() if pair[0] in windows.treatments]
    references = tuple(dict.fromkeys(b for _, b in pairs if b in windows.treatments))
    if not references:
        return found.refusal(absent_reason(str(plan.control), values.outcome.label))
    try:
        answers = {name: windows.against(name, plan.level) for name in references}
    except DesignError as error:
        return found.refusal(str(error))
    rules = np.concatenate([np.atleast_1d(answer.rule) for answer in answers.values()])
    if not open_ended and np.all(rules == 1):
        fit = by_layout()  # refused where midpoints have no spread at all; rounding to visits still gives one
        return _from_draws(found, windows, answers) if isinstance(fit, Refusal) else _not_below_rounding(fit, values)
    if np.all((rules == 3) | (rules == 5)):
        return found.refusal(*dict.fromkeys(reason for answer in answers.values() for reason in answer.reasons))
    return _from_draws(found, windows, answers)


def _not_below_rounding(fit: Fit | Refusal, values: BinValues) -> Fit | Refusal:
    """The fit with no variance below the one that rounding to visits brings: mean (ln high − ln low)²/12."""
    ends = [(v.low, v.high) for v in values.values if v.value is not None and v.low is not None and v.high is not None]
    if isinstance(fit, Refusal) or not ends or values.outcome.scale != "log":
        return fit
    low, high = np.array(ends, dtype=float).T[:, :, None]
    floor = float(log_windows(low, high)[2][0])
    own = fit.components.get("residual")
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 1.0 / fit.counts + 1.0 / fit.counts.T
        unit = fit.std_errors**2 / own if own and fit.variances == "common" and own > 0.0 else share
    least = np.sqrt(floor * unit)
    lifted = np.where(np.isfinite(fit.std_errors), np.fmax(fit.std_errors, least), fit.std_errors)
    if np.array_equal(lifted, fit.std_errors, equal_nan=True):
        return fit
    growth = 1.0 if not own or own >= floor else floor / own
    return replace(
        fit,
        std_errors=read_only(lifted),
        mean_std_error=read_only(fit.mean_std_error * np.sqrt(growth)),
        covariance=None if fit.covariance is None else read_only(fit.covariance * growth),
        components={**fit.components, "least from rounding to visits": floor},
        notes=(
            *fit.notes,
            "Bins scatter less than rounding to visits alone would make them; the range is that of the rounding.",
        ),
    )


def _from_draws(found: Measured, windows: TimeWindows, answers: dict[str, CensoredTimes]) -> Fit:
    names = found.treatments
    count = len(names)
    bins = np.array([int((windows.treatment == _place(windows, name)).sum()) for name in names], dtype=np.intp)
    differences, errors, df = np.full((3, count, count), np.nan)
    refused: dict[tuple[str, str], str] = {}
    notes: list[str] = []
    for name in names:
        if name not in windows.treatments:
            reason = absent_reason(name, found.values.outcome.label)
            notes.append(reason)
            refused |= {pair: reason for other in names for pair in ((name, other), (other, name))}
    for reference, answer in answers.items():
        j = names.index(reference)
        order = [name for name in windows.treatments if name != reference]
        rules, ratio, error, own = (
            np.atleast_1d(np.asarray(part)) for part in (answer.rule, answer.ratio, answer.std_error, answer.df)
        )
        notes += answer.reasons
        for k, name in enumerate(order):
            i = names.index(name)
            if rules[k] in (1, 2):
                differences[i, j], errors[i, j], df[i, j] = np.log(ratio[k]), error[k], own[k]
                differences[j, i], errors[j, i], df[j, i] = -differences[i, j], error[k], own[k]
            elif rules[k] in (3, 5):
                said = [reason for reason in answer.reasons if name in reason and reference in reason]
                text = " ".join(said or answer.reasons)
                refused[name, reference] = refused[reference, name] = text
    np.fill_diagonal(differences, 0.0)
    means, mean_errors, mean_df = _levels(windows, names, found.values.plan.level)
    used = sorted({int(rule) for answer in answers.values() for rule in np.atleast_1d(answer.rule)} & set(RULES))
    draws = max((answer.draws for answer in answers.values()), default=0)
    if draws:
        notes.append(
            f"The ranges rest on {draws} draws with a fixed seed; two runs give the same numbers. p is twice the share "
            "of draws on the smaller side of no difference."
        )
    if found.values.plan.layout.variances == "by treatment":
        notes.append("All treatments are taken to scatter alike; times known from one side allow no other rule.")
    empty = {windows.blocks[code] for answer in answers.values() for code in answer.blocks_without_event}
    return Fit(
        values=found.values,
        treatments=names,
        method="draws",
        df_method=", ".join(RULES[rule] for rule in used),
        variances="common",
        means=read_only(means),
        mean_std_error=read_only(mean_errors),
        mean_df=read_only(mean_df),
        differences=read_only(differences),
        std_errors=read_only(errors),
        df=read_only(df),
        counts=read_only(np.repeat(bins[:, None], count, axis=1)),
        covariance=None,
        components={},
        blocks_used=tuple(block for block in windows.blocks if block not in empty),
        notes=(*found.notes, *dict.fromkeys(notes)),
        refused=refused,
    )


def _place(windows: TimeWindows, name: str) -> int:
    return windows.treatments.index(name) if name in windows.treatments else -1


def _levels(windows: TimeWindows, names: tuple[str, ...], level: float) -> Array:
    """Log of the median time of every treatment by itself, its standard error and df; NaN where only bounded."""
    found = np.full((3, len(names)), np.nan)
    for i, name in enumerate(names):
        here = windows.treatment == _place(windows, name)
        if here.sum() < 2:
            continue
        own = censored_level(windows.low[here], windows.high[here], level=level)
        if own.rule in (1, 2):
            narrow = censored_level(windows.low[here], windows.high[here], level=0.6827)
            found[:, i] = np.log(own.time), 0.5 * np.log(narrow.high / narrow.low), own.df
    return found
