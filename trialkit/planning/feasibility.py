"""Refuses plans that cannot work, each with the reason and the nearest plan that can."""

from __future__ import annotations

from collections import Counter
from unicodedata import category

from trialkit.errors import DesignError, nearest_name
from trialkit.planning.layout_request import KINDS, LayoutRequest, control_bins

MOST_BINS = 2000


def refuse_impossible(request: LayoutRequest) -> None:
    """Raise DesignError with every reason why the request cannot become a layout; None where it can."""
    reasons = [*_wrong_names(request)]
    if not reasons:
        reasons += _wrong_numbers(request)
    if not reasons:
        reasons += {
            "completely random": _wrong_line,
            "blocks": _wrong_blocks,
            "latin square": _wrong_square,
            "split plot": _wrong_split_plot,
        }[request.kind](request)
    if reasons:
        raise DesignError("\n".join(reasons))


def is_plain(text: str, also: str = "") -> bool:
    """Whether a text holds no control or line-breaking characters but those of ``also``, and nothing XML forbids."""
    return all(
        letter in also or (category(letter) not in ("Cc", "Cs", "Zl", "Zp") and ord(letter) & 0xFFFE != 0xFFFE)
        for letter in text
    )


def _wrong_names(request: LayoutRequest) -> list[str]:
    reasons = []
    if request.kind not in KINDS:
        near = nearest_name(request.kind, KINDS)
        hint = f" Nearest: {near}." if near else ""
        reasons.append(f'found the layout "{request.kind}"; expected one of {", ".join(KINDS)}.{hint}')
    names = request.treatments
    if any(not name.strip() for name in names):
        reasons.append("found a treatment without a name; expected a name for every arm.")
    for name in names:
        if name.strip() and (name != name.strip() or not is_plain(name) or name[0] in "=+-@"):
            reasons.append(
                f"found the treatment {name!r}; expected a name that begins with a letter or digit, "
                "without blanks around "
                "it and without line breaks or tabs: a spreadsheet would run or change it."
            )
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        reasons.append(f"found {', '.join(twice)} twice among the treatments; expected every arm once.")
    if len(names) < 2:
        count = "no treatment" if not names else f"one treatment ({names[0]})"
        reasons.append(
            f"found {count}; expected two arms or more. Nearest plan: name the arms with the control among them, "
            'say --treatments "water only,starter" --control "water only".'
        )
    elif request.control not in names:
        near = nearest_name(request.control, names)
        hint = f' Nearest: "{near}".' if near else ""
        reasons.append(
            f'the control "{request.control}" is not an arm; expected one of {", ".join(names)}.{hint} '
            "Nearest plan: name one of the arms after --control, or add the control to the treatments."
        )
    return reasons


def _wrong_numbers(request: LayoutRequest) -> list[str]:
    reasons = []
    for name, value in (
        ("bins an arm", request.bins),
        ("blocks", request.blocks),
        ("bins a block", request.bins_per_block),
        ("control bins for each other bin", request.control_replication),
    ):
        if isinstance(value, int) and value < 1:
            reasons.append(f"found {value} {name}; expected a whole number from 1 up.")
    if isinstance(request.control_replication, str) and request.control_replication not in ("equal", "square root"):
        reasons.append(
            f'found control replication "{request.control_replication}"; expected "equal", "square root" or a number.'
        )
    if request.seed is not None and not 0 <= request.seed < 2**63:
        reasons.append(f"found the seed {request.seed}; expected a whole number from 0 up, below 2 to the power of 63.")
    total = len(request.treatments) * max(request.bins or 1, 1) * max(request.blocks or 1, 1)
    total *= max(len(request.whole_plot_levels), 1)
    if total > MOST_BINS:
        reasons.append(f"found a trial of about {total} bins; expected at most {MOST_BINS}. Check the numbers.")
    return reasons


def _wrong_line(request: LayoutRequest) -> list[str]:
    t = len(request.treatments)
    if request.bins is None:
        return [f"a completely random layout needs the bins an arm; expected --bins, say --bins 4 for {4 * t} bins."]
    if request.blocks is not None:
        return [
            "found blocks for a completely random layout; expected one or the other. Nearest plan: --layout blocks "
            f"--blocks {max(request.blocks, 2)}, or leave --blocks out."
        ]
    if request.bins == 1:
        return [
            "found one bin an arm: the difference between two bins cannot be told from the difference between two "
            f"treatments, and no error degrees of freedom are left. Nearest plan: --bins 2 ({2 * t} bins); "
            f"4 an arm ({4 * t} bins) is the usual least."
        ]
    return []


