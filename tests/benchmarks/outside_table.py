"""How right the answers are on sheets from outside: writes ``tests/benchmarks/outside.md``.

    .venv/bin/python tests/benchmarks/outside_table.py FOLDER [--half 0|1] [--keep FILE] [STAGE ...]

A folder of sheets that this project's code had no hand in: ``truth.json`` says of each sheet, as
``STAGE/KEY``, which part was at fault, what was done and how far, or null of a good unit;
``STAGE/KEY.yaml`` is the sheet. Keys with an even number may teach (half 0), odd ones judge.
``outside.json`` keeps every row; a run replaces those of its sheets and leaves the others.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from circuits.kinds import kind
from diagnose.answer.outcome import NOTHING, SUSPECTS, UNKNOWN
from diagnose.answer.ranking import result_of
from diagnose.answer.result import Result
from diagnose.inference.infer import weighing
from diagnose.sheet.case import load_case
from diagnose.studies.random_benches import detectable
from faultlib.simulate import Laboratory
from faultlib.store import Store

KEPT = Path(__file__).with_name("outside.json")
TABLE = KEPT.with_suffix(".md")
HEAP = 6
"""Parts beyond which an answer is a heap and no answer."""
PATIENCE = 600.0
"""Seconds that one variant may take, so that a busy machine cuts no answer."""
HALVES = ("teaching half", "judging half")
HEAD = """# Sheets from outside

Made by `tests/benchmarks/outside_table.py`: units of shipped stages that plain ngspice simulated
from netlists of another writer, with figures of real transistors (of a public library of models,
names left out) that this project has not seen, parts in tolerance, trimmers set, meters and
analyser with their floors; one part at fault, or none. Sheets with an even number may teach, the
others judge. *answer*: the likeliest answer (of at most six parts) holds the part. *shows*: by the
readings that fewer than 1 of 100 good units give, as this project judges it. *said* is the mean of
what the likeliest answers claim, *true* how many came true ("nothing wrong shows" is true of a good
unit, and of a fault that does not show), *error* the calibration error and *luck* what honest
probabilities would show on so few sheets; *made*: the day that the first of the sheets was ranked.
"""
BY_HAND = "\n## What is behind misses\n"
"""From here on the table is written by hand; a run leaves that as it stands."""
COLUMNS = ("", "faulty", "part first", "in three", "answer", "shows", "answer, shows",
           "not in library", "good units", "said", "true", "error", "luck", "made")


@dataclass(frozen=True)
class Row:
    """One sheet: who was at fault, and what was answered."""

    stage: str
    half: int
    faulty: bool
    what: str
    shows: bool
    place: int
    answer: str
    said: float
    right: bool
    made: str

    @property
    def true(self) -> bool:
        """Whether what was answered is so."""
        return self.right or (self.answer == "nothing" and not self.shows)


def main() -> None:
    """Rank the sheets and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("stages", nargs="*", metavar="STAGE")
    parser.add_argument("--half", type=int, choices=(0, 1))
    parser.add_argument("--keep", type=Path, help="JSON of rows; sheets in it are not ranked again")
    parser.add_argument("--workers", type=int, default=None, help="simulators; all cores")
    parser.add_argument("--store", type=Path, help="folder of what is simulated, for another run")
    asked = parser.parse_args()
    truth = json.loads((asked.folder / "truth.json").read_text(encoding="utf-8"))
    kept = asked.keep
    rows = {} if kept is None else _rows(kept)
    # most sheets of a stage ask for the same readings: faults are simulated once for all
    with TemporaryDirectory() as folder, Laboratory(
        Store(asked.store or Path(folder)), asked.workers, PATIENCE
    ) as bench:
        for key, fault in truth.items():
            stage, name = key.split("/")
            half = int(name[1:]) % 2
            if asked.half not in (None, half) or (asked.stages and stage not in asked.stages):
                continue
            if key not in rows:
                rows[key] = _row(asked.folder / f"{key}.yaml", stage, half, fault, bench)
                print(key, rows[key].answer, f"{rows[key].said:.2f}",
                      "right" if rows[key].right else f"wrong: {fault}", file=sys.stderr,
                      flush=True)
                if kept is not None:
                    _write(kept, rows)
    every = _rows(KEPT) | rows
    place = {key: k for k, key in enumerate(truth)}
    every = dict(sorted(every.items(), key=lambda row: place.get(row[0], -1)))
    _write(KEPT, every)
    written = TABLE.read_text(encoding="utf-8") if TABLE.exists() else ""
    _, mark, by_hand = written.partition(BY_HAND)
    TABLE.write_text(HEAD + "".join(_sections(list(every.values()))) + mark + by_hand,
                     encoding="utf-8")


