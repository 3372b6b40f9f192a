"""The whole report of the three-arm sample beside an empty notebook with the same imports, each in a fresh process.

Run it by hand: ``python tests/benchmarks/bench_report.py [rounds]``. Both sides start a kernel, run a notebook and
export it to HTML by the same template. The empty notebook holds nothing but the imports that the report ends up
making. Rounds are paired, so that a busy machine slows both; the time reported is the median, the ratio that of the
medians. Processor time of the processes stands beside the wall time, because a shared machine blurs the latter.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time

ALLOWED = 1.5

REPORT = """
import sys
from trialkit.shipped import shipped
from trialkit.writing import write_report
write_report(shipped("sample_trials") / "three_arms", sys.argv[1] + "/report", pdf=False)
"""

# what the report notebook imports by its first cell, and what its later cells load on first use
IMPORTS = """
import json
from pathlib import Path
import trialkit
from trialkit import report
from trialkit.models.second import second_opinions
from trialkit.outcomes import available_outcomes
from trialkit.records import Fit
from trialkit.workflow import conclude
import matplotlib.figure, matplotlib.backends.backend_agg, matplotlib.backends.backend_svg
import statsmodels.regression.linear_model, statsmodels.regression.mixed_linear_model
import pingouin
"""

EMPTY = f"""
import sys
from pathlib import Path
import nbformat
from nbformat.v4 import new_code_cell, new_notebook
from trialkit.report.notebook import execute
from trialkit.report.page import page_html
folder = Path(sys.argv[1])
cells = [new_code_cell("run_file = ''", metadata={{"tags": ["parameters"]}}), new_code_cell({IMPORTS!r})]
nbformat.write(new_notebook(cells=cells), str(folder / "empty.ipynb"))
done = execute(folder / "empty.ipynb", "run.json", folder)
(folder / "empty.html").write_text(page_html(done, title="Empty"), encoding="utf-8")
"""


def timed(script: str) -> tuple[float, float]:
    """Wall and processor seconds of a fresh Python, kernel included."""
    with tempfile.TemporaryDirectory(prefix="trialkit-bench-") as folder:
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run([sys.executable, "-c", script, folder], check=True, capture_output=True)
        wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(rounds: int = 3) -> float:
    """Prints both times and their ratio; returns the ratio of the wall times."""
    timed(EMPTY)  # compiled files and the page cache are warm for both
    pairs = [(timed(EMPTY), timed(REPORT)) for _ in range(rounds)]
    empty = [statistics.median(pair[0][kind] for pair in pairs) for kind in (0, 1)]
    whole = [statistics.median(pair[1][kind] for pair in pairs) for kind in (0, 1)]
    ratio = whole[0] / empty[0]
    print(f"{'':28}{'wall, s':>10}{'processor, s':>14}")
    print(f"{'empty notebook':28}{empty[0]:10.2f}{empty[1]:14.2f}")
    print(f"{'report of three_arms':28}{whole[0]:10.2f}{whole[1]:14.2f}")
    print(f"{'ratio (allowed ' + str(ALLOWED) + ')':28}{ratio:10.2f}{whole[1] / empty[1]:14.2f}")
    return ratio


if __name__ == "__main__":
    sys.exit(0 if main(*(int(text) for text in sys.argv[1:2])) <= ALLOWED else 1)
