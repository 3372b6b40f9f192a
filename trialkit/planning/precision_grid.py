"""Simulation grids over the cores of this machine or over an existing cluster, the same answer everywhere.

Work is cut into pieces of 2,000 trials. A piece draws its random numbers from the seed, the place of its cell in the
grid and its own number, so the counts do not depend on how many workers share the pieces or in which order they end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np

from trialkit.errors import DesignError
from trialkit.numerics.analysis_cases import AnalysisCase, Family, Variances, analysis_case
from trialkit.numerics.loss_patterns import Kind, loss_patterns, planned_bins
from trialkit.numerics.precision import CALLS
from trialkit.numerics.trial_simulation import Tally, simulate_intervals, tally
from trialkit.planning.precision import Precision

PIECE = 2_000  # trials; changing it changes every simulated answer
_ANSWER_WITHIN = 10  # seconds for a cluster to answer
_STALLED_AFTER = 30  # seconds without a finished piece after which a cluster without workers counts as lost

Say = Callable[[str], None]
Piece = tuple["GridCell", int, int, int, int]


@dataclass(frozen=True)
class GridCell:
    """One layout under one truth, on the analysis scale, turned so that more is as claimed.

    ``effect`` the true effect of treatment 1 on treatment 0, ``claim`` the claimed one, ``margin`` around zero.
    """

    layout: Kind
    treatments: int
    bins_per_treatment: int
    lost: int
    std_deviation: float
    block_deviation: float
    effect: float
    claim: float
    margin: tuple[float, float] | None
    level: float = 0.95
    variances: Variances | None = None
    family: Family = "all"


def simulate_grid(
    cells: Sequence[GridCell],
    trials: int,
    *,
    seed: int = 1,
    cores: int = 1,
    cluster: str | None = None,
    progress: bool = False,
    say: Say | None = None,
) -> tuple[Tally, ...]:
    """``trials`` trials of every cell, one tally a cell.

    cores: processes of this machine. cluster: address of a running scheduler (``tcp://host:8786``); one that does not
    answer, or stops answering, is told through ``say`` and its share is done here. progress: a bar on stderr.
    DesignError for fewer than one trial or core, and for ``cluster`` without the package dask.distributed.
    """
    if trials < 1:
        raise DesignError(
            f"trials: found {trials}; expected 1 or more. Some ten thousand settle a chance to one percent."
        )
    if cores < 1:
        raise DesignError(f"cores: found {cores}; expected 1 or more.")
    pieces = [
        (cell, seed, number, part, min(PIECE, trials - part * PIECE))
        for number, cell in enumerate(cells)
        for part in range(-(-trials // PIECE))
    ]
    totals = [Tally() for _ in cells]
    bar = _bar(len(pieces), progress)
    try:
        results = (
            _local(pieces, cores) if cluster is None else _clustered(pieces, cluster, cores, say or _nobody_listens)
        )
        for piece, result in zip(pieces, results, strict=True):
            totals[piece[2]] = totals[piece[2]] + result
            bar.update(1)
    finally:
        bar.close()
    return tuple(totals)


def simulate_precision(
    found: Precision,
    trials: int,
    *,
    cores: int = 1,
    cluster: str | None = None,
    progress: bool = False,
    say: Say | None = None,
) -> dict[str, dict[str, float]]:
    """The chances of each call under the three truths of a precision, counted in ``trials`` simulated trials of each.

    A check on the exact chances by the code that analyses trials. Blocks vary as much as bins. Arguments and errors as
    those of ``simulate_grid``.
    """
    claim = abs(math.log(found.ratio))
    margin = None
    if found.equivalence is not None:
        low, high = (math.log(end) for end in found.equivalence)
        margin = (low, high) if found.ratio > 1.0 else (-high, -low)
    truths = {"claim true": claim, "half true": 0.5 * claim, "nothing": 0.0}
    cells = [
        GridCell(
            layout=cast(Kind, found.layout),
            treatments=found.treatments,
            bins_per_treatment=found.bins_per_treatment,
            lost=found.lost,
            std_deviation=found.sd_log,
            block_deviation=found.sd_log,
            effect=effect,
            claim=claim,
            margin=margin,
            level=found.level,
            family=cast(Family, found.family),
        )
        for effect in truths.values()
    ]
    tallies = simulate_grid(cells, trials, seed=found.seed, cores=cores, cluster=cluster, progress=progress, say=say)
    return {
        truth: {call: count / one.trials for call, count in zip(CALLS, one.calls, strict=True)}
        for truth, one in zip(truths, tallies, strict=True)
    }


def run_piece(cell: GridCell, seed: int, number: int, part: int, trials: int) -> Tally:
    """One piece of a cell: loss patterns by their chance, each analysed by its own method."""
    random = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number, part)))
    chances, cases = _cases(
        cell.layout, cell.treatments, cell.bins_per_treatment, cell.lost, cell.variances, cell.family, seed
    )
    total = Tally()
    for case, share in zip(cases, random.multinomial(trials, chances), strict=True):
        if share == 0:
            continue
        found = simulate_intervals(
            case,
            int(share),
            random,
            std_deviation=cell.std_deviation,
            block_deviation=cell.block_deviation,
            effect=cell.effect,
            level=cell.level,
        )
        total = total + tally(found, cell.claim, cell.margin, cell.effect)
    return total


@lru_cache(maxsize=64)
def _cases(
    layout: Kind, treatments: int, bins: int, lost: int, variances: Variances | None, family: Family, seed: int
) -> tuple[tuple[float, ...], tuple[AnalysisCase, ...]]:
    patterns = loss_patterns(planned_bins(layout, treatments, bins), lost, seed)
    total = sum(pattern.chance for pattern in patterns)
    return (
        tuple(pattern.chance / total for pattern in patterns),
        tuple(analysis_case(pattern.bins, variances, family) for pattern in patterns),
    )


def _nobody_listens(_text: str) -> None:
    """What is said when no one asked to be told."""


def _bar(total: int, progress: bool) -> Any:
    from tqdm import tqdm

    return tqdm(total=total, desc="simulating", unit="piece", disable=not progress, leave=False)


def _local(pieces: Sequence[Piece], cores: int) -> Iterator[Tally]:
    if cores == 1 or len(pieces) == 1:
        yield from (run_piece(*piece) for piece in pieces)
        return
    from joblib import Parallel, delayed  # type: ignore[import-untyped]

    yield from Parallel(n_jobs=cores, return_as="generator")(delayed(run_piece)(*piece) for piece in pieces)


def _clustered(pieces: Sequence[Piece], address: str, cores: int, say: Say) -> Iterator[Tally]:
    """In the order of the pieces; what the cluster leaves undone is done here."""
    try:
        from distributed import Client
    except ImportError as problem:
        raise DesignError(
            'A cluster needs the package dask.distributed; install it with: pip install "trialkit[cluster]".'
        ) from problem
    try:
        client: Any = Client(address, timeout=_ANSWER_WITHIN, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as problem:
        say(
            f"The cluster at {address} does not answer ({type(problem).__name__}). "
            "The simulation runs on this machine instead; the answer is the same."
        )
        yield from _local(pieces, cores)
        return
    done = 0
    try:
        for result in _from_cluster(client, pieces):
            yield result
            done += 1
    except _ClusterLost:
        say(
            f"The cluster at {address} stopped answering after {done} of {len(pieces)} pieces. "
            "The rest is simulated on this machine; the answer is the same."
        )
        yield from _local(pieces[done:], cores)
    finally:
        client.close(timeout=2)


class _ClusterLost(Exception):
    """No scheduler or no workers any more."""


def _from_cluster(client: Any, pieces: Sequence[Piece]) -> Iterator[Tally]:
    """A window of pieces is in flight at any time, so that memory stays flat however long the list."""
    window = 4 * max(1, sum(_threads(client).values()))
    flying: dict[int, Any] = {}
    sent = 0
    for wanted in range(len(pieces)):
        while sent < len(pieces) and sent < wanted + window:
            flying[sent] = client.submit(run_piece, *pieces[sent], pure=False, retries=2)
            sent += 1
        yield _result(client, flying.pop(wanted))


def _result(client: Any, future: Any) -> Tally:
    waited = 0
    while True:
        try:
            result: Tally = future.result(timeout=2)
            return result
        except TimeoutError:
            waited += 2
            if client.status != "running" or (waited >= _STALLED_AFTER and not _threads(client)):
                raise _ClusterLost from None
        except Exception as problem:
            # An error of a piece itself is ours and must show; losing the scheduler or a worker is theirs.
            if type(problem).__module__.split(".")[0] in ("distributed", "tornado") or isinstance(problem, OSError):
                raise _ClusterLost from problem
            if "ancelled" in type(problem).__name__:
                raise _ClusterLost from problem
            raise


def _threads(client: Any) -> dict[str, int]:
    try:
        found: dict[str, int] = client.nthreads()
    except Exception as problem:
        raise _ClusterLost from problem
    return found
