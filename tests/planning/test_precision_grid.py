"""The same seed gives the same counts on one core, two cores and a cluster; a lost cluster is told and made good."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest

from trialkit.errors import DesignError
from trialkit.numerics.analysis_cases import analysis_case
from trialkit.numerics.loss_patterns import planned_bins
from trialkit.numerics.precision import CALLS
from trialkit.planning.precision import precision
from trialkit.planning.precision_grid import PIECE, GridCell, run_piece, simulate_grid

MARGIN = (math.log(0.8), math.log(1.25))


def cell(layout, treatments, bins, lost, effect):
    return GridCell(layout, treatments, bins, lost, 0.2, 0.2, effect, math.log(1.6), MARGIN)


CELLS = [
    cell("blocks", 3, 4, 1, 0.0),
    cell("completely random", 2, 6, 1, math.log(1.6)),
    cell("blocks", 2, 3, 1, 0.3),
]


@pytest.fixture(scope="module")
def alone():
    return simulate_grid(CELLS, 5000, seed=3)


def test_counts_add_up(alone):
    for total in alone:
        assert total.trials == 5000 == sum(total.calls)
    assert alone != simulate_grid(CELLS, 5000, seed=4)


@pytest.mark.slow
def test_two_cores(alone):
    assert simulate_grid(CELLS, 5000, seed=3, cores=2) == alone


def test_a_cell_does_not_depend_on_how_many_trials_its_neighbours_have(alone):
    pieces = [run_piece(CELLS[1], 3, 1, part, min(PIECE, 5000 - part * PIECE)) for part in range(3)]
    assert pieces[0] + pieces[1] + pieces[2] == alone[1]


def test_simulation_agrees_with_the_exact_chances():
    found = precision(3, "blocks", 4, 0.2, 1.6, lost=1)
    exact = found.calls["half true"]
    trials = 8000
    case = GridCell("blocks", 3, 4, 1, found.sd_log, 0.4, math.log(found.half_ratio), math.log(1.6), MARGIN)
    counted = simulate_grid([case], trials, seed=11)[0]
    for name, count in zip(CALLS, counted.calls, strict=True):
        # Four standard errors of a count, at least that of one in a hundred.
        spread = math.sqrt(max(exact[name] * (1 - exact[name]), 0.01) / trials)
        assert abs(count / trials - exact[name]) < 4 * spread
    assert analysis_case(planned_bins("blocks", 3, 4)).method == "common variance"


@pytest.mark.slow
def test_a_cluster_of_two_workers(alone):
    """In a process of its own: a cluster's threads outlive the test otherwise."""
    code = f"""
from distributed import LocalCluster
from trialkit.planning.precision_grid import GridCell, simulate_grid
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        said = []
        print(simulate_grid({CELLS!r}, 5000, seed=3, cluster=cluster.scheduler_address, say=said.append))
        print(said)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [repr(alone), "[]"]


def test_a_cluster_that_does_not_answer(alone, monkeypatch):
    monkeypatch.setattr("trialkit.planning.precision_grid._ANSWER_WITHIN", 0.5)
    said = []
    assert simulate_grid(CELLS, 5000, seed=3, cluster="tcp://127.0.0.1:9", say=said.append) == alone
    assert len(said) == 1
    assert said[0].startswith("The cluster at tcp://127.0.0.1:9 does not answer")
    assert said[0].endswith("The simulation runs on this machine instead; the answer is the same.")


class DyingClient:
    """Finishes two pieces, then its scheduler is gone."""

    status = "running"

    def __init__(self, *_address, **_settings):
        self.left = 2

    def nthreads(self):
        return {"worker": 1}

    def submit(self, function, *arguments, **_settings):
        return Future(self, function, arguments)

    def close(self, **_settings):
        self.status = "closed"


class Future:
    def __init__(self, client, function, arguments):
        self.client, self.function, self.arguments = client, function, arguments

    def result(self, **_settings):
        if self.client.left == 0:
            self.client.status = "connecting"
            raise TimeoutError
        self.client.left -= 1
        return self.function(*self.arguments)


def test_a_cluster_that_dies_half_way(alone, monkeypatch):
    monkeypatch.setattr("distributed.Client", DyingClient)
    said = []
    assert simulate_grid(CELLS, 5000, seed=3, cluster="tcp://somewhere:8786", say=said.append) == alone
    assert said == [
        "The cluster at tcp://somewhere:8786 stopped answering after 2 of 9 pieces. "
        "The rest is simulated on this machine; the answer is the same."
    ]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [({"trials": 0}, "trials: found 0; expected 1 or more"), ({"cores": 0}, "cores: found 0; expected 1 or more")],
)
def test_bad_requests(change, sentence):
    with pytest.raises(DesignError, match=sentence):
        simulate_grid(CELLS, **{"trials": 10, **change})


def test_without_the_package_for_clusters(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(DesignError, match=r'install it with: pip install "trialkit\[cluster\]"'):
        simulate_grid(CELLS, 10, cluster="tcp://somewhere:8786")
