"""From a table to arrays: which column is a factor, which a slope, which rows share a random term."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import DesignError, nearest_name
from trialkit.numerics.design_matrix import Factor, Slope, shown
from trialkit.numerics.variance_structures import DesignVariance, SlopeGroup

Array = NDArray[np.float64]
Term = tuple[str, ...]


@dataclass(frozen=True)
class RandomSlopes:
    """Random intercept and slopes per combination of `within`."""

    within: Term
    slopes: Term


class Table:
    """Columns of a data frame, or of a mapping from names to columns, read once and checked on reading."""

    def __init__(self, frame: Any) -> None:
        names = getattr(frame, "columns", None)
        columns = frame if names is None else names
        self.names = tuple(columns.tolist() if hasattr(columns, "tolist") else columns)
        self._frame = frame
        self._read: dict[str, NDArray[Any]] = {}
        self._factors: dict[str, Factor] = {}
        self._categories: dict[str, Sequence[Any] | None] = {}
        self.rows = len(next(iter(frame.values()))) if names is None and self.names else len(frame)
        index = getattr(frame, "index", None)
        self._labels: Sequence[Any] = range(self.rows) if index is None else index

    def require(self, wanted: Iterable[tuple[str, str]]) -> None:
        """Every (use, column) must exist, be whole and stand there once; all problems are told at once."""
        problems: list[str] = []
        for use, name in dict.fromkeys(wanted):
            if not isinstance(name, str) or name not in self.names:
                problems.append(self._unknown(use, name))
            elif self.names.count(name) > 1:
                problems.append(f'{use}: found {self.names.count(name)} columns named "{name}"; rename one.')
            elif name not in self._read:
                try:
                    self._read[name] = self._values(name)
                except DesignError as error:
                    problems.append(f"{use}: {error}")
        if problems:
            raise DesignError("\n".join(problems))

    def _unknown(self, use: str, name: object) -> str:
        known = [str(other) for other in self.names]
        near = nearest_name(str(name), known)
        allowed = ", ".join(known[:12]) + (f" and {len(known) - 12} more" if len(known) > 12 else "")
        hint = f' Nearest is "{near}".' if near else ""
        return f'{use}: found "{name}", which is no column; expected one of {allowed}.{hint}'

    def _values(self, name: str) -> NDArray[Any]:
        column = self._frame[name]
        self._categories[name] = getattr(getattr(column, "dtype", None), "categories", None)
        values = column.to_numpy() if hasattr(column, "to_numpy") else np.asarray(column)
        if values.ndim != 1 or values.shape[0] != self.rows:
            raise DesignError(f'column "{name}" has {values.shape} cells; expected one for each of {self.rows} rows.')
        if values.dtype.kind in "biuf":
            if values.dtype.kind != "f" or np.isfinite(values).all():
                return values
            missing = ~np.isfinite(values)
        elif values.dtype.kind in "OUST":
            cells = values.tolist()
            if set(map(type, cells)) == {str}:
                return values
            missing = np.array([_is_missing(value) for value in cells], dtype=bool)
        else:
            raise DesignError(f'column "{name}" holds {values.dtype}; expected numbers or text.')
        if missing.any():
            where = [str(self._labels[int(i)]) for i in np.flatnonzero(missing)]
            some = ", ".join(where[:8]) + (f" and {len(where) - 8} more" if len(where) > 8 else "")
            raise DesignError(
                f'column "{name}" has no finite value in row{"s" if len(where) > 1 else ""} {some}; expected a whole '
                "column. Fill the cells, or leave these rows out yourself."
            )
        return values

    def numbers(self, use: str, name: str) -> Array:
        values = self._read[name]
        if values.dtype.kind in "iuf":
            return np.asarray(values, dtype=float)
        if self.is_number(name):
            return np.asarray(values, dtype=float)
        raise DesignError(f'{use}: column "{name}" holds {_sample(values)}; expected numbers.')

    def is_number(self, name: str) -> bool:
        values = self._read[name]
        return values.dtype.kind in "iuf" or (values.dtype.kind == "O" and all(map(_is_real, values.tolist())))

    def factor(self, name: str) -> Factor:
        """Levels in the order of a categorical column, by size for numbers, else alphabetical."""
        if name not in self._factors:
            self._factors[name] = self._coded(name)
        return self._factors[name]

    def _coded(self, name: str) -> Factor:
        values = self._read[name]
        cells = values.tolist()
        labels = cells if set(map(type, cells)) == {str} else [label_of(value) for value in cells]
        categories = self._categories[name]
        if categories is None and self.is_number(name):
            distinct = [label_of(v) for v in np.unique(np.asarray(values, dtype=float))]
        elif categories is None:
            distinct = sorted(set(labels))
        else:
            used = set(labels)
            distinct = [label for label in map(label_of, categories) if label in used]
        order = {label: k for k, label in enumerate(distinct)}
        codes = np.array([order[label] for label in labels], dtype=np.intp)
        return Factor(name, tuple(order), codes)

    def groups(self, names: Term) -> NDArray[np.intp]:
        """One code for each combination of these columns that occurs."""
        codes = self.factor(names[0]).codes
        for name in names[1:]:
            factor = self.factor(name)
            codes = np.unique(codes * len(factor.levels) + factor.codes, return_inverse=True)[1].ravel()
        return codes


def label_of(value: Any) -> str:
    """A level's name; a whole number reads the same however it was stored (1, 1.0)."""
    if isinstance(value, str | bool | np.bool_):
        return str(value)
    if isinstance(value, Real):
        number = float(value)
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    return str(value)


