"""Hand-made records: every number below is fixed by hand, so that sentences and pages can be held to the letter."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from trialkit.records import (
    Analysis,
    Answer,
    Bin,
    BinValue,
    BinValues,
    Claim,
    Comparison,
    Finding,
    Fit,
    Interval,
    Layout,
    Outcome,
    Partition,
    PartitionStep,
    Plan,
    Readings,
    Refusal,
    Rerandomisation,
    Sensitivity,
    SetAside,
    Source,
    Treatment,
    Trial,
    Verdict,
    read_only,
)

ARMS = ("water only", "killed starter", "live starter")
RATES = {  # k per bin and block
    "water only": (0.030, 0.034, 0.027, 0.031),
    "killed starter": (0.034, 0.037, 0.031, 0.036),
    "live starter": (0.036, 0.041, 0.033, 0.040),
}
DECAY = Outcome(
    "decay_rate", "decay rate", "1/day", "log", 1, "rate k", "settling", "A rate says nothing of how far a bin gets."
)
LOSS = Outcome(
    "dry_matter_loss_pct", "dry-matter loss", "% of what was put in", "identity", 1, "", "", "Loss is not finish."
)
CN = Outcome("cn_ratio", "C:N", "ratio", "log", -1, "", "", "")
PH = Outcome("ph", "pH", "", "identity", 0, "", "", "")
DAYS = Outcome("days_to_threshold", "time to the threshold", "days", "log", -1, "", "", "")
SCORE = Outcome("odour_score", "smell", "", "identity", 1, "", "", "")
OUTCOMES = {o.name: o for o in (DECAY, LOSS, CN, PH, DAYS, SCORE)}


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "browser: needs a Chromium and TRIALKIT_AXE, the path of axe.min.js")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Tests in a browser run where TRIALKIT_AXE names the checker; elsewhere they are not collected."""
    if os.environ.get("TRIALKIT_AXE"):
        return
    left = [item for item in items if item.get_closest_marker("browser") is not None]
    if left:
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if item not in left]


def _treatments() -> tuple[Treatment, ...]:
    return (
        Treatment("water only", "water", {}, {"water_l": 1.0}),
        Treatment("killed starter", "killed", {}, {"water_l": 1.0, "sugar_g": 100.0, "nitrogen_g": 2.3}),
        Treatment("live starter", "live", {}, {"water_l": 1.0, "sugar_g": 100.0, "nitrogen_g": 2.3}),
    )


def make_plan(**changes: Any) -> Plan:
    plan = Plan(
        control="water only",
        title="Does the culture shorten leaf composting?",
        question="Is the live culture faster than the same liquid killed?",
        start=date(2026, 10, 3),
        stated_on=date(2026, 9, 20),
        primary="decay_rate",
        layout=Layout(kind="blocks", seed=11, drawn="by seed"),
        treatments=_treatments(),
        declared=True,
        stated_before_data=True,
    )
    return replace(plan, **changes)


def make_trial(plan: Plan | None = None, **changes: Any) -> Trial:
    plan = plan or make_plan()
    bins = tuple(
        Bin(f"B{3 * block + arm + 1}", name, block=str(block + 1), code=f"K{3 * block + arm}")
        for block in range(4)
        for arm, name in enumerate(ARMS)
    )
    days = np.array([0.0, 7.0, 14.0, 28.0])
    place = np.repeat(np.arange(12), 4)
    day = np.tile(days, 12)
    rate = np.array([RATES[bins[p].treatment][int(bins[p].block or 1) - 1] for p in place])
    volume = 80.0 + 120.0 * np.exp(-rate * day)
    core = np.full(48, 40.0)
    core[5] = 66.5
    count = np.arange(48)
    readings = Readings(
        read_only(place.astype(np.intp)),
        read_only(day),
        {"volume_l": read_only(volume), "core_temp_c": read_only(core)},
        read_only(np.zeros(48, dtype=np.intp)),
        read_only((count + 2).astype(np.intp)),
        read_only(count.astype(np.intp)),
    )
    trial = Trial(
        folder="oakfield",
        plan=plan,
        bins=bins,
        readings=readings,
        findings=(
            Finding(
                "warning",
                "unlikely",
                "readings.csv",
                7,
                "core_temp_c",
                'found "66.5"',
                "expected 65 °C or less",
                "Check the probe.",
            ),
        ),
        sources=(Source("readings.csv", "a" * 64, 50),),
        rows_read=50,
        rows_used=48,
        set_aside=(
            SetAside("readings.csv", 50, "no measured value"),
            SetAside("readings.csv", 51, "after the bin was lost on day 20"),
        ),
    )
    return replace(trial, **changes)


