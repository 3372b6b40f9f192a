"""How long one mixed fit with everything that is asked of it takes, beside the general-purpose fit.

Run: python tests/benchmarks/bench_mixed.py
Prints milliseconds of processor time a table (least of many, the sides taken in turn) and their ratio. The data
are invented tables of 12 plots: 4 blocks × 3 treatments, seeds 0 to 9, blocks varying as much as plots or three
times as much (there the other search ends sooner). Our side includes reading the frame, the fit, the F test, all
means, all pairs and the simultaneous comparisons with the first; the other side is the fit alone. Not a test.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import statsmodels.api as sm

from trialkit.models.mixed import fit_mixed


def frame(seed: int, block_sd: float) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    block = np.repeat(["a", "b", "c", "d"], 3)
    treatment = np.tile(["live", "killed", "water"], 4)
    value = 3.0 + np.repeat(draw.normal(0, block_sd, 4), 3) + np.tile([0.4, 0.1, 0.0], 4) + draw.normal(0, 0.1, 12)
    return pd.DataFrame({"block": block, "treatment": treatment, "log_k": value})


def ours(data: pd.DataFrame) -> float:
    fit = fit_mixed(data, response="log_k", fixed=[["treatment"]], random=[["block"]])
    fit.test(["treatment"])
    fit.means("treatment")
    fit.pairs("treatment")
    return fit.compare("treatment")[0].low


def theirs(data: pd.DataFrame) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        x = np.column_stack([np.ones(12), data["treatment"] == "live", data["treatment"] == "killed"]).astype(float)
        return float(sm.MixedLM(data["log_k"].to_numpy(), x, groups=data["block"]).fit(reml=True).fe_params[1])


def theirs_by_formula(data: pd.DataFrame) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(
            sm.MixedLM.from_formula("log_k ~ treatment", data, groups="block").fit(reml=True).fe_params.iloc[1]
        )


def least(calls: list[Callable[[pd.DataFrame], float]], data: pd.DataFrame, repeats: int = 15) -> list[float]:
    best = [float("inf")] * len(calls)
    for _ in range(repeats):
        for k, call in enumerate(calls):
            start = time.process_time()
            call(data)
            best[k] = min(best[k], time.process_time() - start)
    return [1000.0 * seconds for seconds in best]


if __name__ == "__main__":
    for block_sd in (0.1, 0.3):
        tables = [least([ours, theirs, theirs_by_formula], frame(seed, block_sd)) for seed in range(10)]
        own, other, formula = np.mean(tables, axis=0)
        print(f"block SD {block_sd}, plot SD 0.1")
        print(f"  fit, F test, means, pairs, simultaneous comparisons: {own:.2f} ms")
        print(f"  statsmodels mixed fit alone, from arrays: {other:.2f} ms, ratio {other / own:.1f}")
        print(f"  statsmodels mixed fit alone, from a formula: {formula:.2f} ms, ratio {formula / own:.1f}")