def as_term(use: str, item: object) -> Term:
    """["variety", "nitrogen"] or "variety" as a tuple of names."""
    if isinstance(item, str):
        return (item,)
    if isinstance(item, Sequence) and item and all(isinstance(name, str) for name in item):
        return tuple(item)
    raise DesignError(f'{use}: found {item!r}; expected a list of column names such as ["block", "variety"].')


def as_terms(use: str, items: object) -> tuple[Term, ...]:
    if isinstance(items, str) or not isinstance(items, Sequence):
        raise DesignError(f'{use}: found {items!r}; expected a list of terms such as [["block"]].')
    return tuple(as_term(use, item) for item in items)


def as_random(items: object) -> tuple[Term | RandomSlopes, ...]:
    """Random terms as written by the user, parsed; nothing re-checks them later."""
    if isinstance(items, str | Mapping) or not isinstance(items, Sequence):
        raise DesignError(f'random: found {items!r}; expected a list of terms such as [["block"]].')
    return tuple(_as_slopes(item) if isinstance(item, Mapping) else as_term("random", item) for item in items)


def _as_slopes(item: Mapping[Any, Any]) -> RandomSlopes:
    if set(item) != {"within", "slopes"}:
        raise DesignError(
            f'random: found the keys {sorted(map(str, item))}; expected "within" and "slopes", as in '
            '{"within": ["bin"], "slopes": ["day"]}.'
        )
    return RandomSlopes(as_term("random within", item["within"]), as_term("random slopes", item["slopes"]))


def random_labels(terms: Sequence[Term]) -> tuple[str, ...]:
    """A name for each random term: "variety within block" beside ["block"], "row × column" for crossed ones."""
    return tuple(_label(term, terms) for term in terms)


def _label(term: Term, terms: Sequence[Term]) -> str:
    inside = [other for other in terms if set(other) < set(term)]
    largest = max((len(other) for other in inside), default=0)
    parents = [other for other in inside if len(other) == largest]
    if len(parents) != 1:
        return " × ".join(term)
    rest = [name for name in term if name not in parents[0]]
    return f"{' × '.join(rest)} within {_label(parents[0], terms)}"


def design_variance(table: Table, name: str, term: Term) -> DesignVariance:
    """DesignError for a random term with a single group, or with one group a row."""
    codes = table.groups(term)
    groups = int(codes.max()) + 1
    if groups == 1:
        raise DesignError(f"random: {shown(term)} has a single group; a variance between groups needs at least two.")
    if groups == table.rows:
        raise DesignError(
            f'random: {shown(term)} makes each row a group of its own; that is the "residual" already. Leave it out.'
        )
    return DesignVariance(name, codes)


def slope_group(table: Table, item: RandomSlopes) -> SlopeGroup:
    within = " × ".join(item.within)
    columns = [np.ones(table.rows)]
    for name in item.slopes:
        columns.append(table.numbers("random slopes", name))
    labels = (f"intercept within {within}", *(f"slope of {name} within {within}" for name in item.slopes))
    return SlopeGroup(labels, table.groups(item.within), np.column_stack(columns))


def variables_of(table: Table, terms: Sequence[Term], factors: Sequence[str]) -> dict[str, Factor | Slope]:
    """Text columns and those in `factors` are factors, other numbers slopes."""
    variables: dict[str, Factor | Slope] = {}
    for name in dict.fromkeys(name for term in terms for name in term):
        if name in factors or not table.is_number(name):
            variables[name] = table.factor(name)
        else:
            variables[name] = Slope(name, table.numbers("fixed", name))
    return variables


def _is_real(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


def _is_missing(value: object) -> bool:
    if isinstance(value, str):
        return False
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return True
    return isinstance(value, float | np.floating) and not np.isfinite(value)


def _sample(values: NDArray[Any]) -> str:
    return ", ".join(repr(str(v)) for v in list(dict.fromkeys(values.tolist()))[:3])
