"""How long ``diagnose rank`` takes, as a whole command in a process of its own.

Cold: an empty store, so that every fault is simulated. Warm: the same case once more. Every round
has a store of its own; the median of the rounds stands beside the goal, and the load of the
machine beside both, since a busy machine answers late. Run:
`python benchmarks/rank_speed.py [rounds]`.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[1]
CASES = sorted((ROOT / "examples").glob("*.yaml"))
GOALS = {"cold": 3.0, "warm": 0.5}
"""Seconds: what somebody at a bench waits for without reaching for something else."""


def seconds(case: Path, store: str) -> float:
    """One whole command, from its start to its end."""
    environment = {**os.environ, "AMP_DIAGNOSE_CACHE": store, "PYTHONPATH": str(ROOT)}
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "diagnose", "rank", str(case)],
        env=environment, stdout=subprocess.DEVNULL, check=True,
    )  # fmt: skip
    return time.perf_counter() - start


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}, {rounds} rounds")
    print(f"{'case':32} {'':5} {'median s':>9} {'least s':>8} {'goal s':>7}")
    for case in CASES:
        times: dict[str, list[float]] = {"cold": [], "warm": []}
        for _ in range(rounds):
            with tempfile.TemporaryDirectory() as store:
                times["cold"].append(seconds(case, store))
                times["warm"].append(seconds(case, store))
        for name, found in times.items():
            verdict = "" if median(found) <= GOALS[name] else "  over"
            print(f"{case.stem:32} {name:5} {median(found):9.2f} {min(found):8.2f} "
                  f"{GOALS[name]:7.1f}{verdict}")


if __name__ == "__main__":
    main()
