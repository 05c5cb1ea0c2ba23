"""Processes killed and hung at random moments, stores scrambled, disks full: no other answer.

    python -m tests.hostile.kills [--part NAME …] [--seed N] [--write]

One program ranks small sheets on two workers, hundreds of times, with an empty store or with one
that holds some part. From outside its workers are killed or stopped, once or several times in one
ranking. What it answers is held against the answer that nobody disturbed, to the last digit: they
may differ only where the answer names what was not computed. Whole commands are killed with their
parent, the files of their stores are cut and scrambled, disks are full and cannot be written. What
is done is kept in ``.hostile/`` and not done again.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random

from tests.hostile.campaign import KEPT, TABLE
from tests.hostile.killed_processes import parent, workers
from tests.hostile.killed_writers import log, writes
from tests.hostile.program import ranking
from tests.hostile.spoilt_stores import disk, store

TIMES = {"writes": 200, "log": 200, "workers": 200, "parent": 50, "store": 100, "disk": 20}
PIECE = 25
"""Times that are done in one go; what is done is kept."""
SEED = 7
BEGIN, END = "<!-- kills -->", "<!-- end of kills -->"
PARTS: dict[str, Callable[[int, Random, Path], Counter[str]]] = {
    "writes": writes,
    "log": log,
    "workers": workers,
    "parent": parent,
    "store": store,
    "disk": disk,
}


def run(part: str, times: int, seed: int) -> dict[str, int]:
    """What came of one part, counted."""
    with tempfile.TemporaryDirectory() as name:
        return dict(sorted(PARTS[part](times, random.Random(seed), Path(name)).items()))


def kept() -> dict[str, dict[str, dict[str, int]]]:
    """What is done: part → piece → counts."""
    path = KEPT / "kills.json"
    found = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    return {part: found.get(part, {}) for part in PARTS}


def go_on(part: str, seed: int, seconds: float) -> None:
    """Do what is not done of a part, as long as there is time."""
    end = time.monotonic() + seconds
    for piece in range(0, TIMES[part], PIECE):
        if str(piece) in kept()[part] or time.monotonic() > end:
            continue
        times = min(PIECE, TIMES[part] - piece)
        count = run(part, times, seed + piece)
        done = kept()
        done[part][str(piece)] = {"times": times, **count}
        KEPT.mkdir(exist_ok=True)
        (KEPT / "kills.json").write_text(json.dumps(done), encoding="utf-8")


def table() -> str:
    """What came of all parts."""
    lines = ["| part | times | what came of it |", "|---|---|---|"]
    for part, pieces in kept().items():
        total = sum((Counter(one) for one in pieces.values()), Counter())
        times = total.pop("times", 0)
        total.pop("sheets in the list", None)
        none = [
            what
            for what in ("processes left behind", "workers left behind")
            if any(what in one for one in pieces.values()) and what not in total
        ]
        words = [f"{what} {count}" for what, count in sorted(total.items())]
        words += [f"{what} 0" for what in none]
        if times:
            lines.append(f"| {part} | {times} | {'; '.join(words)} |")
    return "\n".join(lines) + "\n"


def write(path: Path = TABLE) -> None:
    """Put the table into its place in the file."""
    text = path.read_text(encoding="utf-8") if path.exists() else f"{BEGIN}\n{END}\n"
    before, _, rest = text.partition(BEGIN)
    path.write_text(f"{before}{BEGIN}\n{table()}{END}{rest.partition(END)[2]}", encoding="utf-8")


def main() -> None:
    words = argparse.ArgumentParser(description="kills, hangs, full disks")
    words.add_argument("--part", choices=[*PARTS], nargs="*", default=[*PARTS])
    words.add_argument("--seconds", type=float, default=1e6, help="stop then; call again to go on")
    words.add_argument("--seed", type=int, default=SEED)
    words.add_argument("--write", action="store_true")
    words.add_argument("--rank", action="store_true", help=argparse.SUPPRESS)
    values = words.parse_args()
    if values.rank:
        ranking()
        return
    end = time.monotonic() + values.seconds
    for part in values.part:
        go_on(part, values.seed, end - time.monotonic())
    print(table())
    if values.write:
        write()


if __name__ == "__main__":
    main()
