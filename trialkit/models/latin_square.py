"""Latin squares: rows and columns taken out, whatever bins are lost."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Literal

import numpy as np

from trialkit.models.factor_terms import common_terms, crossing_of
from trialkit.models.layout_checks import absent_reasons, no_error_reason, no_spread_reason, single_bin_notes
from trialkit.models.measured import Measured, listed
from trialkit.models.pairs import refused_pairs, strata_record
from trialkit.models.random_blocks import fit_random_blocks
from trialkit.numerics.rows_and_columns import line_variance, square_design
from trialkit.numerics.strata import fit_strata
from trialkit.records import FactorTerm, Fit, Refusal

FEW_DF = 5  # below, a square by itself says little: common practice


def fit_latin_square(found: Measured, variances: Literal["common", "by treatment"] | None) -> Fit | Refusal:
    """Rows and columns fixed and exact t; random where one error degree of freedom is left or a pair needs them."""
    problems = _problems(found)
    if problems:
        return found.refusal(*problems)
    absent = absent_reasons(found)
    refused = refused_pairs(found, absent)
    asked = [pair for pair in found.pairs_of_interest() if pair not in refused]
    if not asked:
        return found.refusal(*absent.values())
    notes = tuple(absent.values())
    if (variances or found.values.plan.layout.variances) == "by treatment":
        notes += (
            "In a Latin square every bin stands in a row and a column of its own, so one common variance is used.",
        )
    square = square_design(found.treatment, found.row, found.column, treatments=len(found.treatments))
    design = square.strata
    if design.error_df < 1:
        return found.refusal(no_error_reason(found), *absent.values())
    notes += single_bin_notes(found)
    position = {name: i for i, name in enumerate(found.treatments)}
    unconnected = [(a, b) for a, b in asked if not design.connected[position[a], position[b]]]
    if unconnected or design.error_df == 1:
        return fit_random_blocks(
            found,
            design,
            refused,
            (*notes, _why_random(unconnected)),
            random=_lines(found, square.rows.df, square.columns.df),
        )
    if design.error_df < FEW_DF:
        notes += (
            f"Rows, columns and treatments leave {design.error_df} degrees of freedom to show how much bins treated "
            "alike differ, so the intervals are wide.",
        )
    result = fit_strata(design, found.y)
    fit = strata_record(
        found, design, result, "rows and columns taken out", {**_never_told(found, design.connected), **refused}, notes
    )
    if fit is None:
        return found.refusal(no_spread_reason(found))
    error = float(result.error_mean_square)
    lines = {"row": line_variance(square.rows, found.y, error), "column": line_variance(square.columns, found.y, error)}
    components = {name: value for name, value in lines.items() if np.isfinite(value)}
    crossing = crossing_of(found)
    terms: tuple[FactorTerm, ...] = ()
    if crossing is not None and fit.covariance is not None:
        terms = common_terms(found, crossing, design.component, fit.means, fit.covariance, design.error_df)
    return replace(fit, components={**components, **fit.components}, factor_terms=terms)


def _problems(found: Measured) -> list[str]:
    problems = []
    for part, codes in (("row", found.row), ("column", found.column)):
        without = [name for name, code in zip(found.bins, codes, strict=True) if code < 0]
        if without:
            problems.append(
                f"The layout is a Latin square, but {listed(without)} {'has' if len(without) == 1 else 'have'} "
                f"no {part}. "
                f"Fill in the {part} of every bin."
            )
    if problems:
        return problems
    cells = Counter(zip(found.row.tolist(), found.column.tolist(), strict=True))
    twice = [
        name
        for name, row, column in zip(found.bins, found.row, found.column, strict=True)
        if cells[int(row), int(column)] > 1
    ]
    if twice:
        return [
            f"Bins {listed(twice)} share their row and column with another bin; in a Latin square each place holds one "
            "bin. Correct the rows and columns, or name the site of each square where there are several."
        ]
    return []


def _lines(found: Measured, rows_df: int, columns_df: int) -> list[tuple[str, np.ndarray]]:
    """Rows and columns that differ in more than the treatments do; one without df of its own is no variance."""
    lines = [("row", found.row, rows_df), ("column", found.column, columns_df)]
    return [(name, codes) for name, codes, df in lines if df > 0]


def _why_random(unconnected: list[tuple[str, str]]) -> str:
    if not unconnected:
        return (
            "One degree of freedom is left once rows and columns are taken out, so what they differ by is used "
            "as well: "
            "rows and columns are taken as drawn at random."
        )
    pairs = listed(f"{a} with {b}" for a, b in unconnected)
    return (
        f"The bins that are left cannot tell {pairs} from what rows and columns differ by, so rows and columns "
        "are taken "
        "as drawn at random."
    )


def _never_told(found: Measured, connected: np.ndarray) -> dict[tuple[str, str], str]:
    return {
        (a, b): f"In the bins that are left, {a} and {b} cannot be told from what rows and columns differ by."
        for i, a in enumerate(found.treatments)
        for j, b in enumerate(found.treatments)
        if i != j and not connected[i, j]
    }
