"""A small trial whose analysis is quick, and ways to spoil its files. All numbers are invented."""

import io
import random
import zipfile

import pytest

from trialkit.intake import load_trial, workbook_bytes

TOML = """\
title = "Leaves"
start = 2026-10-03
stated_on = 2026-09-20
control = "water only"
primary = "volume_loss_pct"
secondary = ["moisture_pct"]

[layout]
kind = "completely random"

[[treatment]]
name = "water only"
role = "water"
water_l = 1.0

[[treatment]]
name = "live starter"
role = "live"
water_l = 1.0

[outcome.volume_loss_pct]
day = 28

[[claim]]
text = "ten points more"
treatment = "live starter"
against = "water only"
outcome = "volume_loss_pct"
at_least = 10
equivalence = [-5, 5]
"""


def bins():
    rows = "".join(f"B{i},{'water only' if i % 2 else 'live starter'},{(i + 1) // 2},{i % 3}\n" for i in range(1, 7))
    return "bin,treatment,block,site\n" + rows


def readings():
    rows = ["bin,day,core_temp_c,volume_l,wet_mass_kg,moisture_pct,odour_score,rater,water_added_l,note"]
    for day, volume in ((0, 200), (7, 170), (14, 152), (28, 133)):
        for i in range(1, 7):
            level = volume - 2 * i - (i % 2) * day / 3
            rows.append(f"B{i},{day},{20 + i / 2:g},{level:.1f},{40 - day / 4 + i:g},{55 - i},3,Ann,1.5,")
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="session")
def quick_files():
    """The files of the quick trial: name to text."""
    return {"trial.toml": TOML, "bins.csv": bins(), "readings.csv": readings()}


@pytest.fixture(scope="session")
def quick_parts(quick_files, tmp_path_factory):
    """The parts of its workbook: name to bytes."""
    place = tmp_path_factory.mktemp("quick")
    for name, text in quick_files.items():
        (place / name).write_text(text, "utf-8")
    with zipfile.ZipFile(io.BytesIO(workbook_bytes(load_trial(place)))) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


ODD = [
    "", " ", "-", "NA", "None", "nan", "inf", "-inf", "-1", "0", "1", "5", "28", "100", "1e400", "1e5", "1e-300", "1,5",
    "1.234", "1,234", "99999999", "=1+1", "yes", "no", "2026-10-03", "03/10/2026", "2026-12-31", "46298", '"', "'", ";",
    "\t", "\r", "\n", "\0", "é", "🪱", "B 3", "b3", "B1", "water only", "live starter", "water  only", "x" * 300, "[",
    "]", "{", "=", "true", "0.5", "-5", "50%", "<script>", "../../etc", "\u202e", "\ud7ff", "a\u0301", "°C", "12 °C",
]  # fmt: skip
WORDS = [
    "blocks", "completely random", "latin square", "split plot", "by treatment", "common", "all pairs", "decay_rate",
    "days_to_threshold", "days_to_finish", "cn_ratio", "ph", "dry_matter_loss_pct", "degree_days", "all of", "by lot",
    "times_as_fast", "at_least_ratio", "within_days", "claim only", "level", "secondary", "0.999", "seed", "by seed",
    "volume_f", "volume_gal", "core_temp_f", "ash_pct", "carbon_pct", "nitrogen_pct", "finished", "date", "start_date",
    "lost_on_day", "lost_reason", "start_wet_mass_kg", "start_moisture_pct", "added_wet_mass_kg", "treatment", "row",
]  # fmt: skip


@pytest.fixture(scope="session")
def mutate():
    """One to four changes of a text of lines and cells: cells, rows, columns, words, or bytes."""

    def change(data: bytes, rng: random.Random, cell: bytes = b",") -> bytes:
        for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
            kind = rng.randrange(12)
            lines = data.split(b"\n")
            at = rng.randrange(len(lines))
            cells = lines[at].split(cell)
            place = rng.randrange(len(cells))
            if kind in (0, 1):
                cells[place] = rng.choice(ODD).encode("utf-8")
            elif kind == 2:
                cells[place] = rng.choice(WORDS).encode("utf-8")
            elif kind == 3:
                cells.insert(place, rng.choice(ODD).encode("utf-8"))
            elif kind == 4:
                del cells[place]
            elif kind == 5:
                cells[place] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 4)))
            elif kind == 6 and cells[place].replace(b".", b"", 1).isdigit():
                cells[place] = f"{float(cells[place]) * rng.choice((-1, 0, 0.1, 0.5, 2, 10, 1000)):g}".encode()
            lines[at] = cell.join(cells)
            if kind == 7:
                lines.insert(at, rng.choice(lines))
            elif kind == 8:
                del lines[at]
            elif kind == 9:
                other = rng.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            data = b"\n".join(lines)
            if kind == 10 and data:
                cut = rng.randrange(len(data))
                data = data[:cut] if rng.random() < 0.5 else data[cut:]
            elif kind == 11:
                old = rng.choice([b",", b".", b"\n", b"B", b'"', b"0", b"only", b"= ", b"starter", b"_l", b"_pct"])
                data = data.replace(old, rng.choice([b";", b",", b"", b'"', b"-", b"_f", b"x"]), rng.choice([1, -1]))
        return data

    return change


@pytest.fixture(scope="session")
def spoil(quick_files, quick_parts, mutate):
    """The files of one mutated trial, by seed: text files, or now and then the workbook."""

    def make(seed: int) -> dict[str, bytes]:
        rng = random.Random(seed)
        if rng.random() < 0.2:
            parts = dict(quick_parts)
            for _ in range(rng.choice((1, 1, 2))):
                name = rng.choice([name for name in parts if "sheet" in name or rng.random() < 0.2])
                parts[name] = mutate(parts[name].replace(b"<", b"\n<"), rng, b" ").replace(b"\n<", b"<")
            out = io.BytesIO()
            with zipfile.ZipFile(out, "w") as archive:
                for name, content in parts.items():
                    archive.writestr(name, content)
            raw = out.getvalue()
            if rng.random() < 0.1:
                raw = mutate(raw, rng)
            return {"trial.xlsx": raw}
        which = rng.choice(("trial.toml", "bins.csv", "readings.csv", "readings.csv", "all", "twice", "left out"))
        files = {name: text.encode() for name, text in quick_files.items()}
        if which == "left out":
            del files[rng.choice(list(files))]
            which = "readings.csv"
        for name in list(files):
            if which in (name, "all"):
                files[name] = mutate(files[name], rng)
        if which == "twice":
            files["readings2.csv"] = mutate(files["readings.csv"], rng)
        return files

    return make