def make_comparison(
    estimate: float,
    low: float | None,
    high: float | None,
    *,
    outcome: Outcome = DECAY,
    treatment: str = "live starter",
    against: str | None = "water only",
    kind: str | None = None,
    bins: tuple[int, int] = (4, 4),
    margin: tuple[float, float] | None = None,
    **changes: Any,
) -> Comparison:
    kind = kind or ("ratio" if outcome.scale == "log" else "difference")
    interval = Interval(low, high, 0.95, "multivariate t")
    inner = Interval(*(margin or (low, high)), 0.9, "multivariate t")
    alone = Interval(low, high, 0.95)
    comparison = Comparison(
        outcome=outcome, plan=make_plan(), treatment=treatment, against=against, kind=kind, estimate=estimate,  # type: ignore[arg-type]
        interval=interval, margin_interval=inner, alone=alone, margin_alone=Interval(inner.low, inner.high, 0.9),
        std_error=0.0146, df=6.0, p=0.0123, bins=bins, role="primary", method="least squares in strata",
    )  # fmt: skip
    return replace(comparison, **changes)


def make_claim(amount: float = 2.0, size: str = "times_as_fast", outcome: str = "decay_rate", **changes: Any) -> Claim:
    claim = Claim("at least twice as fast as water", "live starter", "water only", outcome, size, amount)  # type: ignore[arg-type]
    return replace(claim, **changes)


def make_verdict(call: str, comparison: Comparison | None, claim: Claim | None = None, **changes: Any) -> Verdict:
    verdict = Verdict(
        claim=claim or make_claim(),
        call=call,  # type: ignore[arg-type]
        comparison=comparison,
        interval=None if comparison is None else comparison.interval,
        margin_interval=None if comparison is None else comparison.margin_interval,
        beyond_no_effect=0,
        inside_margin=None,
        stated_before_data=True,
    )
    return replace(verdict, **changes)


def make_values(outcome: Outcome = DECAY, role: str = "primary", plan: Plan | None = None) -> BinValues:
    trial = make_trial(plan)
    values = tuple(
        BinValue(
            item.bin,
            item.treatment,
            RATES[item.treatment][int(item.block or 1) - 1],
            block=item.block,
            low=RATES[item.treatment][int(item.block or 1) - 1] * 0.95,
            high=RATES[item.treatment][int(item.block or 1) - 1] * 1.05,
            readings_used=4,
            rows=tuple(("readings.csv", 4 * place + line + 2) for line in range(4)),
            details={"v_end": 80.0},
        )
        for place, item in enumerate(trial.bins)
    )
    return BinValues(outcome, role, trial.plan, values, {"from": "volume_l", "end_level": "own"})  # type: ignore[arg-type]


def make_fit(values: BinValues | None = None, block_variance: float = 0.00797) -> Fit:
    """Three arms in four blocks; geometric means, mean squares and F as a hand calculation gives them."""
    values = values or make_values()
    means = np.log([0.03039705, 0.03442201, 0.03736071])
    gap = means[:, None] - means[None, :]
    error = np.where(np.eye(3, dtype=bool), np.nan, 0.0146342)
    return Fit(
        values=values,
        treatments=ARMS,
        method="least squares in strata",
        df_method="intra-block error",
        variances="common",
        means=read_only(means),
        mean_std_error=read_only(np.full(3, 0.0103)),
        mean_df=read_only(np.full(3, 6.0)),
        differences=read_only(gap),
        std_errors=read_only(error),
        df=read_only(np.where(np.eye(3, dtype=bool), np.nan, 6.0)),
        counts=read_only(np.full((3, 3), 4, dtype=np.intp)),
        covariance=None,
        components={"block": block_variance, "residual": 0.000428},
        f_test={"f": 100.740, "df_num": 2.0, "df_den": 6.0, "p": 2.4e-5},
        blocks_used=("1", "2", "3", "4"),
    )


