"""How fast many responses are analysed: every figure is a ratio of two times taken in one run.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_precision.py

1. ``many_responses`` on 4 blocks × 3 treatments with one bin lost, 10,000 responses: beside a loop over the plain
   statsmodels mixed fit of the same data (wanted: 1,000 times its throughput) and beside ``numpy.linalg.lstsq`` on the
   same batch (wanted: at most 6 times its time).
2. The default analysis, blocks fixed, on the same batch (wanted: faster than 1).
3. A precision curve by simulation, 8 layouts × 3 truths × 10,000 trials on 2 cores, beside 500 plain statsmodels fits.
4. Memory of a grid of 20,000 and of 400,000 trials.
"""

from __future__ import annotations

import math
import time
import tracemalloc
import warnings

import numpy as np
import pandas as pd

from trialkit.numerics.many_responses import least_squares_responses, many_responses
from trialkit.planning.precision_grid import GridCell, simulate_grid

RESPONSES = 10_000
PLAIN_FITS = 60  # enough for a mean: they take about 40 ms each


def shortest(work, times=25):
    """Processor time of one thread, so that other work on the machine does not fall on the longer of two."""
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def batch():
    block = np.repeat(np.arange(4), 3)[:-1]
    treatment = np.tile(np.arange(3), 4)[:-1]
    random = np.random.default_rng(20)
    y = random.normal(size=(11, RESPONSES)) + random.normal(size=(4, RESPONSES))[block]
    return treatment, block, y


def plain_fit_seconds(treatment, block, y):
    """Mean time of one statsmodels mixed fit, frame and formula included as users write it."""
    import statsmodels.formula.api as formulas

    frame = pd.DataFrame({"t": [f"t{i}" for i in treatment], "b": [f"b{i}" for i in block]})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # small trials sit at the bound and say so, five times each
        formulas.mixedlm("y ~ t", frame.assign(y=y[:, 0]), groups="b").fit()
        start = time.process_time()
        for column in range(1, PLAIN_FITS + 1):
            formulas.mixedlm("y ~ t", frame.assign(y=y[:, column]), groups="b").fit()
        return (time.process_time() - start) / PLAIN_FITS


def curve_cells():
    claim, margin = math.log(1.6), (math.log(0.8), math.log(1.25))
    layouts = [("completely random", 2, n) for n in (3, 4, 6, 8)] + [("blocks", 3, n) for n in (3, 4, 5, 6)]
    return [
        GridCell(kind, treatments, bins, 1, 0.2, 0.2, effect, claim, margin)
        for kind, treatments, bins in layouts
        for effect in (0.0, 0.5 * claim, claim)
    ]


def peak_megabytes(trials):
    tracemalloc.start()
    simulate_grid(curve_cells()[13:14], trials)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main():
    treatment, block, y = batch()
    fixed = np.eye(3)[treatment]
    with_blocks = np.column_stack([fixed, np.eye(4)[block][:, 1:]])
    contrast = np.array([-1.0, 1.0, 0.0])
    lstsq = shortest(lambda: np.linalg.lstsq(fixed, y, rcond=None))
    many = shortest(lambda: many_responses(y, fixed, block, contrast))
    bounded = shortest(lambda: many_responses(y, fixed, block, contrast, bounded=True))
    squares = shortest(lambda: least_squares_responses(y, with_blocks, np.append(contrast, np.zeros(3))))
    plain = plain_fit_seconds(treatment, block, y)
    print(f"lstsq on the batch                      {1e3 * lstsq:9.2f} ms")
    print(f"many_responses                          {1e3 * many:9.2f} ms   {many / lstsq:6.2f} × lstsq")
    print(f"many_responses, bounded                 {1e3 * bounded:9.2f} ms   {bounded / lstsq:6.2f} × lstsq")
    print(f"blocks fixed                            {1e3 * squares:9.2f} ms   {squares / lstsq:6.2f} × lstsq")
    print(f"one plain mixed fit                     {1e3 * plain:9.2f} ms")
    print(f"throughput of many_responses            {plain * RESPONSES / many:9.0f} × plain mixed fits")
    start = time.perf_counter()
    simulate_grid(curve_cells(), 10_000, cores=2)
    curve = time.perf_counter() - start
    print(f"curve, 8 layouts × 3 truths × 10,000    {curve:9.2f} s    {curve / (500 * plain):6.2f} × 500 plain fits")
    print(f"memory, 20,000 and 400,000 trials       {peak_megabytes(20_000):9.2f} and {peak_megabytes(400_000):.2f} MB")


if __name__ == "__main__":
    main()
