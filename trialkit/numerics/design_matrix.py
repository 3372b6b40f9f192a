"""Design matrices from columns: factors coded sum-to-zero, slopes as they are; no formula text.

A term is a tuple of variable names. Its columns are the products of its variables' columns: L − 1 for a factor
of L levels (level k has 1 in column k, the last level −1 everywhere), one for a slope. The intercept
comes first. With this coding a zero in a factor's columns means "averaged equally over its levels".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from trialkit.errors import DesignError

Array = NDArray[np.float64]
Term = tuple[str, ...]

_RANK_TOLERANCE = 1e-10
_CLEARLY_INDEPENDENT = 1e-4  # its square stands far above rounding, so that a Cholesky factor can vouch for it


@dataclass(frozen=True, eq=False)
class Factor:
    """Named levels in order, and codes (n,): each row's position among them."""

    name: str
    levels: tuple[str, ...]
    codes: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Slope:
    """A number per row, values (n,); where nothing else is asked, comparisons are made at its average."""

    name: str
    values: Array

    @property
    def average(self) -> float:
        return float(self.values.mean())


@dataclass(frozen=True, eq=False)
class FixedDesign:
    """x (n, p), a name a column, and for each term where its columns stand."""

    x: Array
    names: tuple[str, ...]
    terms: tuple[Term, ...]
    columns: Mapping[Term, slice]
    variables: Mapping[str, Factor | Slope]

    def row(self, setting: Mapping[str, int | float]) -> Array:
        """Coefficients (p,) of the mean at a setting: a level's position for a factor, a value for a slope.

        Factors that are not named are averaged equally over their levels, slopes taken at their average.
        """
        row = np.zeros(self.x.shape[1])
        row[0] = 1.0
        for term in self.terms:
            if all(name in setting or isinstance(self.variables[name], Slope) for name in term):
                product = np.ones(1)
                for name in term:
                    product = np.outer(product, self._coded(name, setting)).ravel()
                row[self.columns[term]] = product
        return row

    def level_rows(self, factor: str) -> Array:
        """`row` for each level of one factor (levels, p). Not to be written to."""
        if factor not in self._rows_of_levels:
            self._rows_of_levels[factor] = self._made_level_rows(factor)
        return self._rows_of_levels[factor]

    @cached_property
    def _rows_of_levels(self) -> dict[str, Array]:
        """Means, pairs and comparisons of one factor ask for the same rows."""
        return {}

    def _made_level_rows(self, factor: str) -> Array:
        count = len(self._factor(factor).levels)
        rows = np.zeros((count, self.x.shape[1]))
        rows[:, 0] = 1.0
        for term in self.terms:
            others = [self.variables[name] for name in term if name != factor]
            slopes = [variable for variable in others if isinstance(variable, Slope)]
            if len(slopes) < len(others):
                continue  # averaged equally over the levels of another factor: zero
            average = math.prod(slope.average for slope in slopes)
            rows[:, self.columns[term]] = average if len(others) == len(term) else average * sum_to_zero(count)
        rows.setflags(write=False)
        return rows

    def _factor(self, name: str) -> Factor:
        variable = self.variables[name]
        if not isinstance(variable, Factor):
            raise ValueError(f"{name}: expected a factor.")
        return variable

    def _coded(self, name: str, setting: Mapping[str, int | float]) -> Array:
        variable = self.variables[name]
        if isinstance(variable, Slope):
            return np.array([float(setting.get(name, variable.average))])
        return np.asarray(sum_to_zero(len(variable.levels))[int(setting[name])])


@lru_cache(maxsize=64)
def sum_to_zero(levels: int) -> Array:
    """(levels, levels − 1): identity, then a last row of −1. Not to be written to."""
    coding = np.eye(levels, levels - 1)
    coding[-1] = -1.0
    coding.setflags(write=False)
    return coding


def fixed_design(rows: int, terms: Sequence[Term], variables: Mapping[str, Factor | Slope]) -> FixedDesign:
    """Intercept and terms, in order, for n = `rows` rows.

    DesignError: a term twice, a variable twice in a term, a factor with a single level, an interaction
    without the terms inside it (its test would depend on the coding), or columns that are not independent,
    in which case the combinations without rows are named.
    """
    _check_terms(terms, variables)
    blocks = [np.ones((rows, 1))]
    names = ["intercept"]
    columns: dict[Term, slice] = {}
    place = 1
    for term in terms:
        block, labels = _columns_of(variables[term[0]])
        for name in term[1:]:
            coded, own = _columns_of(variables[name])
            block = (block[:, :, None] * coded[:, None, :]).reshape(rows, -1)
            labels = [f"{left} × {right}" for left in labels for right in own]
        blocks.append(block)
        names += labels
        columns[term] = slice(place, place + block.shape[1])
        place += block.shape[1]
    x = np.concatenate(blocks, axis=1)
    design = FixedDesign(x, tuple(names), tuple(terms), columns, dict(variables))
    _check_rank(design)
    return design