def _rows(path: Path) -> dict[str, Row]:
    if not path.exists():
        return {}
    return {k: Row(**r) for k, r in json.loads(path.read_text(encoding="utf-8")).items()}


def _write(path: Path, rows: dict[str, Row]) -> None:
    lines = (f"{json.dumps(k)}: {json.dumps(asdict(r))}" for k, r in rows.items())
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


def _row(
    path: Path, stage: str, half: int, fault: Sequence[str] | None, bench: Laboratory
) -> Row:
    case = load_case(path)
    made = weighing(case, bench)
    result = result_of(made)
    assert result.answer is not None
    part = fault[0] if fault else ""
    order = list(dict.fromkeys(s.part for s in result.suspects))
    kinds = {SUSPECTS: "part", NOTHING: "nothing", UNKNOWN: "not in library"}
    answer = kinds[result.answer.kind]
    right = answer == "part" and part in _held(result, order) if part else answer == "nothing"
    what = kind(case.stage.part(part).kind).family if part else ""
    return Row(
        stage, half, bool(part), what, detectable(made.found, made.observed),
        order.index(part) + 1 if part in order else 99, answer, result.answer.probability, right,
        time.strftime("%Y-%m-%d"),
    )


def _held(result: Result, order: Sequence[str]) -> set[str]:
    """The parts that the likeliest answer holds."""
    best = max(result.groups, key=lambda g: g.probability)
    parts = {s.part for s in result.suspects if s.group == best.group}
    return (parts if len(parts) <= HEAP else set()) | set(order[:1])


def _sections(rows: Sequence[Row]) -> Iterable[str]:
    for half, title in enumerate(HALVES):
        mine = [r for r in rows if r.half == half]
        if not mine:
            continue
        yield f"\n## The {title}\n\n" + _line(*COLUMNS) + "|---" * len(COLUMNS) + "|\n"
        for stage in dict.fromkeys(r.stage for r in mine):
            yield _told(stage, [r for r in mine if r.stage == stage])
        yield _told("all", mine)
        for what in sorted({r.what for r in mine if r.what}):
            yield _told(f"of these, {what}", [r for r in mine if r.what == what])


def _told(name: str, rows: Sequence[Row]) -> str:
    faulty, good = [r for r in rows if r.faulty], [r for r in rows if not r.faulty]
    shown = [r for r in faulty if r.shows]
    error, luck = _calibration(rows)
    return _line(
        name, str(len(faulty)), _share([r.place == 1 for r in faulty]),
        _share([r.place <= 3 for r in faulty]), _share([r.right for r in faulty]),
        str(len(shown)), _share([r.right for r in shown]),
        _share([r.answer == "not in library" for r in faulty]),
        f"{sum(r.right for r in good)}/{len(good)}" if good else "",
        f"{sum(r.said for r in rows) / len(rows):.2f}", _share([r.true for r in rows]),
        f"{error:.3f}", f"{luck:.3f}", min(r.made for r in rows),
    )


def _calibration(rows: Sequence[Row]) -> tuple[float, float]:
    """Expected calibration error over tenths, and what honest probabilities would show."""
    bins: dict[int, list[Row]] = {}
    for row in rows:
        bins.setdefault(min(int(10.0 * row.said), 9), []).append(row)
    error = sum(abs(sum(r.said - r.true for r in b)) for b in bins.values())
    # mean absolute value of a normal variable of that variance
    luck = sum(math.sqrt(2.0 / math.pi * sum(r.said * (1.0 - r.said) for r in b))
               for b in bins.values())
    return error / len(rows), luck / len(rows)


def _share(hits: Sequence[bool]) -> str:
    return f"{sum(hits) / len(hits):.2f}" if hits else ""


def _line(*cells: str) -> str:
    return "| " + " | ".join(cells) + " |\n"


if __name__ == "__main__":
    main()
