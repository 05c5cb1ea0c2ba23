"""How often two dry capacitors are found: writes ``tests/benchmarks/pairs.md``.

    .venv/bin/python tests/benchmarks/pair_table.py [--pairs N] [--singles N] [--to FILE] [STAGE]

Aged units with two dry electrolytic capacitors, either of which shows by itself, and units with one
fault of any kind, ranked with the look at pairs and without. The readings are those of the blank
sheet. Seeded, so that a change of the program shows as a change of the table.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.unmodelled import FITS
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import (
    RandomBench,
    detectable,
    draw_benches,
    read,
    weighed_with,
)
from diagnose.studies.random_pairs import ScoredPair, disturbed, draw_pairs, score_pairs
from faultlib.simulate import Bench, Laboratory
from faultlib.store import Memory

TABLE = Path(__file__).with_name("pairs.md")
STAGES = ("phono-two-transistor", "phono-opamp", "line-two-transistor", "filter-high")
PATIENCE = 600.0
"""Seconds that one variant may take, so that a busy machine cuts no answer."""
Counts = np.ndarray[tuple[int], np.dtype[np.int_]]
"""Of one row, in the order of the columns."""
COLUMNS = (
    "stage", "units", "pairs", "found in first three", "first answer", "both parts in first three",
    "looked at", "found of those", "single faults", "looked at", "disturbed",
)
HEAD = """# Two faults at once

Made by `tests/benchmarks/pair_table.py`, seed {seed}, readings of the blank sheet. *own*: units
that the stage file describes; *foreign*: units of other makes, layouts and values (5 %).

- *pairs*: aged units with two dry electrolytic capacitors (lost capacitance, high ESR or open, by
  their priors and at any size), of which either, alone in the same unit, gives readings that fewer
  than 1 of 100 good units give. The goal is 70 % of these.
- *found in first three*: one of the first three suspects names both parts, with the very modes or
  their electrical equals. *first answer*: the first answer of all, health and an unknown fault
  among them, names both parts. *both parts in first three*: of the parts, by the chance that they
  are faulty.
- *looked at*: pairs are ranked only where the best single fault leaves a chance of worse readings
  below {threshold:.0f} %, a bound chosen on another seed. The others look like a single fault: one
  of the two hides the other (an open coupling capacitor lets nothing through), or both do the same
  (two decoupling capacitors of an op-amp).
- *single faults*: units with one fault of any kind that shows. *disturbed*: the look at pairs
  changes the part, or the word, that the answer begins with. The goal is at most 1 %.

"""


def main() -> None:
    """Score the stages and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE", default=STAGES)
    parser.add_argument("--pairs", type=int, default=30)
    parser.add_argument("--singles", type=int, default=70)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--to", type=Path, default=TABLE, metavar="FILE")
    values = parser.parse_args()
    rows = [HEAD.format(seed=values.seed, threshold=100.0 * FITS),
            _line(COLUMNS), "|" + "---|" * len(COLUMNS) + "\n"]
    whole = np.zeros(9, dtype=int)
    for name in values.stages or STAGES:
        for units, unknown in (("own", None), ("foreign", 0.05)):
            start = time.monotonic()
            counts = _counts(name, unknown, values.pairs, values.singles, values.seed)
            whole += counts
            rows.append(_line((name, units, *_cells(counts))))
            sys.stdout.write(f"{time.monotonic() - start:5.0f} s  {rows[-1]}")
            sys.stdout.flush()
            last = _line(("all", "", *_cells(whole)))
            values.to.write_text("".join([*rows, last]), encoding="utf-8")


def _counts(
    name: str, unknown: float | None, pairs: int, singles: int, seed: int
) -> Counts:
    stage = load_stage(name)
    random = np.random.default_rng(seed)
    with Laboratory(Memory(), 1, PATIENCE) as bench:
        readings = [reading for reading, _ in propose(stage, bench)]
        drawn = draw_pairs(stage, readings, pairs, bench, random, unknown)
        made = score_pairs(stage, readings, drawn, bench)
        one = _shown(stage, readings, singles, bench, np.random.default_rng(seed + 1), unknown)
        moved = disturbed(stage, readings, one, bench)
    return np.array([
        len(made), sum(m.found for m in made), sum(m.first for m in made),
        sum(m.both for m in made), *_looked(made), len(moved), sum(m.looked for m in moved),
        sum(m.changed for m in moved),
    ])


def _shown(
    stage: Stage, readings: Sequence[Reading], count: int, bench: Bench,
    random: np.random.Generator, unknown: float | None,
) -> list[RandomBench]:
    """Units with one fault that shows: one that hides leaves nothing to disturb."""
    good, _ = weighed_with(stage, readings, (), bench)
    drawn = draw_benches(stage, readings, 4 * count, bench, random, 0.0, None, unknown)
    return [d for d in drawn if detectable(good, read(good.readings, d.values))][:count]


def _looked(made: Sequence[ScoredPair]) -> tuple[int, int]:
    looked = [m for m in made if m.single < FITS]
    return len(looked), sum(m.found for m in looked)


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |\n"


def _cells(counts: Counts) -> list[str]:
    pairs, found, first, both, looked, of_those, singles, seen, changed = map(int, counts)

    def share(part: int, of: int) -> str:
        return f"{part / of:.2f} ({part}/{of})" if of else "-"

    return [
        str(pairs), share(found, pairs), share(first, pairs), share(both, pairs),
        share(looked, pairs), share(of_those, looked), str(singles), share(seen, singles),
        share(changed, singles),
    ]


if __name__ == "__main__":
    main()
