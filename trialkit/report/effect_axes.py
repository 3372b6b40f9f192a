"""What figures of effects share: the axis of an effect, the place of a claim on it, and its label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.records import Claim, Comparison
from trialkit.report import rounding
from trialkit.report.passages import capitalised
from trialkit.report.words import noun, shown_unit, unit_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def on_log_axis(found: Sequence[Comparison]) -> bool:
    """Whether these effects are ratios that can all stand on a ratio axis."""
    return all(item.kind == "ratio" and _positive(item) for item in found)


def neutral_of(item: Comparison) -> float | None:
    """Where no difference lies on the axis; None for a level."""
    return {"ratio": 1.0, "difference": 0.0, "superiority": 0.5}.get(item.kind)


def _positive(item: Comparison) -> bool:
    return item.estimate > 0 and (item.interval.low is None or item.interval.low > 0)


def claim_places(claims: Sequence[Claim], item: Comparison) -> list[float]:
    """Where the sizes claimed of this very comparison lie on the axis as drawn (treatment over against, not turned)."""
    places = []
    for claim in claims:
        swapped = (claim.against, claim.treatment) == (item.treatment, item.against)
        if not swapped and (claim.treatment, claim.against) != (item.treatment, item.against):
            continue
        down = (item.outcome.better < 0) != swapped
        if claim.size in ("times_as_fast", "at_least_ratio") and item.kind == "ratio" and claim.amount > 0:
            places.append(1 / claim.amount if down else claim.amount)
        elif claim.size == "at_least" and item.kind == "difference":
            places.append(-claim.amount if down else claim.amount)
        elif claim.size == "within_days" and item.kind == "level":
            places.append(claim.amount)
    return places


def limits(axes: Axes, ends: list[float], log: bool) -> None:
    """Limits and ticks that hold all the ends, ratios on round numbers."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

    low, high = min(ends), max(ends)
    if not log:
        room = 0.08 * (high - low or abs(high) or 1.0)
        axes.set_xlim(low - room, high + room)
        axes.locator_params(axis="x", nbins=5)
        return
    room = max((high / low) ** 0.08, 1.02)
    axes.set_xlim(low / room, high * room)
    axes.xaxis.set_major_locator(FixedLocator(ratio_ticks(low / room, high * room)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: rounding.plain(float(f"{value:.3g}"))))
    axes.xaxis.set_minor_formatter(NullFormatter())


def ratio_ticks(low: float, high: float) -> list[float]:
    """Four to six round ratios inside the limits, 1 among them where it is inside."""
    ladders = (
        [10.0**power for power in range(-6, 7)],
        [factor * 10.0**power for power in range(-4, 4) for factor in (1, 3)],
        [factor * 10.0**power for power in range(-3, 3) for factor in (1, 2, 5)],
        [0.2, 0.33, 0.5, 0.67, 0.8, 1, 1.25, 1.5, 2, 3, 4, 5],
        [round(0.5 + 0.1 * step, 1) for step in range(26)],
        [round(0.8 + 0.05 * step, 2) for step in range(17)],
        [round(0.9 + 0.01 * step, 2) for step in range(31)],
    )
    best: list[float] = []
    for ladder in ladders:
        inside = [tick for tick in ladder if low <= tick <= high]
        if 3 <= len(inside) <= 6:
            return inside
        if len(inside) > 6:
            step = -(-len(inside) // 6)
            offset = inside.index(1.0) % step if 1.0 in inside else 0
            return inside[offset::step]
        best = inside or best
    return best or [low, high]


def size_label(item: Comparison) -> str:
    """What the axis of an effect counts, and where on it no difference lies."""
    outcome = item.outcome
    if item.kind == "ratio":
        if outcome.name == "decay_rate":
            return "Times as fast (1 = no difference)"
        if outcome.name.startswith("days_to"):
            return "Times as long (1 = no difference)"
        return f"{capitalised(noun(outcome))}: times as high (1 = no difference)"
    if item.kind == "difference":
        unit = unit_words(outcome)
        return f"Difference{f' in {unit}' if unit else ''} (0 = none)"
    if item.kind == "superiority":
        return "Share of pairs (0.5 = no difference)"
    return shown_unit(outcome) or noun(outcome)


def effect_label(item: Comparison) -> str:
    """Estimate and range beside a bar: "1.23 (1.18 to 1.28)"."""
    marks = {"ratio": (1.0,), "difference": (0.0,)}.get(item.kind, ())
    shown = rounding.together(item.estimate, item.interval.low, item.interval.high, landmarks=marks)
    if item.kind == "superiority" and shown.low is None and shown.high is None:
        return f"{rounding.fixed(item.estimate, 2)} of all pairs"
    return f"{shown.estimate} ({rounding.from_to(shown.low, shown.high)})"
