"""Whether gross faults are named on units of other makes: writes ``tests/benchmarks/gross.md``.

    .venv/bin/python tests/benchmarks/gross_faults.py [--seed N] [--opens] [STAGE ...]

An open coupling capacitor, any pin of a transistor or valve open, a short of any junction, a diode
open, one by one, each in a foreign unit of its own (`diagnose.studies.foreign_units`), with the
readings at rest of the blank sheet. With ``--opens`` whatever else comes off: plugs, switches,
fuses, relays, resistors, tracks and wipers, other capacitors. A run replaces the rows of its
stages in its table.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from circuits.load import load_stage, stage_names
from circuits.stage import Stage
from diagnose.sheet.proposal import propose
from diagnose.studies.foreign_units import aimed, foreign, normal_draw, until_settable
from diagnose.studies.random_benches import RandomBench, instrument, score
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Store

KEPT = Path(__file__).with_name("gross.json")
TABLE = KEPT.with_suffix(".md")
HEAD = """# Gross faults in units of other makes

Made by `tests/benchmarks/gross_faults.py`: an open coupling capacitor, any pin of a transistor or
valve open, a short of any junction, a diode open, each in a unit of its own whose devices, layout
and nominal values are not the stage file's; readings at rest of the blank sheet. *shows*: by
readings that fewer than 1 of 100 good units give; the columns to its right are of those. *hidden*:
the faults that do not show; *no solution*: that no unit could be simulated with.

"""
OPENS = """
## Whatever else comes off

Plugs, switches, fuses, relays, resistors, tracks and wipers, and capacitors that couple nothing.

"""
COLUMNS = ("stage", "faults", "shows", "part first", "in the first group", "not in the library",
           "missed", "hidden", "no solution")
BY_HAND = "\n## What hides, and what was missed\n"
"""From here on the table is written by hand; a run leaves that as it stands."""
UNKNOWN = 0.05
"""How far nominal values lie from the file's, standard deviation of the logarithm."""
PATIENCE = 600.0
"""Seconds that one variant may take, so that a busy machine cuts no answer."""
CAPACITORS = frozenset({"electrolytic", "tantalum", "film", "ceramic", "paper"})
"""Kinds of parts that couple."""
DEVICES = frozenset({
    "npn", "pnp", "njf", "pjf", "nmos", "pmos", "triode", "pentode", "diode", "zener", "rectifier",
})
"""Kinds whose pins come off and whose junctions short."""


def gross(stage: Stage) -> list[Hypothesis]:
    """The faults that nobody should miss."""
    roles = stage.roles
    kept = []
    for h in hypotheses(stage):
        role = roles.get(h.part, "")
        coupling = h.kind in CAPACITORS and h.mode.name == "open" and "coupling" in role and (
            "decoupling" not in role)
        device = h.kind in DEVICES and h.mode.all_or_nothing and (
            h.mode.name.endswith(("open", "short")))
        if coupling or device:
            kept.append(h)
    return kept


def opens(stage: Stage) -> list[Hypothesis]:
    """What else comes off."""
    told = {h.label() for h in gross(stage)}
    return [h for h in hypotheses(stage) if h.mode.all_or_nothing and h.label() not in told
            and h.mode.name.startswith("open")]


def main() -> None:
    """Take the stages one after the other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=None, help="simulators; all cores")
    parser.add_argument("--store", type=Path, help="folder of what is simulated, for another run")
    parser.add_argument("--opens", action="store_true", help="what else comes off")
    asked = parser.parse_args()
    kind, faults = ("opens", opens) if asked.opens else ("gross", gross)
    for name in asked.stages or stage_names():
        with TemporaryDirectory() as folder, Laboratory(
            Store(asked.store or Path(folder)), asked.workers, PATIENCE
        ) as bench:
            row = _row(load_stage(name), faults, asked.seed, bench)
        print(name, row, file=sys.stderr, flush=True)
        kept = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
        kept.setdefault(kind, {})[name] = row
        KEPT.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        written = TABLE.read_text(encoding="utf-8") if TABLE.exists() else ""
        _, mark, by_hand = written.partition(BY_HAND)
        lines = HEAD + _table(kept.get("gross", {})) + OPENS + _table(kept.get("opens", {}))
        TABLE.write_text(lines + mark + by_hand, encoding="utf-8")


def _table(rows: dict[str, list[str]]) -> str:
    body = [(stage, *cells) for stage, cells in sorted(rows.items())]
    return "".join(f"| {' | '.join(line)} |\n"
                   for line in (COLUMNS, ("---",) * len(COLUMNS), *body))


def _row(
    stage: Stage, chosen: Callable[[Stage], list[Hypothesis]], seed: int, bench: Laboratory
) -> list[str]:
    random = np.random.default_rng(seed)
    benches, unsolved = [], []
    faults = chosen(stage)
    readings = tuple(r for r, _ in propose(stage, bench) if not r.driven)
    drawn_as, ohms = aimed(stage, bench), np.random.default_rng(seed + 1000)
    for h in faults:
        fault = h.drawn(ohms.uniform())  # what a short leaves, of the same units as without
        unit = foreign(drawn_as, random, UNKNOWN)
        unit, (moved,) = until_settable(
            unit, [normal_draw(unit, random)], drawn_as, random, UNKNOWN, bench)
        values = bench.values(unit, [Variant((fault,), moved)], readings).values[0]
        if np.isnan(values).any():
            unsolved.append(h.label())
            continue
        values = values + random.normal(size=len(values)) * instrument(readings, values)
        benches.append(RandomBench(fault, values, values))
    def told(what: str, done: int, total: int) -> None:
        if what == "random units" or done == total:
            print(f"{stage.name}: {what}, {done} of {total}", file=sys.stderr, flush=True)

    every = score(stage, readings, benches, bench, told, every=sys.maxsize)
    scores = [s for s in every if s.detectable]
    missed = [f"{s.drawn.fault.label()} → {s.answer} {s.first:.2f}" for s in scores
              if s.drawn.fault is not None and not (s.group or s.place == 1)]
    return [
        str(len(faults)), str(len(scores)), _share([s.place == 1 for s in scores]),
        _share([s.group or s.place == 1 for s in scores]),
        str(sum(s.answer == "unmodelled" for s in scores)), "; ".join(missed),
        "; ".join(s.truth for s in every if not s.detectable), "; ".join(unsolved),
    ]


def _share(hits: Sequence[bool]) -> str:
    return f"{sum(hits) / len(hits):.2f}" if hits else ""


if __name__ == "__main__":
    main()
