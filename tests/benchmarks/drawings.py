"""Drawings that stages make of themselves beside those made by hand: crossings and processor time.

.venv/bin/python tests/benchmarks/drawings.py [STAGE ...]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from circuits.drawing import drawn_stages, load_layout
from circuits.load import load_stage
from diagnose.show.stage.auto import drawn_by_itself
from tests.diagnose.show.geometry import crossings


def main() -> None:
    """Print a line a stage."""
    print("stage                        parts  by hand  by itself      s")
    for name in sys.argv[1:] or drawn_stages():
        stage = load_stage(name)
        by_hand = load_layout(stage)
        before = time.process_time()
        made = drawn_by_itself(stage)
        took = time.process_time() - before
        hand = "-" if by_hand is None else crossings(by_hand)
        itself = "-" if made is None else crossings(made)
        print(f"{name:28} {len(stage.parts):5}  {hand:>7}  {itself:>9}  {took:5.1f}", flush=True)


if __name__ == "__main__":
    main()
