"""Trials built by hand: one dictionary a visit, in template columns."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.records import Bin, Plan, Readings, Source, Trial


def build_trial(rows, *, starts=None, lost=None, treatments=None, settings=None, plan=None, bins=None):
    """A Trial from ``rows``, dictionaries with ``bin``, ``day`` and measured columns (absent = not measured).

    Row i stands on line i + 2 of readings.csv. ``starts``, ``lost``, ``treatments`` map bin names.
    """
    starts, lost, treatments = starts or {}, lost or {}, treatments or {}
    names = list(bins or dict.fromkeys(row["bin"] for row in rows))
    made = tuple(
        Bin(name, treatments.get(name, "water only"), starts=starts.get(name, {}), lost_on_day=lost.get(name))
        for name in names
    )
    order = sorted(range(len(rows)), key=lambda i: (names.index(rows[i]["bin"]), rows[i]["day"]))
    columns = dict.fromkeys(key for row in rows for key in row if key not in ("bin", "day"))
    readings = Readings(
        bin=np.array([names.index(rows[i]["bin"]) for i in order], dtype=np.intp),
        day=np.array([rows[i]["day"] for i in order], dtype=float),
        columns={column: np.array([rows[i].get(column, np.nan) for i in order], dtype=float) for column in columns},
        row_file=np.zeros(len(rows), dtype=np.intp),
        row_line=np.array([i + 2 for i in order], dtype=np.intp),
        row_visit=np.arange(len(rows), dtype=np.intp),
    )
    plan = plan or Plan(control="water only", outcome_settings=settings or {}, declared=settings is not None)
    return Trial("here", plan, made, readings, (), (Source("readings.csv", "0" * 64, len(rows)),), len(rows), len(rows))


@pytest.fixture
def trial():
    return build_trial


@pytest.fixture
def course():
    """Rows of one bin: ``course("B1", [0, 3], volume_l=[100, 92])``; None is a cell not measured."""

    def rows(bin_, days, **columns):
        made = []
        for i, day in enumerate(days):
            cells = {name: values[i] for name, values in columns.items() if values[i] is not None}
            made.append({"bin": bin_, "day": day, **cells})
        return made

    return rows


@pytest.fixture(scope="module")
def trial_builder():
    """The builder and a maker of full courses, for laws that draw many trials in one test."""

    def rows(bin_, days, **columns):
        return [{"bin": bin_, "day": day, **{n: v[i] for n, v in columns.items()}} for i, day in enumerate(days)]

    return build_trial, rows