def _wrong_blocks(request: LayoutRequest) -> list[str]:
    t = len(request.treatments)
    per_block = t - 1 + control_bins(request)
    reasons = []
    if request.blocks is None:
        return [f"a layout in blocks needs their number; expected --blocks, say --blocks 4 for {4 * per_block} bins."]
    if request.bins is not None and request.bins != request.blocks:
        reasons.append(
            f"found {request.bins} bins an arm in {request.blocks} blocks; expected one bin of every arm in a block. "
            f"Nearest plan: --blocks {request.bins} without --bins."
        )
    if request.bins_per_block is not None and per_block > request.bins_per_block:
        keep = request.bins_per_block
        nearest = f"blocks of {per_block} bins"
        if keep >= 2:
            nearest += f", or {keep} arms a trial"
        nearest += f", or a completely random layout with --bins {request.blocks}"
        reasons.append(
            f"found more arms than bins in a block ({per_block} bins wanted, {keep} there); expected every arm in "
            f"every block. Nearest plan: {nearest}."
        )
    elif request.bins_per_block is not None and per_block < request.bins_per_block:
        spare = request.bins_per_block - per_block
        reasons.append(
            f"found {request.bins_per_block} bins a block for {per_block} bins wanted; {spare} would stay empty. "
            f"Nearest plan: leave out --bins-per-block, or give the control more bins with --control-bins {1 + spare}."
        )
    if request.blocks == 1:
        reasons.append(
            "found one block: one bin an arm leaves no error degrees of freedom, so nothing could be told from chance. "
            f"Nearest plan: --blocks 2 ({2 * per_block} bins); --blocks 4 ({4 * per_block} bins) is the usual least."
        )
    return reasons


def _wrong_square(request: LayoutRequest) -> list[str]:
    t = len(request.treatments)
    reasons = []
    counts = {"bins an arm": request.bins, "blocks": request.blocks, "bins a row": request.bins_per_block}
    for name, value in counts.items():
        if value is not None and value != t:
            reasons.append(
                f"found {value} {name} for a latin square of {t} treatments, which is not square; expected {t} rows, "
                f"{t} columns and {t} treatments. Nearest plan: {t} × {t} = {t * t} bins (leave the number out), or "
                f"--layout blocks --blocks {max(value, 2)}."
            )
    if request.control_replication not in ("equal", 1):
        reasons.append(
            "found extra control bins for a latin square; expected every treatment once in every row and column. "
            "Nearest plan: --layout blocks."
        )
    if t == 2:
        reasons.append(
            "a 2 × 2 latin square leaves no error degrees of freedom. Nearest plan: --layout blocks --blocks 4 "
            "(8 bins)."
        )
    if t > 12:
        reasons.append(f"found {t} treatments; expected at most 12 in a latin square. Nearest plan: --layout blocks.")
    return reasons


def _wrong_split_plot(request: LayoutRequest) -> list[str]:
    t, levels = len(request.treatments), len(request.whole_plot_levels)
    reasons = []
    if not request.whole_plot_factor or levels < 2:
        reasons.append(
            "a split plot needs a factor set for groups of bins and two levels of it or more; expected, say, "
            '--whole-plots "turning: weekly, never". Nearest plan: --layout blocks.'
        )
    if len(set(request.whole_plot_levels)) < levels:
        reasons.append("found a whole-plot level twice; expected every level once.")
    if request.control_replication not in ("equal", 1):
        reasons.append(
            "found extra control bins for a split plot; expected every treatment once in every whole plot. "
            "Nearest plan: leave out --control-bins."
        )
    if request.bins is not None:
        reasons.append("found --bins for a split plot; expected --blocks: every block holds every combination once.")
    if request.blocks is None:
        reasons.append(f"a split plot needs the number of blocks; expected, say, --blocks 4 ({4 * t * levels} bins).")
    elif request.blocks == 1 and levels >= 2:
        reasons.append(
            "found one block: every level of the whole-plot factor would stand in one whole plot, with no error "
            f"degrees of freedom. Nearest plan: --blocks 2 ({2 * t * levels} bins); --blocks 4 "
            f"({4 * t * levels} bins) is the usual least."
        )
    return reasons
