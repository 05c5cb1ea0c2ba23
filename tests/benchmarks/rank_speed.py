"""How long ``diagnose rank`` takes, as a whole command in a process of its own.

Cold: an empty store, so that every fault is simulated. Warm: the same case once more. Every round
has a store of its own; the median of the rounds stands beside the goal. A busy machine answers
late: its load is printed, and the processor time of the command with its workers, which depends on
it less; in the last column that time against what python takes that only imports numpy, in the same
round. Run: `python tests/benchmarks/rank_speed.py [rounds]`.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
CASES = sorted((ROOT / "examples").glob("*.yaml"))
GOALS = {"cold": 3.0, "warm": 0.35}
"""Seconds: what somebody at a bench waits for without reaching for something else."""


def seconds(case: Path, store: str) -> tuple[float, float]:
    """Time of one whole command on the wall, and of all its processes on the processors."""
    return timed(store, "-m", "diagnose", "rank", str(case))


def timed(store: str, *words: str) -> tuple[float, float]:
    """The same of python with these words."""
    environment = {**os.environ, "AMP_DIAGNOSE_CACHE": store, "PYTHONPATH": str(ROOT)}
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], env=environment, stdout=subprocess.DEVNULL, check=True)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}, {rounds} rounds")
    print(f"{'case':32} {'store':5} {'median s':>9} {'least s':>8} {'CPU s':>6} {'goal s':>7} "
          f"{'/ numpy':>8}")
    for case in CASES:
        times: dict[str, list[tuple[float, float]]] = {"cold": [], "warm": []}
        least: list[float] = []
        for _ in range(rounds):
            with tempfile.TemporaryDirectory() as store:
                times["cold"].append(seconds(case, store))
                times["warm"].append(seconds(case, store))
                least.append(timed(store, "-c", "import numpy")[1])
        for name, found in times.items():
            wall = [seen for seen, _ in found]
            verdict = "" if median(wall) <= GOALS[name] else "  over"
            print(f"{case.stem:32} {name:5} {median(wall):9.2f} {min(wall):8.2f} "
                  f"{median(cpu for _, cpu in found):6.2f} {GOALS[name]:7.2f} "
                  f"{median(c / n for (_, c), n in zip(found, least, strict=True)):8.1f}{verdict}")


if __name__ == "__main__":
    main()
