"""What can be said of two treatments when one of them has no finished bin, or a single one.

Exact under the layout's own randomisation; no model of the times.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_TIE = 1e-9


@dataclass(frozen=True)
class OneSidedBound:
    """A bound on the ratio treated / control: ``is_at_least`` or at most ``ratio``, with its ``confidence``."""

    ratio: float
    is_at_least: bool
    confidence: float


def one_sided_bound(
    low: Array, high: Array, treated: NDArray[np.bool_], block: NDArray[np.intp] | None
) -> OneSidedBound | None:
    """A bound on the ratio of times when no bin of one treatment finished and some bin of the other did.

    ``low, high`` (n,) as in ``censored_times``, ``treated`` (n,) True for the numerator. None where no block holds
    both a finished bin of the one and a bin of the other.

    Blocks: if the ratio θ were below the smallest (last visit of the unfinished / upper limit of the finished) over
    the m blocks with a finished bin, every block would show a ratio above θ, which each does with probability ½:
    confidence 1 − 2^(−m). Completely random: all of the n₁ unfinished outlast the m finished ones of the n₀; with
    equal times after scaling by θ the m shortest of all bins would be of that treatment with probability
    C(n₀, m)/C(n₀+n₁, m), which is 1/C(n₀+n₁, n₁) when all n₀ finished.

    The confidence counts all trials of the design, also those that end in an interval instead. Among the trials that
    end in a bound alone the share of wrong ones may be larger: simulated, 25 against 14 % stated for three bins a
    treatment, completely random, two comparisons, and 8 against 16 % for three blocks and one comparison.
    """
    is_at_least = not np.isfinite(high[treated]).any()
    waiting = treated if is_at_least else ~treated
    done = ~waiting & np.isfinite(high)
    if block is None:
        m, n_other, n_waiting = int(done.sum()), int((~waiting).sum()), int(waiting.sum())
        reach = float(low[waiting].min() / high[done].max())
        confidence = 1.0 - comb(n_other, m) / comb(n_other + n_waiting, m)
    else:
        shared = [code for code in np.unique(block[done]) if (waiting & (block == code)).any()]
        if not shared:
            return None
        reach = min(float(low[waiting & (block == code)].min() / high[done & (block == code)].max()) for code in shared)
        confidence = 1.0 - 0.5 ** len(shared)
    if is_at_least:
        return OneSidedBound(reach, True, confidence)
    return OneSidedBound(1.0 / reach if reach > 0 else np.inf, False, confidence)


def compare_counts(finished: NDArray[np.bool_], treated: NDArray[np.bool_], block: NDArray[np.intp] | None) -> float:
    """Two-sided re-randomisation p of the number of treated bins that finished, labels permuted within blocks.

    Given how many finished in a block, the number among its treated bins is hypergeometric; blocks are convolved, and
    p is the probability of a total at least as far from its expectation as the one seen.
    """
    codes = np.zeros(finished.size, dtype=np.intp) if block is None else block
    distribution, expected, seen = np.ones(1), 0.0, 0
    for code in np.unique(codes):
        here = codes == code
        bins, done, own = int(here.sum()), int(finished[here].sum()), int(treated[here].sum())
        ways = [comb(own, k) * comb(bins - own, done - k) if k <= done else 0 for k in range(own + 1)]
        distribution = np.convolve(distribution, np.array(ways, dtype=float) / comb(bins, done))
        expected += own * done / bins
        seen += int((finished & treated & here).sum())
    distance = np.abs(np.arange(distribution.size) - expected)
    return min(1.0, float(distribution[distance >= abs(seen - expected) * (1 - _TIE) - _TIE].sum()))
