"""Laws of the gate: what may change in a file without changing a number, and that no file brings anything but a Trial
or a TemplateError.
"""

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.errors import TemplateError
from trialkit.intake import check_trial, load_trial
from trialkit.shipped import shipped

SAMPLE = {
    name: (shipped("sample_trials") / "three_arms" / name).read_text(encoding="utf-8")
    for name in ("trial.toml", "bins.csv", "readings.csv")
}


def tries(count):
    """So many examples, the same in every run; files are rewritten in one folder, which hypothesis would mind."""
    return settings(
        max_examples=count, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )


def put(folder: Path, files):
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for name, content in files.items():
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return folder


def numbers(trial):
    """Everything that an analysis may read, by names rather than positions."""
    readings = trial.readings
    order = {
        (trial.bins[bin_].bin, float(day)): index
        for index, (bin_, day) in enumerate(zip(readings.bin, readings.day, strict=True))
    }
    keys = sorted(order)
    return keys, {name: values[[order[key] for key in keys]] for name, values in sorted(readings.columns.items())}


def assert_same(one, two):
    (keys_one, columns_one), (keys_two, columns_two) = numbers(one), numbers(two)
    assert keys_one == keys_two
    assert list(columns_one) == list(columns_two)
    for name in columns_one:
        # a unit there and back errs in the last places of a double, and what is typed has six figures
        assert np.allclose(columns_one[name], columns_two[name], rtol=1e-9, atol=1e-9, equal_nan=True), name
    assert {(b.bin, b.treatment, b.block) for b in one.bins} == {(b.bin, b.treatment, b.block) for b in two.bins}
    assert one.rows_used == two.rows_used and len(one.set_aside) == len(two.set_aside)
    assert [f.code for f in two.findings if f.severity == "warning"] == [
        f.code for f in one.findings if f.severity == "warning"
    ]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("laws")


@pytest.fixture(scope="module")
def original(folder):
    return load_trial(put(folder / "original", SAMPLE))


def spelled(text, rng, separator, commas, crlf, blanks, mark):
    """The same table typed by somebody else."""
    lines = text.splitlines()
    out = []
    for line in lines:
        cells = line.split(",") if '"' not in line else None
        if cells is None:  # a note with a comma in it: kept as it is, in quotation marks
            first, _, rest = line.partition(',"')
            cells = [*first.split(","), rest.rstrip('"')]
        if commas:
            cells = [cell.replace(".", ",") if cell.replace(".", "").isdigit() else cell for cell in cells]
        quoted = [f'"{cell}"' if separator in cell or rng.random() < 0.05 else cell for cell in cells]
        out.append(separator.join(quoted))
        if blanks and rng.random() < 0.2:
            out.append(rng.choice(["", separator * (len(cells) - 1), "  "]))
    return mark + ("\r\n" if crlf else "\n").join(out) + "\n"


@tries(40)
@given(
    seed=st.integers(0, 2**32),
    separator=st.sampled_from([",", ";", "\t"]),
    commas=st.booleans(),
    crlf=st.booleans(),
    blanks=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    order=st.booleans(),
    columns=st.booleans(),
)
def test_harmless_changes_change_no_number(
    folder, original, seed, separator, commas, crlf, blanks, encoding, order, columns
):
    rng = random.Random(seed)
    head, *rows = SAMPLE["readings.csv"].splitlines()
    if order:
        rng.shuffle(rows)
    files = dict(SAMPLE)
    files["readings.csv"] = spelled("\n".join([head, *rows]), rng, separator, commas, crlf, blanks, "").encode(encoding)
    bins = SAMPLE["bins.csv"]
    if columns:
        table = [line.split(",") for line in bins.splitlines()]
        places = rng.sample(range(len(table[0])), len(table[0]))
        bins = "\n".join(",".join(row[place] for place in places) for row in table)
    files["bins.csv"] = spelled(bins, rng, separator, False, crlf, blanks, "").encode(encoding)
    assert_same(original, load_trial(put(folder / "harmless", files)))


@tries(30)
@given(
    units=st.fixed_dictionaries(
        {
            "core_temp_c": st.sampled_from(["core_temp_c", "core_temp_f"]),
            "ambient_temp_c": st.sampled_from(["ambient_temp_c", "ambient_temp_f"]),
            "volume_l": st.sampled_from(["volume_l", "volume_gal", "volume_ft3", "volume_m3"]),
            "wet_mass_kg": st.sampled_from(["wet_mass_kg", "wet_mass_lb", "wet_mass_g"]),
        }
    ),
    parts=st.integers(1, 4),
)
def test_other_units_and_several_files_change_no_number(folder, original, units, parts):
    factor = {"_f": (9 / 5, 32), "_gal": (1 / 3.785411784, 0), "_ft3": (1 / 28.316846592, 0), "_m3": (0.001, 0)}
    factor |= {"_lb": (1 / 0.45359237, 0), "_g": (1000, 0)}
    head, *rows = [line.split(",", 9) for line in SAMPLE["readings.csv"].splitlines()]
    for place, name in enumerate(head):
        other = units.get(name, name)
        scale = factor.get("_" + other.rsplit("_", 1)[-1]) if other != name else None
        if scale:
            for row in rows:
                row[place] = f"{float(row[place]) * scale[0] + scale[1]:.15g}" if row[place] else ""
    lines = [",".join(row) for row in rows]
    title = ",".join(units.get(name, name) for name in head)
    files = {name: SAMPLE[name] for name in ("trial.toml", "bins.csv")}
    for part in range(parts):
        files[f"readings{part or ''}.csv"] = "\n".join([title, *lines[part::parts]])
    assert_same(original, load_trial(put(folder / "units", files)))


