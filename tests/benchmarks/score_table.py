"""How right the ranking is on every shipped stage: writes ``tests/benchmarks/scores.md``.

    .venv/bin/python tests/benchmarks/score_table.py [--benches N] [STAGE ...]

Each stage is scored twice: on units that its file describes, and on foreign units whose device
parameters, layout, spread and nominal values (by 5 %) differ from it. The readings are those of
the blank sheet. Seeded, so that a change of the program shows as a change of the table.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from circuits.load import load_stage, stage_names
from diagnose.proposal import propose
from diagnose.reliability import Report, Share, report
from diagnose.score import draw_benches, score
from faultlib.simulate import Laboratory
from faultlib.store import Memory

TABLE = Path(__file__).with_name("scores.md")
COLUMNS = (
    "stage", "units", "shows", "part first", "first three", "fault in first group",
    "size in 90 %", "mode removed", "healthy", "mean largest", "right", "error",
)
HEAD = """# Scores of the shipped stages

Made by `tests/benchmarks/score_table.py`; {benches} random benches a row, seed {seed}, a fifth of
them healthy, readings of the blank sheet. *own*: units that the stage file describes; *foreign*:
units of other makes, layouts and values (5 %). Shares of the benches whose fault shows (readings
that fewer than 1 of 100 good units give), but for *healthy* (healthy benches called healthy), *mean
largest* and *error* (expected calibration error), which count all benches.
Good units vary within tolerance, by 5 % of unstated nominal values and by the error of the model:
faults that hide in that are not counted as shown.

"""


def main() -> None:
    """Score the stages and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE")
    parser.add_argument("--benches", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    values = parser.parse_args()
    rows = [HEAD.format(benches=values.benches, seed=values.seed),
            _line(COLUMNS), "|" + "---|" * len(COLUMNS) + "\n"]
    for name in values.stages or stage_names():
        for units, unknown in (("own", None), ("foreign", 0.05)):
            start = time.monotonic()
            row = _row(name, units, unknown, values.benches, values.seed)
            rows.append(row)
            TABLE.write_text("".join(rows), encoding="utf-8")
            sys.stdout.write(f"{time.monotonic() - start:5.0f} s  {row}")
            sys.stdout.flush()


def _row(name: str, units: str, unknown: float | None, benches: int, seed: int) -> str:
    stage = load_stage(name)
    random = np.random.default_rng(seed)
    with Laboratory(Memory()) as bench:
        readings = [reading for reading, _ in propose(stage, bench)]
        drawn = draw_benches(stage, readings, benches, bench, random, 0.2, None, unknown)
        made = report(name, score(stage, readings, drawn, bench))
    return _line((name, units, *_cells(made)))


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |\n"


def _cells(made: Report) -> list[str]:
    def share(one: Share) -> str:
        return "-" if one.value is None else f"{one.value:.2f} ({one.count})"

    return [
        f"{made.detectable}/{made.benches}",
        share(made.part_first), share(made.part_third), share(made.group_first),
        share(made.intervals), share(made.removed), share(made.healthy),
        f"{made.mean_first:.2f}", f"{made.right:.2f}", f"{made.calibration:.3f}",
    ]


if __name__ == "__main__":
    main()
