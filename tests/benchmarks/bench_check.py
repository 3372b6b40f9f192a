"""How long a large readings file takes to check, and how much memory, beside a bare read of the same file.

Run: python tests/benchmarks/bench_check.py
An invented trial of 100,000 readings rows (200 bins, 500 days, seven columns). Each side runs in processes of its own,
in turn: the least processor time of five, the peak memory above that of checking an empty folder. Bounds: time below
ten times a bare csv read, memory below twenty times the size of the file. Not a test.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

BARE = """
import csv, sys, time
start = time.process_time()
with open(sys.argv[1], encoding="utf-8", newline="") as file:
    rows = sum(1 for row in csv.reader(file))
print(time.process_time() - start)
"""
CHECK = """
import resource, sys, time
from trialkit.intake import check_trial
check_trial(sys.argv[2])  # imports
start = time.process_time()
checked = check_trial(sys.argv[1])
took = time.process_time() - start
assert sys.argv[1] == sys.argv[2] or checked.trial.rows_used == int(sys.argv[3]), checked.findings[:3]
print(took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""
ROWS = 100_000


def write(folder: Path) -> Path:
    """The file: every bin on every day, course and noise from small whole numbers."""
    lines = ["bin,treatment,block,day,core_temp_c,ambient_temp_c,volume_l,wet_mass_kg,moisture_pct,note"]
    for day in range(ROWS // 200):
        for b in range(200):
            volume = 200 - day * 0.2 + (b * 7 + day * 3) % 11 / 10
            heat = 18 + (b * 5 + day) % 23 / 10
            mass = 45 - day * 0.05 + (b + day) % 7 / 10
            lines.append(f"B{b},{'x' if b % 2 else 'y'},{b // 2},{day},{heat:.1f},14.2,{volume:.1f},{mass:.1f},55,")
    path = folder / "big.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(code: str, *arguments: object) -> list[float]:
    done = subprocess.run([sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    return [float(part) for part in done.stdout.split()]


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as scratch:
        path, empty = write(Path(scratch)), Path(scratch) / "empty"
        empty.mkdir()
        size = path.stat().st_size
        bare, ours, peaks, floors = [], [], [], []
        for _ in range(5):
            bare.append(run(BARE, path)[0])
            took, peak = run(CHECK, path, empty, ROWS)
            ours.append(took)
            peaks.append(peak)
            floors.append(run(CHECK, empty, empty, 0)[1])
        print(f"{ROWS} rows, {size / 1e6:.1f} MB")
        print(f"bare csv read   {min(bare):6.3f} s")
        print(f"check           {min(ours):6.3f} s   ratio {min(ours) / min(bare):5.1f}   (bound 10)")
        above = min(peaks) - min(floors)
        print(f"peak memory     {above / 1e6:6.1f} MB above an empty folder   ratio {above / size:5.1f}   (bound 20)")


if __name__ == "__main__":
    main()
