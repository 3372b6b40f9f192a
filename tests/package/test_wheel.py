"""The built wheel, installed into a clean environment, runs the demo from an unrelated folder."""

import json
import subprocess
import sys
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.wheel
def test_the_wheel_runs_the_demo_from_an_unrelated_folder(tmp_path):
    subprocess.run([sys.executable, "-m", "build", "--wheel", "--outdir", tmp_path / "dist", ROOT], check=True)
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    venv.create(tmp_path / "env", with_pip=True)
    bin_ = tmp_path / "env" / "bin"
    lock = ROOT / "requirements.lock"
    subprocess.run([bin_ / "pip", "install", "--quiet", "-c", lock, wheel], check=True)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = subprocess.run([bin_ / "trialkit", "demo"], cwd=elsewhere, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    results = json.loads((elsewhere / "trialkit-demo" / "results.json").read_text())
    assert results["trial"]["bins"] == 12
