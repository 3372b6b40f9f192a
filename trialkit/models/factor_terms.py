"""Treatments that are factors crossed completely: what each factor does, and how factors act together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError
from trialkit.models.measured import Measured, listed
from trialkit.numerics.factorial import (
    TermRows,
    can_be_estimated,
    covariance_of,
    is_crossed,
    term_f,
    terms_of,
    weighted,
)
from trialkit.numerics.kenward_roger import SmallSample, contrast_estimates, df_with_one_inside
from trialkit.records import FactorTerm, read_only

Array = NDArray[np.float64]
_FEWEST_PAIRS = 2


@dataclass(frozen=True, eq=False)
class Crossing:
    """``factors`` names; ``levels`` the level names of each; ``codes`` (T, F) of the treatments; ``reference`` the
    level of each that the others are compared with: the control's, or the first."""

    factors: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]
    codes: NDArray[np.intp]
    reference: tuple[int, ...]

    @property
    def terms(self) -> tuple[TermRows, ...]:
        return terms_of(self.codes, self.reference)


def crossing_of(found: Measured) -> Crossing | None:
    """The factors of the plan's treatments; None where they are not crossed completely."""
    given = {item.name: item.factors for item in found.values.plan.treatments}
    if not all(given.get(name) for name in found.treatments):
        return None
    factors = tuple(given[found.treatments[0]])
    if any(set(given[name]) != set(factors) for name in found.treatments):
        return None
    levels = tuple(tuple(dict.fromkeys(given[name][factor] for name in found.treatments)) for factor in factors)
    codes = np.array(
        [
            [own.index(given[name][factor]) for factor, own in zip(factors, levels, strict=True)]
            for name in found.treatments
        ],
        dtype=np.intp,
    )
    if not is_crossed(codes):
        return None
    control = found.values.plan.control
    first = found.treatments.index(control) if control in found.treatments else 0
    return Crossing(factors, levels, read_only(codes), tuple(codes[first].tolist()))


def common_terms(
    found: Measured,
    crossing: Crossing,
    component: NDArray[np.intp],
    means: Array,
    covariance: Array,
    df: float,
    *,
    without: Sequence[str] = (),
    stratum: str = "bins",
    small: tuple[SmallSample, NDArray[np.intp]] | None = None,
    few: bool = False,
) -> tuple[FactorTerm, ...]:
    """Every term on one residual variance; main effects of the factors in ``without`` are told elsewhere.

    component, means (T,), covariance (T, T): of the strata the treatments are compared in. small: for terms that
    coincide with blocks, what a fit with blocks random knows, and the treatments that are its coefficients. few: one
    degree of freedom is left inside blocks.
    """
    made = []
    for term in crossing.terms:
        names = tuple(crossing.factors[k] for k in term.factors)
        if len(names) == 1 and names[0] in without:
            continue
        if df >= 1 and np.all(can_be_estimated(term.test_rows, component)):
            spread = covariance_of(term.rows, covariance)
            std_error = np.sqrt(np.diag(spread))
            test = term_f(term.test_rows, means, covariance, df)
            made.append(
                FactorTerm(
                    names,
                    *_labels(crossing, term),
                    estimate=read_only(weighted(term.rows, means)),
                    std_error=read_only(std_error),
                    df=read_only(np.full(std_error.size, float(df))),
                    correlation=read_only(_rounded(spread / np.outer(std_error, std_error))),
                    bins=_bins(found, term),
                    stratum=stratum,
                    f_test={"f": test.f, "df_num": float(test.df_num), "df_den": float(test.df_den), "p": test.p},
                )
            )
            continue
        made.append(_between_blocks(found, crossing, term, small, few) or _refused(found, crossing, term))
    return tuple(made)


def apart_terms(found: Measured, crossing: Crossing, means: Array, variances: Array) -> tuple[FactorTerm, ...]:
    """Every term with a variance for each treatment, completely random: Satterthwaite over all treatments that enter.

    means, variances: (T,) of each treatment's own bins.
    """
    bins = found.bins_per_treatment
    made = []
    for term in crossing.terms:
        used = np.any(term.test_rows != 0.0, axis=0)
        if np.any(bins[used] < 2):
            made.append(_refused(found, crossing, term))
            continue
        share = term.rows[:, used] ** 2 * (variances[used] / bins[used])
        total = share.sum(axis=1)
        df = np.divide(
            total**2, np.sum(share**2 / (bins[used] - 1.0), axis=1), out=np.full(total.size, np.nan), where=total > 0.0
        )
        made.append(_own_variances(found, crossing, term, weighted(term.rows, means), np.sqrt(total), df))
    return tuple(made)


def paired_terms(found: Measured, crossing: Crossing) -> tuple[FactorTerm, ...]:
    """Every term as one difference a block, from the blocks that hold all treatments it needs; blocks − 1 df."""
    cells = np.full((len(found.blocks), len(found.treatments)), np.nan)
    for j in range(len(found.blocks)):
        for i in range(len(found.treatments)):
            here = (found.block == j) & (found.treatment == i)
            if here.any():
                cells[j, i] = found.y[here].mean()
    made = []
    for term in crossing.terms:
        used = np.any(term.test_rows != 0.0, axis=0)
        complete = np.all(np.isfinite(cells[:, used]), axis=1)
        pairs = int(complete.sum())
        if pairs < _FEWEST_PAIRS:
            made.append(_refused(found, crossing, term))
            continue
        each = term.rows[:, used] @ cells[np.ix_(complete, used)].T
        std_error = np.sqrt(each.var(axis=1, ddof=1) / pairs)
        made.append(
            _own_variances(found, crossing, term, each.mean(axis=1), std_error, np.full(len(each), pairs - 1.0))
        )
    return tuple(made)