def accounted(trial):
    assert trial.rows_read == trial.rows_used + len(trial.set_aside)
    assert trial.rows_used == len(trial.readings.row_line) == len(trial.readings.row_visit)
    within = np.diff(trial.readings.bin) == 0
    assert (np.diff(trial.readings.day)[within] > 0).all()


def look(path, control="water only"):
    """Load and check; anything but a Trial or a TemplateError with a place in it fails the test."""
    checked = check_trial(path)
    assert all(finding.found and finding.file for finding in checked.findings)
    try:
        trial = load_trial(path, control=control)
    except TemplateError as error:
        assert any(finding.severity == "error" for finding in error.findings)
        assert str(error)
        return None
    accounted(trial)
    assert not any(finding.severity == "error" for finding in checked.findings)
    return trial


ODD = [
    *(
        "",
        " ",
        "-",
        "NA",
        "None",
        "nan",
        "inf",
        "-1",
        "1e400",
        "1e5",
        "1,5",
        "1.234",
        "1,234",
        "99999999",
        "=1+1",
        "yes",
    ),
    *("2026-10-03", "03/10/2026", "46298", '"', "'", ";", "\t", "\r", "\n", "\0", "é", "🪱", "B 3", "b3", "x" * 300),
]


def mutate(data, rng):
    """One to four changes of a table: cells, rows, columns, headings, or bytes."""
    for _ in range(rng.randint(1, 4)):
        kind = rng.randrange(9)
        lines = data.split(b"\n")
        at = rng.randrange(len(lines))
        cells = lines[at].split(b",")
        place = rng.randrange(len(cells))
        if kind == 0:
            cells[place] = rng.choice(ODD).encode("utf-8")
        elif kind == 1:
            cells.insert(place, rng.choice(ODD).encode("utf-8"))
        elif kind == 2:
            del cells[place]
        elif kind == 3:
            cells[place] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 4)))
        lines[at] = b",".join(cells)
        if kind == 4:
            lines.insert(at, rng.choice(lines))
        elif kind == 5:
            del lines[at]
        elif kind == 6:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        data = b"\n".join(lines)
        if kind == 7 and data:
            cut = rng.randrange(len(data))
            data = data[:cut] if rng.random() < 0.5 else data[cut:]
        elif kind == 8:
            data = data.replace(
                rng.choice([b",", b".", b"\n", b"B", b'"', b"0"]),
                rng.choice([b";", b",", b"", b'"', b"-"]),
                rng.choice([1, -1]),
            )
    return data


@tries(40)
@given(seed=st.integers(0, 2**48), which=st.sampled_from(["trial.toml", "bins.csv", "readings.csv", "all"]))
def test_no_mutation_brings_anything_but_a_trial_or_a_told_fault(folder, seed, which):
    rng = random.Random(seed)
    files = {
        name: mutate(text.encode(), rng) if which in (name, "all") else text for name, text in SAMPLE.items()
    }  # fmt: skip
    look(put(folder / "mutated", files), control=None)


SINGLE = "bin,treatment,block,day,volume_l,finished,odour_score,rater,water_added_l,date,note\n" + "".join(
    f"{b},{t},{k},{d},{200 - d},no,{d % 5},Ann,1.5,2026-10-{d + 1:02d},\n"
    for d in (0, 7, 14, 21)
    for b, t, k in (("A", "water only", 1), ("B", "starter", 1), ("C", "starter", 2), ("D", "water only", 2))
)


@tries(40)
@given(seed=st.integers(0, 2**48))
def test_no_single_file_does_either(folder, seed):
    place = put(folder / "single", {"one.csv": mutate(SINGLE.encode(), random.Random(seed))}) / "one.csv"
    look(place)


def test_the_single_file_itself_fits(folder):
    assert look(put(folder / "single", {"one.csv": SINGLE}) / "one.csv").rows_used == 16


@tries(40)
@given(data=st.binary(max_size=200), name=st.sampled_from(["trial.toml", "bins.csv", "readings.csv"]))
def test_no_bytes_do(folder, data, name):
    look(put(folder / "bytes", {**SAMPLE, name: data}), control=None)


VALUES = st.recursive(
    st.one_of(st.booleans(), st.integers(-5, 5), st.floats(), st.text(max_size=5), st.just("2026-10-03")),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)
KEYS = ["title", "control", "start", "stated_on", "secondary", "primary", "level", "layout", "claim", "treatment",
        "outcome", "finish", "kind", "seed", "factors", "equivalence", "times_as_fast", "x"]  # fmt: skip


def as_toml(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return "nan" if value != value else "inf" if value == np.inf else "-inf" if value == -np.inf else repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(item) for item in value) + "]"
    if isinstance(value, int):
        return str(value)
    import json

    return json.dumps(value.encode("ascii", "ignore").decode())


@tries(40)
@given(
    top=st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=3),
    tables=st.lists(
        st.tuples(
            st.sampled_from(["layout", "[treatment]", "[claim]", "outcome.decay_rate", "outcome.x", "finish", "x"]),
            st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=3),
        ),
        max_size=3,
        unique_by=lambda item: item[0],
    ),
)
def test_no_well_formed_trial_file_does(folder, top, tables):
    heads = {f"{name}".strip("[]").split(".")[0] for name, _ in tables}
    lines = [f"{key} = {as_toml(value)}" for key, value in top.items() if key not in heads]
    for name, values in tables:
        lines += [f"[{name}]", *(f"{key} = {as_toml(value)}" for key, value in values.items())]
    look(put(folder / "toml", {**SAMPLE, "trial.toml": "\n".join(lines)}), control=None)
