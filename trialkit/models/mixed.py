"""The general mixed model for any tidy table: REML, Kenward–Roger standard errors and degrees of freedom.

y = Xβ + Σ_j Z_j u_j + e, every u_j and e normal and independent, with the variances that `random` names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from trialkit.errors import DesignError, nearest_name
from trialkit.models.mixed_columns import (
    RandomSlopes,
    Table,
    as_random,
    as_term,
    as_terms,
    design_variance,
    label_of,
    random_labels,
    slope_group,
    variables_of,
)
from trialkit.numerics.design_matrix import Factor, FixedDesign, Slope, fixed_design, shown
from trialkit.numerics.kenward_roger import SmallSample, TermTest, contrast_estimates, joint_test, small_sample
from trialkit.numerics.reml import RemlFit, fit_reml
from trialkit.numerics.simultaneous import simultaneous_p, simultaneous_quantile
from trialkit.numerics.variance_structures import variance_structure

Array = NDArray[np.float64]
Setting = Mapping[str, Any]


@dataclass(frozen=True)
class MarginalMean:
    """Mean response at a setting, in the unit of the response."""

    label: str
    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class Difference:
    """First minus second, as `label` says. The limits and p carry the same adjustment."""

    label: str
    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    level: float
    p: float
    adjustment: Literal["none", "multivariate t", "bonferroni"] = "none"


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model. Everything it answers uses Kenward–Roger; what it cannot answer raises DesignError.

    components: variances (and covariances of slopes) by name, in squared units of the response.
    log_likelihood: REML, factors coded sum-to-zero. coefficients: β by name; covariance (p, p): theirs, adjusted
    for small samples. terms: "factor" or "slope" for each column of the fixed terms. at_bound: a variance is
    zero or at the edge of its domain. min_eigenvalue: smallest eigenvalue of V/σ². information_condition: how
    well these rows separate the variances (1 perfectly, above 1e8 refused). level: of every interval.
    """

    components: Mapping[str, float]
    log_likelihood: float
    coefficients: Mapping[str, float]
    covariance: Array
    terms: Mapping[str, str]
    bounded: bool
    at_bound: bool
    min_eigenvalue: float
    information_condition: float
    converged: bool
    level: float
    rows: int
    design: FixedDesign
    reml: RemlFit
    small: SmallSample
    one_residual_variance: bool

    def test(self, term: Sequence[str] | str) -> TermTest:
        """Marginal F test of a fixed term (sum-to-zero coding): f, df_num, df_den, p."""
        wanted = as_term("test", term)
        found = [known for known in self.design.terms if set(known) == set(wanted)]
        if not found:
            allowed = ", ".join(shown(known) for known in self.design.terms) or "none: there is only the intercept"
            raise DesignError(f"test: found {shown(wanted)}; expected one of the fixed terms: {allowed}.")
        return joint_test(self.small, np.eye(self.design.x.shape[1])[self.design.columns[found[0]]])

    def mean(self, setting: Setting) -> MarginalMean:
        """Mean at a setting such as {"nitrogen": "0.2"}: averaged equally over the levels of the other
        factors, slopes at their average in the data."""
        return self._means([_described(setting)], self._row("mean", setting)[None])[0]

    def difference(self, first: Setting, second: Setting) -> Difference:
        """First setting minus second, averaged equally over the factors that neither names; not adjusted."""
        row = self._row("difference", first) - self._row("difference", second)
        return self._alone([f"{_described(first)} − {_described(second)}"], row[None])[0]

    def means(self, factor: str) -> tuple[MarginalMean, ...]:
        """Marginal mean of each level, in the order of the levels."""
        levels, rows = self._level_rows("means", factor)
        return self._means([f"{factor} {level}" for level in levels], rows)

    def pairs(self, factor: str) -> tuple[Difference, ...]:
        """Every later level minus every earlier one, not adjusted."""
        levels, rows = self._level_rows("pairs", factor)
        order = [(j, i) for j in range(len(levels)) for i in range(j)]
        labels = [f"{levels[j]} − {levels[i]}" for j, i in order]
        return self._alone(labels, np.array([rows[j] - rows[i] for j, i in order]))

    def compare(self, factor: str, first: Any = None) -> tuple[Difference, ...]:
        """Every level minus one of them (`first`; by default the first level), with limits and p that hold
        for all together.

        Multivariate t at each comparison's own df where all share one residual variance; Bonferroni where the
        residual variance differs between groups of rows.
        """
        levels, rows = self._level_rows("compare", factor)
        base = 0 if first is None else self._level("compare", factor, first)
        labels = [f"{level} − {levels[base]}" for k, level in enumerate(levels) if k != base]
        rows = np.array([row - rows[base] for k, row in enumerate(rows) if k != base])
        if not self.one_residual_variance:
            return self._alone(labels, rows, family=len(labels))
        found = contrast_estimates(self.small, rows)
        covariance = rows @ self.small.adjusted @ rows.T
        size = np.sqrt(covariance.diagonal())
        correlation = covariance / (size[:, None] * size)
        np.fill_diagonal(correlation, 1.0)
        df = np.array([one.df for one in found])
        quantiles = np.asarray(simultaneous_quantile(self.level, df, correlation))
        adjusted = simultaneous_p([one.estimate / one.std_error for one in found], df, correlation)
        return tuple(
            Difference(
                label,
                one.estimate,
                one.std_error,
                one.df,
                one.estimate - q * one.std_error,
                one.estimate + q * one.std_error,
                self.level,
                p,
                "multivariate t" if len(found) > 1 else "none",
            )
            for label, one, q, p in zip(labels, found, quantiles.tolist(), adjusted.tolist(), strict=True)
        )

    def _means(self, labels: Sequence[str], rows: Array) -> tuple[MarginalMean, ...]:
        made = []
        for label, found in zip(labels, contrast_estimates(self.small, rows), strict=True):
            half = _quantile(self.level, found.df) * found.std_error
            low, high = found.estimate - half, found.estimate + half
            made.append(MarginalMean(label, found.estimate, found.std_error, found.df, low, high, self.level))
        return tuple(made)

    def _alone(self, labels: Sequence[str], rows: Array, family: int = 1) -> tuple[Difference, ...]:
        """Each difference by itself; with a larger `family`, Bonferroni for that many."""
        made = []
        for label, found in zip(labels, contrast_estimates(self.small, rows), strict=True):
            half = _quantile(1.0 - (1.0 - self.level) / family, found.df) * found.std_error
            made.append(
                Difference(
                    label,
                    found.estimate,
                    found.std_error,
                    found.df,
                    found.estimate - half,
                    found.estimate + half,
                    self.level,
                    min(1.0, 2.0 * family * _tail(abs(found.estimate) / found.std_error, found.df)),
                    "bonferroni" if family > 1 else "none",
                )
            )
        return tuple(made)

    def _level_rows(self, use: str, factor: str) -> tuple[tuple[str, ...], Array]:
        levels = self._factor(use, factor).levels
        return levels, self.design.level_rows(factor)

    def _factor(self, use: str, name: str) -> Factor:
        variable = self._variable(use, name)
        if isinstance(variable, Slope):
            raise DesignError(f'{use}: "{name}" is a slope; expected a factor. Name it in `factors` to make one of it.')
        return variable

    def _variable(self, use: str, name: object) -> Factor | Slope:
        known = list(self.design.variables)
        if name not in known:
            near = nearest_name(str(name), known)
            hint = f' Nearest is "{near}".' if near else ""
            allowed = ", ".join(known) or "none: there is only the intercept"
            raise DesignError(f'{use}: found "{name}"; expected a column of the fixed terms: {allowed}.{hint}')
        return self.design.variables[str(name)]

    def _level(self, use: str, name: str, value: Any) -> int:
        levels = self._factor(use, name).levels
        label = label_of(value)
        if label not in levels:
            near = nearest_name(label, levels)
            hint = f' Nearest is "{near}".' if near else ""
            raise DesignError(f'{use}: {name}: found "{label}"; expected one of {", ".join(levels)}.{hint}')
        return levels.index(label)

    def _row(self, use: str, setting: Setting) -> Array:
        coded: dict[str, int | float] = {}
        for name, value in setting.items():
            if isinstance(self._variable(use, name), Factor):
                coded[name] = self._level(use, name, value)
            elif isinstance(value, bool | str) or not np.isfinite(value):
                raise DesignError(f'{use}: {name}: found "{value}"; expected a number, "{name}" being a slope.')
            else:
                coded[name] = float(value)
        return self.design.row(coded)


