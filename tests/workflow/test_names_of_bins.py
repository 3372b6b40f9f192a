"""From a folder to the names of its bins in results.json: self-heating classes and maturity ratings."""

from __future__ import annotations

import json

import jsonschema

import trialkit
from trialkit import report
from trialkit.report import results_schema

COURSE = ((0, 200), (10, 160), (20, 135), (35, 110), (60, 93))
# limits of Brinton et al. 1995 and of the California council, 2001
LAST = {  # rise in °F, C:N, germination: what they are called
    "A1": ("27", "18", "92", ("IV", "mature")),
    "A2": ("18", "18", "92", ("V", "mature")),
    "A3": ("86.4", "31", "95", ("I", None)),
    "B1": ("7.2", "18", "92", ("V", "very mature")),
    "B2": ("", "18", "92", (None, None)),
    "B3": ("59.4", "18", "92", ("II", "immature")),
}


def write_trial(folder, *, names=True):
    head = "bin,treatment,day,volume_l,self_heating_rise_f,cn_ratio,germination_pct,ph"
    lines = [head if names else "bin,treatment,day,volume_l"]
    for place, (bin_, (rise, cn, germination, _)) in enumerate(LAST.items()):
        for day, volume in COURSE:
            cells = f"{bin_},{'starter' if bin_[0] == 'A' else 'water'},{day},{volume - 0.01 * day * place:g}"
            end = f",{rise},{cn},{germination},{5.4 if bin_ == 'A2' else 7}" if day == 60 else ",,,,"
            lines.append(cells + (end if names else ""))
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "readings.csv"


def test_names_reach_results_tables_and_report(tmp_path):
    analysis = trialkit.analyse(write_trial(tmp_path), control="water")
    path = report.write_results(analysis, tmp_path / "results.json")
    found = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.validate(found, results_schema(), cls=jsonschema.Draft202012Validator)
    assert [(row["bin"], row["heating_class"], row["rating"]) for row in found["maturity"]] == [
        (bin_, *names) for bin_, (*_, names) in LAST.items()
    ]
    third = found["maturity"][2]
    assert third["readings"]["rise_c"] == {"value": 48.0, "day": 60.0}
    assert third["reason"] == "C:N is 31, above 25, so maturity is not rated."
    assert "maturity.csv" in {file.name for file in report.write_tables(analysis, tmp_path / "tables")}
    text = report.maturity(analysis).text
    assert (
        "starter (3 bins): self-heating class V in 1, IV in 1 and I in 1; rated mature in 2 and not rated in 1" in text
    )
    assert "pH was 5.5 or less beside it in A2" in text


def test_the_names_are_compared_by_nothing(tmp_path):
    """With and without them, the outcomes that both files hold are answered alike."""
    (tmp_path / "plain").mkdir()
    named = report.results_of(trialkit.analyse(write_trial(tmp_path), control="water"))
    plain = report.results_of(trialkit.analyse(write_trial(tmp_path / "plain", names=False), control="water"))
    assert not {"self_heating_rise_c", "maturity"} & {outcome["name"] for outcome in named["outcomes"]}
    rates = [next(o for o in found["outcomes"] if o["name"] == "decay_rate") for found in (named, plain)]
    assert rates[0] == rates[1]
    assert rates[0]["comparisons"]


def test_nothing_appears_where_no_bin_has_such_readings(tmp_path):
    analysis = trialkit.analyse(write_trial(tmp_path, names=False), control="water")
    assert report.results_of(analysis)["maturity"] == []
    assert not report.maturity(analysis)
    assert "maturity.csv" not in {file.name for file in report.write_tables(analysis, tmp_path / "tables")}
