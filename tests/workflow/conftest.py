import shutil
import subprocess
import sys

import pytest

from trialkit.shipped import shipped


@pytest.fixture
def three_arms(tmp_path):
    """A copy of the sample trial that a test may change."""
    return shutil.copytree(shipped("sample_trials") / "three_arms", tmp_path / "trial")


@pytest.fixture
def run():
    """Run a command as a user does; returns the finished process."""

    def command(*arguments, **options):
        return subprocess.run(
            [sys.executable, "-m", "trialkit.cli", *map(str, arguments)], capture_output=True, text=True, **options
        )

    return command