def _columns_of(variable: Factor | Slope) -> tuple[Array, list[str]]:
    if isinstance(variable, Slope):
        return variable.values[:, None], [variable.name]
    coded = sum_to_zero(len(variable.levels))[variable.codes]
    return coded, [f"{variable.name} {level}" for level in variable.levels[:-1]]


def _check_terms(terms: Sequence[Term], variables: Mapping[str, Factor | Slope]) -> None:
    present: set[frozenset[str]] = {frozenset(term) for term in terms} | {frozenset()}
    if len(present) != len(terms) + 1:
        raise DesignError("fixed: the same term stands there twice, or an empty one; name each term once.")
    for term in terms:
        if len(set(term)) != len(term):
            raise DesignError(f"fixed: {shown(term)} names a column twice; name each column of a term once.")
        for name in term:
            variable = variables[name]
            if isinstance(variable, Factor) and len(variable.levels) < 2:
                raise DesignError(
                    f'fixed: "{name}" has a single level, "{variable.levels[0]}"; a factor needs at least two. '
                    "Leave it out."
                )
            inner = tuple(other for other in term if other != name)
            if isinstance(variable, Factor) and frozenset(inner) not in present:
                raise DesignError(
                    f"fixed: found {shown(term)} without {shown(inner)}; an interaction is tested beside the "
                    f"terms inside it. Add {shown(inner)}."
                )


def _check_rank(design: FixedDesign) -> None:
    x = design.x
    p = x.shape[1]
    products = x.T @ x
    size = np.sqrt(products.diagonal())
    size[size == 0.0] = 1.0
    # The Cholesky factor is the triangle of QR at half its digits: enough for all but nearly dependent columns.
    triangle, failed = linalg.lapack.dpotrf(products / (size[:, None] * size))
    if not failed and triangle.diagonal().min() > _CLEARLY_INDEPENDENT:
        return
    scaled = x / size
    triangle = np.linalg.qr(scaled, mode="r")
    if x.shape[0] >= p and np.min(np.abs(np.diag(triangle))) > _RANK_TOLERANCE:
        return
    singular = np.linalg.svd(scaled, compute_uv=False)
    empty = [text for term in design.terms for text in _empty_cells(term, design.variables)]
    if empty:
        some = ", ".join(empty[:6]) + (f" and {len(empty) - 6} more" if len(empty) > 6 else "")
        raise DesignError(
            f"fixed: no row has {some}, so the interaction cannot be estimated. Leave the interaction out, or "
            "make one factor of the combinations that were used."
        )
    rank = int(np.sum(singular > _RANK_TOLERANCE * singular[0]))
    guilty = [shown(term) for term in design.terms if _is_redundant(design, term, rank)]
    raise DesignError(
        f"fixed: the terms have {p} coefficients but the rows can separate only {rank}; "
        f"{' and '.join(guilty) or 'the terms'} say the same thing in these rows. Leave one of them out."
    )


def _is_redundant(design: FixedDesign, term: Term, rank: int) -> bool:
    kept = np.delete(design.x, design.columns[term], axis=1)
    size = np.sqrt(np.sum(kept**2, axis=0))
    singular = np.linalg.svd(kept / np.where(size > 0.0, size, 1.0), compute_uv=False)
    own = design.columns[term].stop - design.columns[term].start
    return bool(rank - int(np.sum(singular > _RANK_TOLERANCE * singular[0])) < own)


def _empty_cells(term: Term, variables: Mapping[str, Factor | Slope]) -> list[str]:
    factors = [variable for variable in (variables[name] for name in term) if isinstance(variable, Factor)]
    if len(factors) < 2:
        return []
    shape = tuple(len(factor.levels) for factor in factors)
    cell = np.ravel_multi_index([factor.codes for factor in factors], shape)
    counts = np.bincount(cell, minlength=int(np.prod(shape)))
    return [
        " with ".join(
            f'{factor.name} "{factor.levels[k]}"'
            for factor, k in zip(factors, np.unravel_index(position, shape), strict=True)
        )
        for position in np.flatnonzero(counts == 0)
    ]


def shown(term: Sequence[str]) -> str:
    """A term as it was written: ["variety", "nitrogen"]."""
    return "[" + ", ".join(f'"{name}"' for name in term) + "]"
