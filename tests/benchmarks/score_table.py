"""How right the ranking is on every shipped stage: writes ``tests/benchmarks/scores.md``.

    .venv/bin/python tests/benchmarks/score_table.py [--benches N] [--seed N] [--own]
        [--cluster ADDRESS] [STAGE ...]

Units are foreign ones, whose device parameters, layout, spread and nominal values (by 5 %) differ
from the stage file; with ``--own`` they are units that the file describes. The readings are those
of the blank sheet. Seeded, so that a change of the program shows as a change of the table. The
reports stand in ``scores.json`` as ``diagnose score --json`` gives them; a run replaces the rows of
its stages and leaves the others.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from circuits.load import load_stage, stage_names
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import draw_benches, score
from diagnose.studies.reliability import BINS, report, report_json
from faultlib.machines import machines
from faultlib.simulate import Laboratory
from faultlib.store import Memory

KEPT = Path(__file__).with_name("scores.json")
TABLE = KEPT.with_suffix(".md")
PATIENCE = 600.0
"""Seconds that one variant may take, so that a busy machine cuts no answer."""
UNKNOWN = 0.05
SHARES = {
    "part first": "part first",
    "first three": "part in first three",
    "fault in first group": "fault in first group",
    "size in 90 %": "size inside 90 % interval",
    "mode removed": "removed mode called unmodelled or its electrical equal",
    "healthy": "healthy called healthy",
}
GOALS = ("goal", "", "0.85", "0.97", "", "0.85 to 0.95", "0.80", "0.95", "", "", "0.05", "", "")
HEAD = """# Scores of the shipped stages

Made by `tests/benchmarks/score_table.py`: random benches, a quarter of them good units (the
ranking's own prior), readings of the blank sheet. Shares with the number they were counted on, of
the benches whose fault shows (readings that fewer than 1 of 100 good units give); *healthy*, *mean
largest*, *right* and *error* (expected calibration error) count all benches. *luck* is the error
that honest probabilities would show on so few benches: what lies below it cannot be told from none.
Good units vary within tolerance, by 5 % of unstated nominal values, by the make of their devices,
by their layout and by the error of the model: faults that hide in that are not counted as shown.
*mode removed*: with the fault's mode taken out of the library the answer is `unmodelled`, or the
fault that simulation puts nearest to it.

*made*: the day that a row was ranked; `-` is before makes were drawn from a surveyed population and
priors followed age and value.
"""
BY_HAND = "\n## Against the goals, and against before\n"
"""From here on the table is written by hand; a run leaves that as it stands."""



def main() -> None:
    """Score the stages and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE")
    parser.add_argument("--benches", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--own", action="store_true", help="units that the stage file describes")
    parser.add_argument("--workers", type=int, default=None, help="simulators; all cores")
    parser.add_argument("--cluster", default="", help="as of the command diagnose")
    parser.add_argument("--cluster-tls", nargs=3, default=(), help="as of the command diagnose")
    values = parser.parse_args()
    units = "own" if values.own else "foreign"
    for name in values.stages or stage_names():
        start = time.monotonic()
        made = _score(name, None if values.own else UNKNOWN, values)
        kept: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
        kept.setdefault(units, {})[name] = {
            "seed": values.seed, "made": f"{datetime.now(UTC):%Y-%m-%d}", **made}
        KEPT.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        TABLE.write_text(_page(kept), encoding="utf-8")
        sys.stdout.write(f"{time.monotonic() - start:5.0f} s  {_line(_row(name, made))}")
        sys.stdout.flush()


def _score(name: str, unknown: float | None, values: argparse.Namespace) -> dict[str, Any]:
    stage = load_stage(name)
    random = np.random.default_rng(values.seed)
    cluster = machines(values.cluster, values.cluster_tls) if values.cluster else None
    with Laboratory(Memory(), values.workers, PATIENCE, cluster=cluster) as bench:
        readings = [reading for reading, _ in propose(stage, bench)]
        drawn = draw_benches(stage, readings, values.benches, bench, random, unknown=unknown)
        return report_json(report(name, score(stage, readings, drawn, bench)))


def _page(kept: dict[str, Any]) -> str:
    parts = [HEAD]
    for units, title in (("foreign", "Foreign units"), ("own", "Units of the stage file")):
        rows = kept.get(units, {})
        if rows:
            parts.append(f"\n## {title}\n\n")
            head = ("stage", "shows", *SHARES, "mean largest", "right", "error", "luck", "made")
            parts.append(_line(head))
            parts.append("|" + "---|" * len(head) + "\n")
            parts += [_line(_row(name, rows[name])) for name in stage_names() if name in rows]
            parts += [_line(_row("all of them", _pooled(list(rows.values())) | {"made": ""})),
                      _line(GOALS)]
    written = TABLE.read_text(encoding="utf-8") if TABLE.exists() else ""
    _, mark, by_hand = written.partition(BY_HAND)
    return "".join([*parts, mark, by_hand])


def _pooled(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """All rows as one; bins of the same probabilities are put together."""
    count = sum(r["benches"] for r in rows)
    whole: dict[str, Any] = {"benches": count, "detectable": sum(r["detectable"] for r in rows)}
    for key in SHARES.values():
        of = sum(r[key]["of"] for r in rows)
        hits = sum(r[key]["of"] * (r[key]["share"] or 0.0) for r in rows)
        whole[key] = {"share": hits / of if of else None, "of": of}
    for key in ("mean largest probability", "first answers right"):
        whole[key] = sum(r["benches"] * r[key] for r in rows) / count
    sums: dict[int, float] = {}
    for row in rows:
        for held in row["bins"]:
            place = int(np.searchsorted(BINS[1:-1], held["probability"], side="right"))
            off = held["count"] * (held["probability"] - held["right"])
            sums[place] = sums.get(place, 0.0) + off
    whole["expected calibration error"] = sum(map(abs, sums.values())) / count
    squares = [(r["calibration error by luck alone"] * r["benches"]) ** 2 for r in rows]
    whole["calibration error by luck alone"] = math.sqrt(math.fsum(squares)) / count
    return whole


def _row(name: str, made: dict[str, Any]) -> tuple[str, ...]:
    def share(key: str) -> str:
        one = made[key]
        return "-" if one["share"] is None else f"{one['share']:.2f} ({one['of']})"

    return (
        name, f"{made['detectable']}/{made['benches']}", *(share(k) for k in SHARES.values()),
        f"{made['mean largest probability']:.2f}", f"{made['first answers right']:.2f}",
        f"{made['expected calibration error']:.3f}",
        f"{made['calibration error by luck alone']:.3f}", made.get("made", "-"),
    )


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |\n"


if __name__ == "__main__":
    main()
