"""The bins of a trial as they were drawn, for drawing again: places, strata and the redraw rule."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.numerics.interspersion import NO_RULE, layout_is_interspersed, order_of_places
from trialkit.numerics.rerandomisation import DrawnLayouts, Kept, Labels, layouts_within
from trialkit.records import Fit, read_only

Codes = NDArray[np.intp]
_WHOLE_PLOT_RULE = "no whole-plot level"


@dataclass(frozen=True, eq=False)
class Drawn:
    """All N bins in the order of their places, those without a value too.

    ``y`` (N,) on the scale of analysis, NaN where lost; ``treatment`` (N,) positions in ``Fit.treatments``; ``block``,
    ``row``, ``column``, ``plot`` (N,) codes within sites, 0 throughout where the layout has none. ``level`` (T,) of the
    whole-plot factor. ``by_order``: only the order of values counts (scores).
    """

    y: NDArray[np.float64]
    treatment: Codes
    block: Codes
    row: Codes
    column: Codes
    plot: Codes
    level: Codes
    rule: str
    kind: str
    by_order: bool = False

    @property
    def measured(self) -> NDArray[np.bool_]:
        return np.isfinite(self.y)

    def breaks_its_rule(self) -> bool:
        """Whether its own redraw rule would have thrown this layout back. DesignError for an unknown rule."""
        if self.rule == NO_RULE:
            return False
        if self.by_whole_plots:
            first = self.first_of_plots()
            labels = self.level[self.treatment[first]]
            return not bool(layout_is_interspersed(labels, self.rule, self.block[first]))
        return not bool(layout_is_interspersed(self.treatment, self.rule, self.block))

    @property
    def by_whole_plots(self) -> bool:
        return self.rule.startswith(_WHOLE_PLOT_RULE)

    def within(self, here: NDArray[np.bool_], stratum: Codes) -> DrawnLayouts | None:
        """Layouts in which the bins ``here`` exchange labels inside ``stratum`` (N,); the other bins keep theirs."""
        names, labels = np.unique(self.treatment[here], return_inverse=True)
        bins = np.flatnonzero(here)
        become = np.tile(names, (bins.size, 1))
        return self.exchanging(bins, labels, stratum[bins], become, inside_plots=stratum is self.plot)

    def exchanging(
        self, bins: Codes, codes: Codes, stratum: Codes, become: Codes, *, inside_plots: bool = False
    ) -> DrawnLayouts | None:
        """Layouts in which ``bins`` (m,) exchange their ``codes`` (m,) inside ``stratum`` (m,), those the rule keeps.

        become: (m, K) the treatment of a bin once it gets code k. inside_plots: labels stay in their whole plots.
        """
        if self.rule == NO_RULE or (self.by_whole_plots and inside_plots):
            return _layouts(_key(codes), _key(stratum), None)
        rule = _Rule(self.rule, _key(self.treatment), _key(self.block), _key(bins), _key(become))
        if self.by_whole_plots:
            first = self.first_of_plots()
            levels, plots = self.level[self.treatment[first]], self.plot[bins]
            rule = _Rule(self.rule, _key(levels), _key(self.block[first]), _key(plots), _key(self.level[become]))
        return _layouts(_key(codes), _key(stratum), rule)

    def exchanging_plots(self, plots: Codes, codes: Codes, become: Codes) -> DrawnLayouts | None:
        """Layouts in which whole plots ``plots`` (m,) exchange their ``codes`` (m,) inside blocks.

        become: (K,) the whole-plot level of each code. None where the redraw rule speaks of bins.
        """
        first = self.first_of_plots()
        block = self.block[first]
        if self.rule == NO_RULE:
            return _layouts(_key(codes), _key(block[plots]), None)
        if not self.by_whole_plots:
            return None
        levels = self.level[self.treatment[first]]
        every = np.tile(become, (plots.size, 1))
        rule = _Rule(self.rule, _key(levels), _key(block), _key(plots), _key(every))
        return _layouts(_key(codes), _key(block[plots]), rule)

    def first_of_plots(self) -> Codes:
        """(P,) the first bin of each whole plot; plots are numbered in the order of places."""
        return np.array([np.flatnonzero(self.plot == p)[0] for p in range(int(self.plot.max()) + 1)], dtype=np.intp)


@dataclass(frozen=True)
class _Rule:
    """A redraw rule on N labels, of which those ``moved`` (m,) get ``names`` (m, K) by their code. All arrays as bytes,
    to be a key."""

    text: str
    labels: bytes
    block: bytes
    moved: bytes
    names: bytes

    def keeps(self) -> Kept:
        """Which layouts, given as codes of the bins moved, the rule keeps."""
        base, block, moved, names = (
            np.frombuffer(part, dtype=np.intp) for part in (self.labels, self.block, self.moved, self.names)
        )
        table = names.reshape(moved.size, -1).astype(np.uint8)

        def kept(codes: Labels) -> NDArray[np.bool_]:
            full = np.tile(base.astype(np.uint8), (len(codes), 1))
            full[:, moved] = table[np.arange(moved.size), codes]
            return layout_is_interspersed(full, self.text, block)

        return kept


@lru_cache(maxsize=32)
def _layouts(labels: bytes, stratum: bytes, rule: _Rule | None) -> DrawnLayouts | None:
    """Outcomes of one trial are read on the same bins, so their layouts are drawn once."""
    codes, place = (np.frombuffer(part, dtype=np.intp) for part in (labels, stratum))
    return layouts_within(codes, place, kept=None if rule is None else rule.keeps())


def _key(codes: NDArray[np.generic]) -> bytes:
    return np.ascontiguousarray(codes, dtype=np.intp).tobytes()


def drawn_bins(fit: Fit) -> Drawn:
    """The bins behind a fit, in the order of their places."""
    values, plan = fit.values.values, fit.values.plan
    order = order_of_places([value.bin for value in values])
    bins = [values[k] for k in order]
    raw = np.array([np.nan if value.value is None else float(value.value) for value in bins])
    if fit.values.outcome.scale == "log":
        raw = np.log(raw)
    several = len({value.site for value in bins if value.site is not None}) > 1

    def codes(*parts: str) -> Codes:
        keys = [tuple(getattr(value, part) for part in parts) for value in bins]
        position = {key: j for j, key in enumerate(dict.fromkeys(keys))}
        return read_only(np.array([position[key] for key in keys], dtype=np.intp))

    site = ("site",) if several else ()
    kind = plan.layout.kind
    factor = plan.layout.whole_plot_factor
    given = {item.name: item.factors.get(factor, "") for item in plan.treatments}
    names = list(dict.fromkeys(given.get(name, "") for name in fit.treatments))
    return Drawn(
        y=read_only(raw),
        treatment=read_only(np.array([fit.treatments.index(value.treatment) for value in bins], dtype=np.intp)),
        block=codes(*site) if kind == "completely random" else codes(*site, "block"),
        row=codes(*site, "row"),
        column=codes(*site, "column"),
        plot=codes(*site, "block", "whole_plot"),
        level=read_only(np.array([names.index(given.get(name, "")) for name in fit.treatments], dtype=np.intp)),
        rule=plan.layout.redraw_rule or NO_RULE,
        kind=kind,
        by_order=fit.method == "permutation",
    )