def fit_mixed(
    frame: Any,
    *,
    response: str,
    fixed: Sequence[Any],
    random: Sequence[Any] = (),
    bounded: bool = False,
    serial: Mapping[str, Any] | None = None,
    known_variance: str | ArrayLike | None = None,
    residual_by: str | None = None,
    factors: Sequence[str] = (),
    level: float = 0.95,
) -> MixedFit:
    """Fit a mixed model to a table by REML.

    frame: a data frame, or a mapping from names to columns; n rows. response: a column of numbers. fixed: terms,
    each a list of columns (["variety", "nitrogen"] is their interaction) or one name; the intercept is there
    already. random: terms of which each combination of levels gets a value of one common variance, or
    {"within": ["subject"], "slopes": ["days"]}: an intercept and slopes with a free covariance. bounded: keep
    design variances at or above zero (see `numerics.reml.fit_reml` for when they may be negative).
    known_variance: a column, or (n,) numbers, of variances that each row has beside the others. residual_by: one
    residual variance for each value of that column. factors: number columns to be taken as factors.

    DesignError, telling all column problems at once: unknown or incomplete columns, terms that cannot be
    estimated, nothing left to estimate error from, `serial`, which is not available yet.
    Columns are looked up by name; nothing in a name is evaluated.
    """
    if serial is not None:
        raise DesignError("serial: correlation between successive readings is not available yet; leave it out.")
    if not isinstance(level, float) or not 0.0 < level < 1.0:
        raise DesignError(f"level: found {level!r}; expected a number between 0 and 1, such as 0.95.")
    terms = as_terms("fixed", fixed)
    pieces = as_random(random)
    if isinstance(factors, str):
        raise DesignError(f'factors: found "{factors}"; expected a list of column names such as ["{factors}"].')
    table = Table(frame)
    table.require(_wanted(response, terms, pieces, known_variance, residual_by, factors))
    _check_uses(response, terms, pieces, factors)
    y = table.numbers("response", response)
    variables = variables_of(table, terms, factors)
    design = fixed_design(table.rows, terms, variables)
    random_terms = [piece for piece in pieces if not isinstance(piece, RandomSlopes)]
    labels = random_labels(random_terms)
    residual = None if residual_by is None else table.factor(residual_by)
    residual_names = ("residual",) if residual is None else tuple(f"residual of {v}" for v in residual.levels)
    structure = variance_structure(
        table.rows,
        design=[design_variance(table, name, term) for name, term in zip(labels, random_terms, strict=True)],
        slopes=[slope_group(table, piece) for piece in pieces if isinstance(piece, RandomSlopes)],
        residual_codes=None if residual is None else residual.codes,
        residual_names=residual_names,
        known=_known(table, known_variance),
    )
    if len(set(structure.names)) < len(structure.names):
        raise DesignError('random: two variances have the same name; name each random term once, none "residual".')
    reml = fit_reml(y, design.x, structure, bounded=bounded)
    small = small_sample(reml)
    return MixedFit(
        components=dict(zip(structure.names, reml.theta.tolist(), strict=True)),
        log_likelihood=reml.log_likelihood,
        coefficients=dict(zip(design.names, reml.beta.tolist(), strict=True)),
        covariance=small.adjusted,
        terms={name: "factor" if isinstance(v, Factor) else "slope" for name, v in variables.items()},
        bounded=bounded,
        at_bound=reml.at_bound,
        min_eigenvalue=reml.min_eigenvalue,
        information_condition=reml.information_condition,
        converged=reml.converged,
        level=level,
        rows=table.rows,
        design=design,
        reml=reml,
        small=small,
        one_residual_variance=residual is None and known_variance is None,
    )


