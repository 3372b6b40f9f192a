"""Names of bins in words, to the letter. Classes by Brinton et al. 1995, ratings by the California council, 2001."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from trialkit.records import Analysis, Bin, BinMaturity, Plan, Readings, Treatment, Trial, read_only
from trialkit.report.maturity_words import maturity, maturity_rows, maturity_table, name_cautions, name_sentences

ARMS = ("water only", "live, starter")
CAUTIONS = (
    "Classes go by the highest rise above ambient in an insulated flask: V up to 10 °C, IV to 20, III to 30, II to 40, "
    "I above (Brinton and others 1995). V is the most stable. Scales by absolute peak temperature are also in use and "
    "agree with this one at 20 °C ambient only.",
    "The flask test shows too little of active compost near pH 5. pH was 5.5 or less beside it in B2, so these names "
    "may flatter. No pH was read within a week of it in B3 and B5.",
    "Ratings follow the index of the California Compost Quality Council (2001): C:N of 25 or less, then the worse of "
    "self-heating (stability) and germination beside the water blank (toxicity).",
    "Limits are as commonly quoted: look them up before you rely on them. These names are not a certificate, which "
    "takes samples drawn and tested by the rules of whoever asks for it.",
)
NOT_RATED = (
    "No bin could be rated for maturity: that takes C:N of 25 or less, a self-heating test and germination, read "
    "within a week of each other."
)


def named_bin(number: int, heating: Any, rating: Any, *, reason: str = "", **readings: float) -> BinMaturity:
    return BinMaturity(
        f"B{number}", ARMS[number % 2], 60.0 if readings else None, heating, rating, {}, reason,
        {name: float(value) for name, value in readings.items()},
        dict.fromkeys(readings, 60.0), (("readings.csv", 10 + number),) if readings else (),
    )  # fmt: skip


NAMED = (
    named_bin(1, "V", "very mature", rise_c=4, cn_ratio=18, germination_pct=92, ph=7.2),
    named_bin(2, "IV", "mature", rise_c=15, cn_ratio=18, germination_pct=92, ph=5.5),
    named_bin(3, "IV", None, reason="C:N is 31, above 25, so maturity is not rated.", rise_c=12, cn_ratio=31),
    named_bin(4, None, None, reason="Self-heating, C:N and germination were not measured."),
    named_bin(5, "IV", "mature", rise_c=15, cn_ratio=18, germination_pct=92),
)


def analysis_of(named: tuple[BinMaturity, ...] = NAMED, columns: Mapping[str, Any] | None = None) -> Analysis:
    plan = Plan("water only", treatments=tuple(Treatment(name) for name in ARMS))
    none = read_only(np.array([], dtype=np.intp))
    readings = Readings(none, read_only(np.array([])), columns or {}, none, none, none)
    bins = tuple(Bin(item.bin, item.treatment) for item in named)
    return Analysis(Trial("here", plan, bins, readings, (), (), 0, 0), (), (), maturity=named)


def test_bins_are_counted_by_class_and_rating_arm_by_arm() -> None:
    assert name_sentences(analysis_of()) == (
        "water only (2 bins): self-heating class IV in 1 and not measured in 1; rated mature in 1 and not rated in 1.",
        "“live, starter” (3 bins): self-heating class V in 1 and IV in 2; rated very mature in 1, mature in 1 and "
        "not rated in 1.",
    )
    assert name_sentences(analysis_of((NAMED[0],))) == (
        "“live, starter” (1 bin): self-heating class V; rated very mature.",
    )
    assert name_sentences(analysis_of((NAMED[2], named_bin(7, "IV", None, rise_c=15)))) == (
        "“live, starter” (2 bins): self-heating class IV in all; not rated.",
    )
    assert name_sentences(analysis_of((NAMED[3], NAMED[0])))[0] == (
        "water only (1 bin): self-heating not measured; not rated."
    )


def test_the_cautions_name_scale_acidity_and_source() -> None:
    assert name_cautions(analysis_of()) == CAUTIONS


@pytest.mark.parametrize(
    ("ph", "told"),
    [
        ({"ph": 5.6}, ""),
        ({"ph": 5.5}, " pH was 5.5 or less beside it in B1, so these names may flatter."),
        ({}, " No pH was read within a week of it in any bin."),
    ],
)
def test_acidity_beside_the_test_is_told(ph: Mapping[str, float], told: str) -> None:
    found = name_cautions(analysis_of((named_bin(1, "V", None, rise_c=4, **ph),)))
    assert found[1] == f"The flask test shows too little of active compost near pH 5.{told}"
    assert found[2] == f"{NOT_RATED} {CAUTIONS[2]}"


def test_carbon_respired_is_said_to_be_left_out_where_it_was_read() -> None:
    found = name_cautions(analysis_of(columns={"respired_c_g_kg": np.array([])}))
    assert found[3] == (
        "Carbon respired was not used: the index asks for a laboratory rate per gram of organic matter, not for what a "
        "bin gave off."
    )


def test_many_sour_bins_are_counted() -> None:
    bins = tuple(named_bin(number, "V", None, rise_c=4, ph=5) for number in range(1, 10))
    assert "in 9 bins, B1 among them, so" in name_cautions(analysis_of(bins))[1]


def test_the_passage_stands_only_where_a_bin_has_a_name() -> None:
    assert not maturity(analysis_of(()))
    found = maturity(analysis_of())
    assert found.text.startswith(
        "Self-heating and maturity, by name\n"
        "These names describe bins; nothing is tested by them. They are of day 60.\n"
        "- water only"
    )
    early = replace(NAMED[0], day=21.0)
    assert (
        "They are of days 21 to 60; bins lost or read early had less time."
        in maturity(analysis_of((early, *NAMED))).text
    )
    assert "<details><summary>Every bin: the readings behind its name" in found.html
    sentences = re.split(r"(?<=[.:;]) ", " ".join([*name_sentences(analysis_of()), *name_cautions(analysis_of())]))
    assert all(len(sentence.split()) <= 30 for sentence in sentences)


def test_every_bin_stands_in_the_table() -> None:
    sheet = maturity_table(analysis_of())
    assert sheet.shown[1] == ("B2", "water only", "60", "IV", "15", "18", "92", "5.5", "mature")
    near = maturity_table(analysis_of((named_bin(1, "IV", None, rise_c=10.04),)))
    assert near.shown[0][3:5] == ("IV", "10.04")
    assert sheet.shown[3][2:] == (*("–",) * 6, "Self-heating, C:N and germination were not measured.")


def test_the_file_holds_what_each_test_came_to() -> None:
    tests = {"rise_c": "mature", "germination_pct": "very mature"}
    sheet = maturity_rows(analysis_of((replace(NAMED[1], by_test=tests), NAMED[2])))
    assert sheet.columns[8:] == ("rating", "stability", "toxicity", "lines", "reason")
    assert sheet.rows[0][2:] == (
        60.0, "IV", 15.0, 18.0, 92.0, 5.5, "mature", "mature", "very mature", "readings.csv 12", "",
    )  # fmt: skip
    assert sheet.rows[1][6:] == (
        None, None, None, None, None, "readings.csv 13", "C:N is 31, above 25, so maturity is not rated.",
    )  # fmt: skip
