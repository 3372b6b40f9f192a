"""The methods paragraph to paste, written from what was done."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

from trialkit.records import Analysis, Comparison, Fit
from trialkit.report.answers import main_answer, outcome_noun
from trialkit.report.facts import arms, comparisons, days_read
from trialkit.report.passages import capitalised, counted, listed, named
from trialkit.report.rounding import degrees, figures, p_value, percent, plain

STRATA = ("block", "site", "row", "column", "whole plot", "block within site")
SHOWN_VERSIONS = ("numpy", "scipy", "pandas", "statsmodels", "pingouin", "matplotlib", "nbclient", "nbconvert")


def methods_text(analysis: Analysis) -> str:
    """One paragraph on design, outcome, analysis and software, for a methods section."""
    return " ".join(sentence for sentence in (
        *_design(analysis), *_outcome(analysis), *_analysis(analysis), *_family(analysis), _software(analysis)
    ) if sentence)  # fmt: skip


def _design(analysis: Analysis) -> tuple[str, ...]:
    trial, plan = analysis.trial, analysis.trial.plan
    found = arms(analysis)
    blocks = {item.block for item in trial.bins if item.block}
    by_hand = plan.layout.drawn == "by hand"
    kind = {
        "completely random": "without blocks" if by_hand else "in a completely random layout",
        "blocks": f"in {counted(len(blocks), 'block')}",
        "latin square": "in a Latin square",
        "split plot": "in a split plot",
    }[plan.layout.kind]
    drawn = {"by seed": ", drawn by a seeded generator", "by lot": ", drawn by lot", "by hand": ", given out by hand"}
    sentence = (
        f"{counted(len(found), 'treatment')} ({listed(named(arm.treatment.name) for arm in found)}) were compared "
        f"in {counted(len(trial.bins), 'compost bin')} {kind}{drawn.get(plan.layout.drawn, '')}; "
        "the experimental unit was the bin."
    )
    days = days_read(trial)
    span = "" if days is None else f"Bins were read from day {plain(days[0])} to day {plain(days[1])}."
    return sentence, span


def _outcome(analysis: Analysis) -> tuple[str, ...]:
    answer = main_answer(analysis)
    if answer is None:
        return ()
    how = f"The readings of a bin were first reduced to one value for {outcome_noun(answer)}"
    if answer.name == "decay_rate":
        how += ", the rate constant of a first-order decay curve with its own end level in every bin,"
    sentence = f"{how.rstrip(',')} (summary measures; Matthews et al. 1990)."
    return (sentence,) if answer.role == "primary" else (sentence, "No primary outcome was declared for it beforehand.")


def _analysis(analysis: Analysis) -> tuple[str, ...]:
    answer = main_answer(analysis)
    if answer is None or not isinstance(answer.fit, Fit):
        return ("Treatments were not compared by an interval or a test: this trial does not carry one.",)
    fit = answer.fit
    if fit.method == "permutation":
        return (
            "Scores were compared by the share of pairs of bins, inside blocks where there are some, in which one "
            "treatment stands above the other, ties as halves (Mann & Whitney 1947), and tested by re-randomisation "
            "of the layout drawn.",
        )
    if fit.method == "draws":
        return (
            "Days are known only between two visits, and bins that were not there by their last visit were kept as "
            f"longer. The logarithms of days were compared by rules fixed beforehand ({fit.df_method}); in draws, "
            "blocks are random and the spread of bins is never below what rounding to visits brings.",
        )
    scale = "the natural logarithm of the values was" if fit.values.outcome.scale == "log" else "the values were"
    plan = analysis.trial.plan
    if fit.method == "reml":
        how = "analysed by restricted maximum likelihood with random blocks"
    elif plan.layout.kind == "blocks":
        how = "analysed by least squares with blocks as fixed effects"
    elif plan.layout.kind == "latin square":
        how = "analysed by least squares with rows and columns as fixed effects"
    elif plan.layout.kind == "split plot":
        how = "analysed by least squares in the strata of the split plot"
    else:
        how = "analysed by least squares"
    variances = (
        "with one residual variance for all treatments"
        if fit.variances == "common"
        else "with a residual variance for each treatment"
    )
    return (f"{capitalised(scale)} {how}, {variances} (degrees of freedom: {fit.df_method}).",)


def _family(analysis: Analysis) -> tuple[str, ...]:
    answer = main_answer(analysis)
    found = [c for c in (answer.comparisons if answer is not None else ()) if isinstance(c, Comparison)]
    if not found:
        return ()
    level = percent(found[0].interval.level)
    how = {
        "none": f"Intervals are {level} intervals without adjustment.",
        "multivariate t": f"Intervals are simultaneous {level} intervals from the exact multivariate t distribution "
        "of all comparisons made on this outcome (Dunnett 1955).",
        "bonferroni": f"Intervals are simultaneous {level} intervals by Bonferroni, each at its own degrees of "
        "freedom.",
        "holm": f"Intervals are {level} intervals; p-values are adjusted by Holm's method.",
    }[found[0].interval.adjustment]
    if all(item.kind == "superiority" for item in found):
        several = found[0].interval.adjustment == "bonferroni"
        how = "P-values are adjusted by Bonferroni over all comparisons of this outcome." if several else ""
    secondary = any(c.role == "secondary" for c in comparisons(analysis))
    return how, "P-values of secondary outcomes are adjusted by Holm's method." if secondary else ""


def _software(analysis: Analysis) -> str:
    numpy, scipy = versions().get("numpy", ""), versions().get("scipy", "")
    return (
        f"Analysed with trialkit {analysis.version} (Python {platform.python_version()}, numpy {numpy}, scipy {scipy})."
    )


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that touched the numbers or the page."""
    found = {"python": platform.python_version()}
    for name in SHOWN_VERSIONS:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def fit_sentences(fit: Fit) -> tuple[str, ...]:
    """What the variance components of a fit say, the block variance negative or not, and the test of all treatments."""
    residual = fit.components.get("residual")
    beside = "" if residual is None else f" (residual {figures(residual, 3)})"
    lines = [
        _variance_sentence(name, variance, beside, fit) for name, variance in fit.components.items() if name in STRATA
    ]
    test = fit.f_test or {}
    if all(key in test for key in ("f", "df_num", "df_den", "p")):
        p = p_value(test["p"])
        lines.append(
            f"All treatments together: F = {figures(test['f'], 4)} on {degrees(test['df_num'])} and "
            f"{degrees(test['df_den'])} degrees of freedom, p {p if p.startswith('<') else f'= {p}'}."
        )
    if not fit.converged:
        lines.append("The fit did not settle; its numbers are not to be used.")
    return (*lines, *fit.notes)


def _variance_sentence(name: str, variance: float, beside: str, fit: Fit) -> str:
    shown = figures(variance, 3)
    if variance < 0:
        tail = (
            "it is kept as found."
            if fit.method == "reml"
            else "it is printed as found, and the comparisons do not rest on it."
        )
        return (
            f"The {name} variance is negative, {shown}{beside}: bins of one {name} were less alike than bins of "
            f"different {name}s; {tail}"
        )
    if variance == 0:
        bound = ": it lies at its bound." if fit.at_bound else "."
        return f"The {name} variance is zero{beside}{bound}"
    return f"The {name} variance is {shown}{beside}: bins of one {name} were more alike than bins of different {name}s."
