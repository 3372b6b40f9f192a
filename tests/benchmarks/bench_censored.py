"""How long an interval for unfinished bins takes beside one plain mixed-model fit: run this file, it prints the ratio.

Twelve bins in six blocks of two treatments, three of them unfinished. Both are timed in turn, in one process and on one
thread, and the medians are compared; the bar is a ratio below 2.
"""

# ruff: noqa: E402  (threads are set before numpy is loaded)
from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import time
import warnings

import numpy as np

from trialkit.numerics.censored_times import censored_times

ROUNDS = 25


def measure(rounds: int = ROUNDS) -> tuple[float, float]:
    """Median seconds of censored_times and of the mixed-model fit, taken in turn."""
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    low = np.array([30, 27, 33, 24, 27, 24, 36, 30, 33, 27, 36, 36], dtype=float)
    high = low + 3
    high[[6, 10, 11]] = np.inf
    treatment, block = np.tile([0, 1], 6), np.repeat(np.arange(6), 2)
    frame = pd.DataFrame({"y": np.log(low + 1.5), "t": treatment, "one": 1.0})

    def draws(seed: int) -> object:
        return censored_times(low, high, treatment, block, level=0.95, seed=seed)

    def mixed(_seed: int) -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return MixedLM(frame["y"], frame[["one", "t"]], groups=block).fit(reml=True)

    draws(0)
    mixed(0)
    seconds: dict[str, list[float]] = {"draws": [], "mixed": []}
    for seed in range(1, rounds + 1):  # draws of one seed are kept, so every round takes its own
        for kind, call in (("draws", draws), ("mixed", mixed)):
            start = time.process_time()
            call(seed)
            seconds[kind].append(time.process_time() - start)
    return float(np.median(seconds["draws"])), float(np.median(seconds["mixed"]))


if __name__ == "__main__":
    own, other = measure()
    print(f"censored_times on 12 bins: {1000 * own:.1f} ms; one mixed-model fit: {1000 * other:.1f} ms")
    print(f"ratio {own / other:.2f} (bar: below 2)")
