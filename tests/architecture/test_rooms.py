"""The room table: which module may import which, and that every room says what it is."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "trialkit"

FLOOR = {"records", "errors", "shipped", "outcome_names", "printing"}
ROOMS = {"intake", "outcomes", "models", "contrasts", "verdicts", "planning", "pooling", "report"}
# who may import whom; a room may always import itself
MAY_IMPORT = {
    **{module: FLOOR for module in FLOOR},
    "numerics": {"records", "errors"},
    **{room: FLOOR | {"numerics"} for room in ROOMS},
    "placing": FLOOR,
    "simulate": FLOOR | {"numerics"},
    "writing": FLOOR | {"intake", "report", "placing"},
    "workflow": FLOOR | ROOMS | {"numerics", "placing", "simulate"},
    "planning_commands": FLOOR | ROOMS | {"workflow", "simulate"},
    "start": FLOOR | ROOMS | {"workflow", "writing"},
    "cli": FLOOR | ROOMS | {"workflow", "writing", "planning_commands", "start"},
}
DRAWING = {"matplotlib", "seaborn", "nbformat", "nbclient", "nbconvert"}
MAY_DRAW = {"report", "planning"}


def modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts != ("__init__",):
            yield path, parts[0]


def imported(path):
    """(top package, second part) of every import in a file, wherever it stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                parts = alias.name.split(".")
                yield parts[0], parts[1] if len(parts) > 1 else None
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            parts = (node.module or "").split(".")
            if parts == ["trialkit"]:
                for alias in node.names:
                    yield "trialkit", alias.name
            else:
                yield parts[0], parts[1] if len(parts) > 1 else None


@pytest.mark.parametrize(("path", "room"), list(modules()), ids=lambda value: str(value).split("trialkit/")[-1])
def test_imports_follow_the_room_table(path, room):
    assert room in MAY_IMPORT, f"{room} stands in no row of the room table"
    for top, second in imported(path):
        if top == "trialkit" and second not in (None, room, "__version__"):
            assert second in MAY_IMPORT[room], f"{path.name} of {room} imports {second}"
        if room == "numerics":
            assert top in {"numpy", "scipy", "trialkit", "__future__"} or top in STANDARD, f"{path.name} imports {top}"
        if top in DRAWING:
            assert room in MAY_DRAW, f"{path.name} of {room} imports {top}"


STANDARD = set(__import__("sys").stdlib_module_names)


def test_the_developers_page_names_every_room_with_one_noun():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = dict(re.findall(r"^\| `(\w+)` \| ([^|]+) \|", text, flags=re.MULTILINE))
    rooms = {path.name for path in PACKAGE.iterdir() if path.is_dir() and (path / "__init__.py").exists()}
    assert {name for name in table if name in rooms | ROOMS} == rooms
    for room in rooms:
        noun = table[room].strip()
        assert re.fullmatch(r"[a-z]+", noun), f"{room}: {noun!r} is not one plain noun"


@pytest.mark.parametrize("path", [path for path, _ in modules()], ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_is_swollen(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) < 400, f"{path.name}: split it"


def test_the_top_level_is_the_fixed_one():
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "requirements.lock",
        "trialkit", "notebooks", "tests", "sample_trials", "templates", ".ci", ".git", ".gitignore",
    }  # fmt: skip
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.fail(f"git could not list the files: {listed.stderr}")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert tops <= allowed, tops - allowed
