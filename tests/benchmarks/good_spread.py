"""How far good units from outside stray, beside how far this project takes good units to stray.

    .venv/bin/python tests/benchmarks/good_spread.py [--half 0] BENCHES STAGE ...

Of each quantity: the root mean square of how far readings of good units lie off what is expected,
over the standard deviation that their spread and the bench leave together. Honest spreads give 1;
less, and a fault hides that need not. Prints rows for a table and writes nothing.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from diagnose.answer.ranking import rank
from diagnose.sheet.case import load_case
from faultlib.simulate import Laboratory
from faultlib.store import Memory


def main() -> None:
    """Rank the good units and print the rows."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("benches", type=Path)
    parser.add_argument("stages", nargs="+", metavar="STAGE")
    parser.add_argument("--half", type=int, default=0, help="0: sheets that may teach")
    values = parser.parse_args()
    with Laboratory(Memory(), 1) as bench:
        for stage in values.stages:
            off: dict[str, list[float]] = defaultdict(list)
            for sheet in sorted((values.benches / stage).glob("h*.yaml")):
                if int(sheet.stem[1:]) % 2 != values.half:
                    continue
                case = load_case(sheet)
                for measured, one in zip(case.readings, rank(case, bench).departures, strict=True):
                    off[measured.reading.quantity].append(one.off)
            off["all"] = [x for some in off.values() for x in some]
            for name, some in off.items():
                size = float(np.sqrt(np.mean(np.square(some))))
                sys.stdout.write(f"| {stage} | {name} | {len(some)} | {size:.2f} |\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
