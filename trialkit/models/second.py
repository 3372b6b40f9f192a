"""A second opinion on a fit from independent software, for the appendix: never the answer itself.

statsmodels fits the same model by its own code (least squares, or the mixed model with blocks random); pingouin gives
Hedges' g and two looks at the assumptions, on one value a bin. Neither decides anything.
"""

from __future__ import annotations

import warnings
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray

from trialkit.models.measured import Measured, measured
from trialkit.records import Fit, SecondOpinion


def second_opinions(fit: Fit) -> tuple[SecondOpinion, ...]:
    """What statsmodels and pingouin find on the same bin values, treatment by treatment against the control.

    Numbers are on the analysis scale. A fit that does not converge or warns is reported with its remark, never hidden.
    """
    if fit.method == "permutation":  # an order of bins has no model to set beside another
        return ()
    if fit.method == "draws":  # those libraries would need the bins that never finished to be left out
        return ()
    data = measured(fit.values)
    control = fit.values.plan.control
    if not isinstance(data, Measured) or control not in fit.treatments:
        return ()
    first = fit.treatments.index(control)
    others = [j for j in range(len(fit.treatments)) if j != first and np.isfinite(fit.differences[j, first])]
    if not others:
        return ()
    return (_statsmodels(fit, data, first, others), _pingouin(fit, data, first, others))


def _statsmodels(fit: Fit, data: Measured, first: int, others: list[int]) -> SecondOpinion:
    from statsmodels.regression.linear_model import OLS
    from statsmodels.regression.mixed_linear_model import MixedLM

    present = [first, *others]
    keep = np.isin(data.treatment, present)
    y, treatment, block = data.y[keep], data.treatment[keep], data.block[keep]
    x = np.column_stack([np.ones(len(y))] + [(treatment == j).astype(float) for j in others])
    kind_of_layout = fit.values.plan.layout.kind
    in_blocks = kind_of_layout == "blocks"
    groups, unit = block, "block"
    if kind_of_layout == "split plot":
        both = np.stack([block, data.whole_plot[keep]])
        groups, unit = np.unique(both, axis=1, return_inverse=True)[1].ravel(), "whole plot"
    fixed: tuple[NDArray[np.intp], ...] = {"latin square": (data.row, data.column), "split plot": (data.block,)}.get(
        kind_of_layout, ()
    )
    if kind_of_layout == "completely random" and len(data.sites) > 1:
        fixed = (data.site,)
    for codes in fixed:
        x = np.column_stack([x, *((codes[keep] == j).astype(float) for j in np.unique(codes[keep])[1:])])
    remarks: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        if in_blocks or kind_of_layout == "split plot":
            # bfgs: the default search of that library fails on many small trials
            result = MixedLM(y, x, groups=groups).fit(reml=True, method="bfgs")
            estimates = np.asarray(result.fe_params)
            variances = {unit: float(np.asarray(result.cov_re)[0, 0]), "residual": float(result.scale)}
            kind = f"mixed model, {unit}s random, REML"
            if not result.converged:
                remarks.append("Its search did not converge; its numbers are not to be relied on.")
        else:
            result = OLS(y, x).fit()
            estimates = np.asarray(result.params)
            variances = {"residual": float(result.mse_resid)}
            kind = "least squares"
    remarks += sorted({f"It warned: {str(item.message).splitlines()[0]}" for item in caught})
    rows: list[tuple[str, float | None, float]] = [
        (
            f"{fit.treatments[j]} minus {fit.treatments[first]}",
            float(fit.differences[j, first]),
            float(estimates[i + 1]),
        )
        for i, j in enumerate(others)
    ]
    rows += [(f"variance {name}", fit.components.get(name), value) for name, value in variances.items()]
    if in_blocks:
        remarks.append(
            "With every bin there, both estimate the same differences; with bins lost they weigh blocks differently."
        )
    return SecondOpinion(
        fit.values.outcome.name, f"statsmodels {version('statsmodels')}", kind, tuple(rows), tuple(remarks)
    )


def _pingouin(fit: Fit, data: Measured, first: int, others: list[int]) -> SecondOpinion:
    import pingouin

    rows: list[tuple[str, float | None, float]] = []
    remarks: list[str] = []
    base = data.y[data.treatment == first]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of few values; the remark below says so in words
        for j in others:
            arm = data.y[data.treatment == j]
            if min(len(arm), len(base)) < 2:
                continue
            g = float(pingouin.compute_effsize(arm, base, eftype="hedges"))
            low, high = pingouin.compute_esci(stat=g, nx=len(arm), ny=len(base), eftype="hedges", decimals=6)
            name = f"{fit.treatments[j]} against {fit.treatments[first]}"
            rows += [
                (f"Hedges' g, {name}", None, g),
                (f"Hedges' g, {name}, low", None, float(low)),
                (f"Hedges' g, {name}, high", None, float(high)),
            ]
        residuals = _residuals(data)
        if len(residuals) >= 4 and np.ptp(residuals) > 0:
            rows.append(
                ("p of normal residuals (Shapiro–Wilk)", None, float(_cell(pingouin.normality(residuals), "pval")))
            )
        groups = [data.y[data.treatment == j] for j in [first, *others]]
        if len(groups) > 1 and all(len(group) >= 3 and np.ptp(group) > 0 for group in groups):
            table = pingouin.homoscedasticity(groups, method="levene")
            rows.append(("p of equal variances (Levene)", None, float(_cell(table, "pval"))))
    remarks.append("Hedges' g sets blocks aside. With so few bins neither test can show that an assumption holds.")
    kind = "effect size and assumptions, one value a bin"
    return SecondOpinion(fit.values.outcome.name, f"pingouin {version('pingouin')}", kind, tuple(rows), tuple(remarks))


def _cell(table: object, column: str) -> float:
    """A cell of a one-row result; column names of that library differ by a hyphen or underscore between versions."""
    frame = table.rename(columns=lambda name: name.replace("_", "").replace("-", ""))  # type: ignore[attr-defined]
    return float(frame[column].iloc[0])


def _residuals(data: Measured) -> NDArray[np.float64]:
    """What treatments and blocks leave over (n,), by least squares."""
    columns = [(data.treatment == j).astype(float) for j in np.unique(data.treatment)]
    columns += [(data.block == j).astype(float) for j in np.unique(data.block)[1:]]
    x = np.column_stack(columns)
    return np.asarray(data.y - x @ np.linalg.lstsq(x, data.y, rcond=None)[0])
