"""Figures: every bin drawn, words beside them, files, and nothing computed."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from trialkit import report
from trialkit.records import Answer, Interval, Refusal
from trialkit.report.compatibility_curve import draw_compatibility
from trialkit.report.courses import column_label, source_column
from trialkit.report.drawings import MARKERS, PALETTE, broken, look, treatment_order
from trialkit.report.effect_axes import ratio_ticks
from trialkit.report.figures import draw_figures, main_figure, other_figures, write_figures
from trialkit.report.layout_figure import draw_layout, placing
from trialkit.report.panels import draw_outcome
from trialkit.report.steadiness import draw_repeats


def test_the_palette_is_the_colour_blind_one_of_seaborn() -> None:
    import seaborn

    assert {colour.lower() for colour in seaborn.color_palette("colorblind").as_hex()} == set(PALETTE)
    assert len(set(MARKERS)) == len(MARKERS) == len(PALETTE)
    assert len({look(place) for place in range(10)}) == 10


def test_figures_are_drawn_once_and_written_twice(make: SimpleNamespace, tmp_path: Path) -> None:
    analysis = make.analysis()
    drawn = draw_figures(analysis)
    assert list(drawn) == ["decay_rate", "courses_decay_rate", "layout_decay_rate", "curve_decay_rate"]
    paths = write_figures(drawn, tmp_path)
    assert sorted(path.name for path in paths) == [
        "courses_decay_rate.png", "courses_decay_rate.svg", "curve_decay_rate.png", "curve_decay_rate.svg",
        "decay_rate.png", "decay_rate.svg", "layout_decay_rate.png", "layout_decay_rate.svg",
    ]  # fmt: skip
    assert (tmp_path / "decay_rate.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "decay_rate.svg").read_text(encoding="utf-8").startswith("<svg")
    assert main_figure(analysis, drawn) is drawn["decay_rate"]
    assert "Volume of every bin over time" in other_figures(analysis, drawn).html


def test_the_same_analysis_gives_the_same_picture(make: SimpleNamespace) -> None:
    first, again = draw_figures(make.analysis()), draw_figures(make.analysis())
    assert first["decay_rate"].svg == again["decay_rate"].svg


def test_alt_text_says_bins_effects_and_claim(make: SimpleNamespace) -> None:
    drawing = draw_figures(make.analysis())["decay_rate"]
    assert drawing.alt == (
        "Decay rate of every bin. water only: 4 bins, 0.0270 to 0.0340 per day. "
        "killed starter: 4 bins, 0.0310 to 0.0370 per day. live starter: 4 bins, 0.0330 to 0.0410 per day. "
        "killed starter beside water only: 1.13 (1.09 to 1.18). "
        "live starter beside water only: 1.23 (1.18 to 1.28). Claimed: at least twice as fast."
    )
    assert f'alt="{drawing.alt}"' in drawing.passage().html
    assert drawing.caption == (
        "Decay rate. Above, every bin is one mark, thin lines join bins of one block, and the upright stroke is the "
        "adjusted mean. Below, the estimate and its 95 % range; the dashed stroke is what was claimed."
    )


def test_a_refused_outcome_still_shows_its_bins(make: SimpleNamespace) -> None:
    values = make.values()
    refusal = Refusal("models", ("One bin each.",), "decay_rate", values=values)
    drawing = draw_outcome(Answer("decay_rate", "primary", values, refusal, (refusal,)), make.analysis())
    assert drawing is not None
    assert drawing.caption == "Decay rate. Every bin is one mark, thin lines join bins of one block."


def test_hostile_names_stay_text(make: SimpleNamespace) -> None:
    values = make.values()
    hostile = tuple(replace(value, treatment='<script>alert("x")</script> $\\frac{1}{0}$') for value in values.values)
    answer = Answer("decay_rate", "primary", replace(values, values=hostile), make.fit(), ())
    drawing = draw_outcome(answer, make.analysis())
    assert drawing is not None
    assert "<script>" not in drawing.passage().html
    assert "<script>" not in drawing.svg


def test_labels_are_shapes_so_that_no_font_is_needed(make: SimpleNamespace) -> None:
    svg = draw_figures(make.analysis())["decay_rate"].svg
    assert "<text" not in svg
    assert not re.search(r"https?://(?!www\.w3\.org|matplotlib\.org|purl\.org|creativecommons\.org)", svg)


@pytest.mark.parametrize(
    ("low", "high"), [(0.9, 2.1), (0.95, 1.06), (0.4, 3.2), (0.05, 30.0), (1.05, 1.3), (0.001, 900.0)]
)
def test_ratio_axes_have_a_few_round_ticks(low: float, high: float) -> None:
    ticks = ratio_ticks(low, high)
    assert 2 <= len(ticks) <= 6
    assert all(low <= tick <= high for tick in ticks)
    if low < 1 < high:
        assert 1 in ticks


def test_where_a_course_comes_from(make: SimpleNamespace) -> None:
    trial = make.trial()
    assert source_column(trial, make.values()) == "volume_l"
    assert source_column(trial, None) is None
    assert treatment_order(trial) == ("water only", "killed starter", "live starter")
    assert column_label("core_temp_c") == "core temperature, °C"
    assert column_label("respired_c_g_kg") == "respired carbon, g/kg"
    assert column_label("ph") == "ph"


# ---------------------------------------------------------------- curve, map, repeats
def test_the_curve_says_how_well_claim_and_no_effect_fit(make: SimpleNamespace) -> None:
    analysis = make.whole()
    live = replace(analysis.answers[0].comparisons[1], estimate=1.4, std_error=0.2)
    live = replace(live, interval=replace(live.interval, low=1.4 * 0.57, high=1.4 / 0.57))
    drawing = draw_compatibility(replace(analysis.answers[0], comparisons=(live,)), analysis)
    assert drawing is not None and drawing.name == "curve_decay_rate"
    # t = ln 1.4 / (0.2 × widening) on 6 df, the widening that of the range: 2.8105 / 2.4469
    assert "no effect fits at 19 % and what was claimed fits at 17 % of the peak" in drawing.alt
    assert "the bar, where the curve is still above 5 % of its height, is the 95 % range" in drawing.caption


def test_no_curve_without_standard_error_or_with_an_open_end(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    for changes in ({"std_error": None}, {"df": None}, {"interval": Interval(1.1, None, 0.95)}):
        live = replace(analysis.answers[0].comparisons[1], **changes)
        assert draw_compatibility(replace(analysis.answers[0], comparisons=(live,)), analysis) is None


def test_the_map_follows_rows_and_columns_or_blocks(make: SimpleNamespace) -> None:
    trial = make.trial()
    cells, heads, told = placing(trial.bins)  # type: ignore[misc]
    assert cells["B5"] == (1, 1) and heads[1] == "block 2" and told == "by block, in the order of the file"
    square = tuple(
        replace(item, row=str(place // 4 + 9), column=str(place % 4 + 9)) for place, item in enumerate(trial.bins)
    )
    cells, heads, told = placing(square)  # type: ignore[misc]
    assert cells["B1"] == (0, 0) and cells["B12"] == (3, 2) and told == "where it stood"
    assert heads == ["row 9", "row 10", "row 11"]
    assert placing(tuple(replace(item, block=None) for item in trial.bins)) is None


def test_the_map_names_every_bin_with_its_value(make: SimpleNamespace) -> None:
    analysis = make.analysis()
    drawing = draw_layout(analysis.answers[0], analysis)
    assert drawing is not None
    assert "block 2: B4 water only 0.0340, B5 killed starter 0.0370 and B6 live starter 0.0410." in drawing.alt
    assert drawing.caption == (
        "Decay rate, per day, of every bin by block, in the order of the file. The mark is the treatment; the darker "
        "the field, the higher."
    )
    many = make.analysis(bins=tuple(replace(item, block="1") for item in analysis.trial.bins))
    assert draw_layout(many.answers[0], many) is None  # twelve in a line cannot be read on a phone


def test_a_label_is_broken_between_its_parts_and_never_cut() -> None:
    name, numbers = "molasses and culture beside molasses water:", "1.06 (0.91 to 1.22)"
    assert broken(name, numbers, most=46).split("\n") == [name, numbers]
    assert broken("live:", numbers) == f"live: {numbers}"
    lines = broken(name, numbers, most=20).split("\n")
    assert " ".join(lines) == f"{name} {numbers}" and max(map(len, lines)) <= 20


def test_repeats_are_drawn_beside_the_answer(make: SimpleNamespace) -> None:
    analysis = make.whole()
    drawing = draw_repeats(analysis.answers[0], analysis)
    assert drawing is not None
    assert drawing.alt == (
        "Decay rate with one thing changed at a time. live starter beside water only: 1.23 as analysed; "
        "1.19 to 1.27 in 9 repeats."
    )
    assert drawing.caption.endswith("Open marks: the answer to the claim changes.")
    assert draw_repeats(replace(analysis.answers[0], sensitivity=()), analysis) is None


def test_map_and_repeats_stand_in_their_sections(make: SimpleNamespace) -> None:
    analysis = make.whole()
    drawn = draw_figures(analysis)
    assert drawn["layout_decay_rate"].alt in report.what_was_compared(analysis, drawn).text
    assert drawn["repeats_decay_rate"].alt in report.how_sure(analysis, drawn).text
    others = other_figures(analysis, drawn).text
    assert drawn["curve_decay_rate"].alt in others
    assert drawn["layout_decay_rate"].alt not in others and drawn["repeats_decay_rate"].alt not in others