def whole_plot_term(
    factor: str,
    levels: Sequence[str],
    reference: int,
    estimate: Array,
    std_error: Array,
    df: int,
    correlation: Array,
    bins: NDArray[np.intp],
    f_test: dict[str, float],
) -> FactorTerm:
    """The factor set per whole plot, judged by whole plots. All (K,) over the levels other than the reference."""
    others = [level for k, level in enumerate(levels) if k != reference]
    return FactorTerm(
        (factor,),
        tuple(f"{factor}: {level}" for level in others),
        (f"{factor}: {levels[reference]}",) * len(others),
        estimate=read_only(estimate),
        std_error=read_only(std_error),
        df=read_only(np.full(len(others), float(df))),
        correlation=read_only(_rounded(correlation)),
        bins=read_only(bins),
        stratum="whole plots",
        f_test=f_test,
    )


def refused_term(factors: tuple[str, ...], reason: str, stratum: str = "bins") -> FactorTerm:
    """A term that cannot be told, with its sentence."""
    nothing = read_only(np.zeros(0))
    return FactorTerm(
        factors,
        (),
        (),
        nothing,
        nothing,
        nothing,
        None,
        read_only(np.zeros((0, 2), dtype=np.intp)),
        stratum,
        None,
        reason,
    )


def _labels(crossing: Crossing, term: TermRows) -> tuple[tuple[str, ...], tuple[str, ...]]:
    names = [crossing.factors[k] for k in term.factors]
    levels, reference = [crossing.levels[k] for k in term.factors], [crossing.reference[k] for k in term.factors]
    if len(names) == 1:
        labels = tuple(f"{names[0]}: {levels[0][k]}" for k in term.level)
        return labels, (f"{names[0]}: {levels[0][reference[0]]}",) * len(labels)
    if term.rows.shape[0] == 0:
        return (), ()
    what = f"effect of {names[0]}" if len(names) == 2 else f"interaction of {names[0]} and {names[1]}"
    second, first = levels[-1][1 - reference[-1]], levels[-1][reference[-1]]
    return (f"{what} at {names[-1]}: {second}",), (f"{what} at {names[-1]}: {first}",)


def _own_variances(
    found: Measured, crossing: Crossing, term: TermRows, estimate: Array, std_error: Array, df: Array
) -> FactorTerm:
    names = tuple(crossing.factors[k] for k in term.factors)
    if estimate.size and not np.all(std_error > 0.0):
        return refused_term(names, f"The bins show no spread to judge {_named(names)} by.")
    return FactorTerm(
        names,
        *_labels(crossing, term),
        estimate=read_only(estimate),
        std_error=read_only(std_error),
        df=read_only(df),
        correlation=None,
        bins=_bins(found, term),
    )


def _between_blocks(
    found: Measured, crossing: Crossing, term: TermRows, small: tuple[SmallSample, NDArray[np.intp]] | None, few: bool
) -> FactorTerm | None:
    if small is None or not term.rows.shape[0]:
        return None
    known, present = small
    if np.any(term.rows[:, np.setdiff1d(np.arange(len(found.treatments)), present)]):
        return None
    try:
        estimates = contrast_estimates(known, term.rows[:, present])
    except DesignError:  # too few degrees of freedom
        return None
    df = np.array([one.df for one in estimates])
    return _own_variances(
        found,
        crossing,
        term,
        np.array([one.estimate for one in estimates]),
        np.array([one.std_error for one in estimates]),
        df_with_one_inside(df) if few else df,
    )


def _refused(found: Measured, crossing: Crossing, term: TermRows) -> FactorTerm:
    names = tuple(crossing.factors[k] for k in term.factors)
    used = np.any(term.test_rows != 0.0, axis=0)
    empty = [name for k, name in enumerate(found.treatments) if used[k] and found.bins_per_treatment[k] == 0]
    what = _named(names)
    if empty:
        return refused_term(
            names,
            f"{what[0].upper()}{what[1:]} is an average over all combinations of the factors, and no bin of "
            f"{listed(empty)} has a value of {found.values.outcome.label}.",
        )
    return refused_term(
        names,
        f"{what[0].upper()}{what[1:]} cannot be told from what blocks, rows, columns or whole plots differ by in these "
        "bins, or too few bins are left to show how much bins treated alike differ.",
    )


def _named(names: tuple[str, ...]) -> str:
    return f"the effect of {names[0]}" if len(names) == 1 else f"the interaction of {listed(names)}"


def _bins(found: Measured, term: TermRows) -> NDArray[np.intp]:
    each = found.bins_per_treatment
    return read_only(
        np.array([[each[row > 0].sum(), each[row < 0].sum()] for row in term.rows], dtype=np.intp).reshape(-1, 2)
    )


def _rounded(correlation: Array) -> Array:
    clean = np.clip(0.5 * (correlation + correlation.T), -1.0, 1.0)
    np.fill_diagonal(clean, 1.0)
    return np.asarray(clean)