def _wanted(
    response: str,
    terms: Sequence[tuple[str, ...]],
    pieces: Sequence[tuple[str, ...] | RandomSlopes],
    known_variance: object,
    residual_by: str | None,
    factors: Sequence[str],
) -> list[tuple[str, str]]:
    """Every (use, column) that the call names."""
    wanted = [("response", response)]
    wanted += [("fixed", name) for term in terms for name in term]
    for piece in pieces:
        names = (*piece.within, *piece.slopes) if isinstance(piece, RandomSlopes) else piece
        wanted += [("random", name) for name in names]
    if isinstance(known_variance, str):
        wanted.append(("known_variance", known_variance))
    if residual_by is not None:
        wanted.append(("residual_by", residual_by))
    return wanted + [("factors", name) for name in factors]


def _check_uses(
    response: str,
    terms: Sequence[tuple[str, ...]],
    pieces: Sequence[tuple[str, ...] | RandomSlopes],
    factors: Sequence[str],
) -> None:
    used = {name for term in terms for name in term}
    for piece in pieces:
        used |= {*piece.within, *piece.slopes} if isinstance(piece, RandomSlopes) else set(piece)
    if response in used:
        raise DesignError(f'response: "{response}" also stands among the terms; a column cannot explain itself.')
    idle = [name for name in factors if name not in used]
    if idle:
        raise DesignError(f"factors: {shown(idle)} stands in no term. Leave it out of `factors`.")


def _known(table: Table, known_variance: str | ArrayLike | None) -> Array | None:
    if known_variance is None:
        return None
    if isinstance(known_variance, str):
        values = table.numbers("known_variance", known_variance)
    else:
        values = np.asarray(known_variance, dtype=float)
        if values.shape != (table.rows,):
            raise DesignError(
                f"known_variance: found shape {values.shape}; expected one number for each of {table.rows} rows."
            )
    if not np.all(np.isfinite(values)) or np.any(values < 0.0):
        raise DesignError("known_variance: expected finite numbers of at least 0 in every row.")
    return values


def _described(setting: Setting) -> str:
    return ", ".join(f"{name} {label_of(value)}" for name, value in setting.items()) or "overall"


def _quantile(level: float, df: float) -> float:
    probability = 0.5 + 0.5 * level
    return float(special.ndtri(probability) if df == math.inf else special.stdtrit(df, probability))


def _tail(value: float, df: float) -> float:
    return float(special.ndtr(-value) if df == math.inf else special.stdtr(df, -value))
