"""Self-heating classes and maturity ratings in words: how many bins of an arm bear which name, and what it is worth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, get_args

from trialkit.records import Analysis, BinMaturity, HeatingClass, Rating
from trialkit.report.passages import (
    NOTHING,
    Passage,
    box,
    bullets,
    counted,
    folded,
    heading,
    join,
    listed,
    named,
    paragraph,
)
from trialkit.report.rounding import MISSING, plain
from trialkit.report.tables import Table, lines_of, table, text_cell

DESCRIBED = "These names describe bins; nothing is tested by them."
SCALE = (
    "Classes go by the highest rise above ambient in an insulated flask: V up to 10 °C, IV to 20, III to 30, II to 40, "
    "I above (Brinton and others 1995).",
    "V is the most stable. Scales by absolute peak temperature are also in use and agree with this one at 20 °C "
    "ambient only.",
)
INDEX = (
    "Ratings follow the index of the California Compost Quality Council (2001): C:N of 25 or less, then the worse of "
    "self-heating (stability) and germination beside the water blank (toxicity).",
)
NOT_RATED = (
    "No bin could be rated for maturity: that takes C:N of 25 or less, a self-heating test and germination, read "
    "within a week of each other."
)
ACID = "The flask test shows too little of active compost near pH 5."
LOW_PH = 5.5
CAPTION = "Self-heating class and maturity, one row a bin"
RESPIRED = (
    "Carbon respired was not used: the index asks for a laboratory rate per gram of organic matter, not for what a bin "
    "gave off."
)
NO_CERTIFICATE = (
    "Limits are as commonly quoted: look them up before you rely on them. These names are not a certificate, which "
    "takes samples drawn and tested by the rules of whoever asks for it."
)


def maturity(analysis: Analysis) -> Passage:
    """What the bins are called, arm by arm, with its cautions and every bin folded away; nothing where none has a name.

    Nothing is compared here.
    """
    if not analysis.maturity:
        return NOTHING
    return join([
        heading(3, "Self-heating and maturity, by name"),
        paragraph(f"{DESCRIBED} {_when(analysis.maturity)}"),
        bullets(name_sentences(analysis)),
        bullets(name_cautions(analysis), "small"),
        folded("Every bin: the readings behind its name, and why some have none",
               box([maturity_table(analysis).passage()], style="wide")),
    ])  # fmt: skip


def _when(bins: Sequence[BinMaturity]) -> str:
    """On which days the bins were read; a bin lost on the way, or read early, had less time than the rest."""
    days = sorted({item.day for item in bins if item.day is not None})
    if len(days) == 1:
        return f"They are of day {plain(days[0])}."
    return f"They are of days {plain(days[0])} to {plain(days[-1])}; bins lost or read early had less time."


def name_sentences(analysis: Analysis) -> tuple[str, ...]:
    """One sentence an arm, in the order of the plan: its bins counted by class and by rating."""
    planned = [treatment.name for treatment in analysis.trial.plan.treatments]
    arms = {name: [item for item in analysis.maturity if item.treatment == name]
            for name in dict.fromkeys([*planned, *(item.treatment for item in analysis.maturity)])}  # fmt: skip
    return tuple(_arm(name, bins) for name, bins in arms.items() if bins)


def _arm(name: str, bins: Sequence[BinMaturity]) -> str:
    classes = _count((item.heating_class for item in bins), reversed(get_args(HeatingClass)), "not measured")
    ratings = _count((item.rating for item in bins), get_args(Rating), "not rated")
    heat = f"self-heating {classes}" if classes.startswith("not") else f"self-heating class {classes}"
    decay = ratings if ratings.startswith("not") else f"rated {ratings}"
    return f"{named(name)} ({counted(len(bins), 'bin')}): {heat}; {decay}."


def _count(found: Iterable[Any], order: Iterable[str], without: str) -> str:
    """ "V in 3 and IV in 1", "V in all", "V"."""
    counts = Counter(without if name is None else name for name in found)
    names = [name for name in (*order, without) if counts[name]]
    if len(names) == 1:
        return names[0] if names[0] == without or counts[names[0]] == 1 else f"{names[0]} in all"
    return listed(f"{name} in {counts[name]}" for name in names)


def name_cautions(analysis: Analysis) -> tuple[str, ...]:
    """Which scale, what flatters it, where the limits come from, and that a name is no certificate."""
    tested = [item for item in analysis.maturity if item.heating_class is not None]
    sour = [item.bin for item in tested if item.readings.get("ph", 14.0) <= LOW_PH]
    unknown = [item.bin for item in tested if "ph" not in item.readings]
    acid = [ACID]
    if sour:
        acid.append(f"pH was {plain(LOW_PH)} or less beside it in {_bins(sour)}, so these names may flatter.")
    if unknown:
        whom = "any bin" if len(unknown) == len(tested) else _bins(unknown)
        acid.append(f"No pH was read within a week of it in {whom}.")
    rated = any(item.rating is not None for item in analysis.maturity)
    lines = [" ".join(SCALE), " ".join(acid), " ".join(INDEX if rated else (NOT_RATED, *INDEX))]
    if "respired_c_g_kg" in analysis.trial.readings.columns:
        lines.append(RESPIRED)
    return (*lines, NO_CERTIFICATE)


def _bins(names: Sequence[str], shown: int = 6) -> str:
    return listed(names) if len(names) <= shown else f"{counted(len(names), 'bin')}, {names[0]} among them"


COLUMNS = (
    ("bin", "Bin", False),
    ("treatment", "Treatment", False),
    ("day", "Last read, day", True),
    ("heating_class", "Self-heating class", False),
    ("rise_c", "Rise, °C", True),
    ("cn_ratio", "C:N", True),
    ("germination_pct", "Germination, %", True),
    ("ph", "pH", True),
)
READINGS = ("rise_c", "cn_ratio", "germination_pct", "ph")


def maturity_table(analysis: Analysis) -> Table:
    """One row a bin, for the page: its names with the readings behind them, or why it has none."""
    columns = [*COLUMNS, ("rating", "Maturity", False)]
    rows = [[*_cells(item), text_cell(item.rating or item.reason)] for item in analysis.maturity]
    return table("maturity", CAPTION, columns, rows)


def maturity_rows(analysis: Analysis) -> Table:
    """One row a bin, for tables/maturity.csv, with what each test came to and the lines it was read from."""
    ends = ("rating", "stability", "toxicity", "lines", "reason")
    columns = [*COLUMNS, *((name, name, False) for name in ends)]
    rows = []
    for item in analysis.maturity:
        raw = (item.rating, item.by_test.get("rise_c"), item.by_test.get("germination_pct"), lines_of(item.rows),
               item.reason)  # fmt: skip
        rows.append([*_cells(item), *(text_cell(cell) for cell in raw)])
    return table("maturity", CAPTION, columns, rows)


def _cells(item: BinMaturity) -> list[tuple[Any, str]]:
    return [
        text_cell(item.bin),
        text_cell(item.treatment),
        (item.day, MISSING if item.day is None else plain(item.day)),
        text_cell(item.heating_class),
        *((item.readings.get(name), _shown(item.readings.get(name))) for name in READINGS),
    ]


def _shown(reading: float | None) -> str:
    """A reading as it was typed, to four digits: 10.04 is past a limit that 10.0 would lie on."""
    return MISSING if reading is None else plain(float(f"{reading:.4g}"))