def make_analysis(*, claims: bool = True, plan: Plan | None = None, **trial_changes: Any) -> Analysis:
    """The whole record: decay rate answered for two arms, one claim contradicted, dry-matter loss refused."""
    claim = make_claim()
    plan = plan or make_plan(claims=(claim,) if claims else ())
    trial = make_trial(plan, **trial_changes)
    values = make_values(plan=plan)
    killed = make_comparison(1.132413, 1.085953, 1.180861, treatment="killed starter", role=plan.role_of("decay_rate"))
    live = make_comparison(1.229090, 1.178663, 1.281674, role=plan.role_of("decay_rate"), p=0.0000123)
    refusal = Refusal("outcomes", ("No bin was weighed after the start.",), outcome="dry_matter_loss_pct")
    answers = (
        Answer("decay_rate", plan.role_of("decay_rate"), values, make_fit(values), (killed, live)),
        Answer("dry_matter_loss_pct", plan.role_of("dry_matter_loss_pct"), refusal, refusal, (refusal,)),
    )
    verdicts = (make_verdict("less_than_claimed", live, claim, beyond_no_effect=1),) if claims else ()
    return Analysis(trial, answers, verdicts, "0.1.0")


def make_repeats() -> tuple[Sensitivity, ...]:
    """Every block and three bins left out, the plain scale and the other variance rule, for the live starter."""
    pair = ("live starter", "water only")
    left = [("1", 1.21), ("2", 1.26), ("3", 1.23), ("4", 1.22), ("B1", 1.25), ("B3", 1.19), ("B6", 1.27)]
    rows = [
        Sensitivity("left out", name, *pair, estimate, estimate * 0.93, estimate * 1.07, "less_than_claimed")
        for name, estimate in left
    ]
    rows[5] = replace(rows[5], low=0.98, high=1.45, call="contradict")
    rows.append(Sensitivity("scale", "identity", *pair, 1.226, None, None))
    rows.append(Sensitivity("variances", "by treatment", *pair, 1.229, 1.16, 1.30, "less_than_claimed"))
    return tuple(rows)


def make_whole(**changes: Any) -> Analysis:
    """The hand-made analysis with repeats, shuffles and a whole effect taken apart."""
    analysis = make_analysis(**changes)
    answer = analysis.answers[0]
    killed, live = (
        replace(item, rerandomisation_p=p, rerandomisation_floor=0.125)
        for item, p in zip(answer.comparisons, (0.25, 0.125), strict=True)
        if isinstance(item, Comparison)
    )
    steps = (
        PartitionStep("carrier", "killed starter", "water only", 1.132413, 1.085953, 1.180861),
        PartitionStep("live organisms", "live starter", "killed starter", 1.085373, 1.040860, 1.131789),
    )
    total = PartitionStep("total", "live starter", "water only", 1.229090, 1.178663, 1.281674)
    answer = replace(
        answer,
        comparisons=(killed, live),
        sensitivity=make_repeats(),
        rerandomisation=Rerandomisation(0.0046296, 1 / 216, 1296, True),
        partition=Partition(DECAY, "ratio", steps, total, 0.95, "multivariate t"),
    )
    verdicts = tuple(replace(verdict, comparison=live) for verdict in analysis.verdicts)
    return replace(analysis, answers=(answer, *analysis.answers[1:]), verdicts=verdicts)


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    """The builders, for test modules that cannot import one another."""
    return SimpleNamespace(
        analysis=make_analysis, claim=make_claim, comparison=make_comparison, fit=make_fit, plan=make_plan,
        trial=make_trial, values=make_values, verdict=make_verdict, outcomes=OUTCOMES, whole=make_whole,
    )  # fmt: skip


def run_in_place(analysis: Analysis) -> Any:
    """The report notebook with its showing cells run here on a hand-made analysis, as a kernel would leave it."""
    import ast

    import nbformat
    from nbformat.v4 import new_output

    from trialkit import report
    from trialkit.shipped import shipped

    notebook = nbformat.read(str(shipped("templates") / "report.ipynb"), as_version=4)
    names = [cell.id for cell in notebook.cells]
    space: dict[str, Any] = {"report": report, "analysis": analysis, "fits": {}, "run": {}, "Fit": Fit}
    space["drawn"] = report.draw_figures(analysis)
    space |= {"trial": analysis.trial, "deviations_of": lambda _: None}  # nothing was registered
    for cell in notebook.cells[names.index("opening") : names.index("written")]:
        if cell.cell_type != "code":
            continue
        tree = ast.parse(cell.source)
        last = tree.body.pop()
        assert isinstance(last, ast.Expr)
        exec(compile(tree, cell.id, "exec"), space)
        shown = eval(compile(ast.Expression(last.value), cell.id, "eval"), space)
        data = {"text/html": shown._repr_html_(), "text/plain": repr(shown)}
        cell.outputs = [new_output("execute_result", data, execution_count=1)]
    return notebook


@pytest.fixture(scope="session")
def run_notebook() -> Any:
    """Runs the showing cells of the report notebook in this process."""
    return run_in_place
