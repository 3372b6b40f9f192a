"""``numerics`` stands on numpy and scipy alone, and the commands start without either."""

import subprocess
import sys
import time

PROBE = """
import sys
class Gate:
    allowed = {"numpy", "scipy", "trialkit"}
    def find_spec(self, name, path=None, target=None):
        top = name.split(".")[0]
        if top in {"pandas", "statsmodels", "matplotlib", "seaborn", "pydantic", "pingouin", "nbformat", "IPython"}:
            raise ImportError(f"numerics asked for {name}")
sys.meta_path.insert(0, Gate())
import pkgutil, importlib, trialkit.numerics
for module in pkgutil.iter_modules(trialkit.numerics.__path__):
    importlib.import_module(f"trialkit.numerics.{module.name}")
"""


def run(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)


def test_numerics_imports_with_numpy_and_scipy_only():
    done = run(PROBE)
    assert done.returncode == 0, done.stderr


def test_the_door_opens_without_numpy():
    done = run("import sys, trialkit.cli; trialkit.cli.build_parser(); print('numpy' in sys.modules)")
    assert done.stdout.strip() == "False", done.stderr


def test_help_starts_in_under_three_tenths_of_a_second_more_than_python():
    # common practice: a command that answers at once; measured against bare python of the same run
    def shortest(*arguments):
        times = []
        for _ in range(5):
            start = time.perf_counter()
            subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
            times.append(time.perf_counter() - start)
        return min(times)

    assert shortest("-m", "trialkit.cli", "--help") < shortest("-c", "pass") + 0.3
