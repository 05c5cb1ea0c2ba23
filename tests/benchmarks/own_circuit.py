"""Ten faults made in the netlist of `examples/own-circuit`: prints what is answered.

    .venv/bin/python tests/benchmarks/own_circuit.py [--workers 2]

Units are made by plain ngspice (`tests/own_circuit.py`), in tolerance, with the trimmer set.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))


from diagnose.answer.ranking import rank  # noqa: E402
from diagnose.sheet.case import load_case  # noqa: E402
from faultlib.simulate import Laboratory  # noqa: E402
from faultlib.store import Store  # noqa: E402
from tests.own_circuit import FAULTS, sheet  # noqa: E402


def main() -> None:
    """Rank a good unit and one with each fault."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=None, help="simulators; all cores")
    parser.add_argument("--seed", type=int, default=100, help="of the first unit")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Laboratory(Store(folder / "store"), asked.workers) as laboratory:
            for number, fault in enumerate([None, *FAULTS]):
                path = folder / f"{number}.yaml"
                path.write_text(sheet(fault, asked.seed + number, folder), encoding="utf-8")
                found = rank(load_case(path), laboratory)
                groups = "; ".join(
                    f"{100.0 * g.probability:.0f} % {', '.join(g.members[:4])}"
                    for g in found.groups[:2])
                said = f"{fault.part}, {fault.name}" if fault else "good unit"
                print(f"{said}: {found.answer.kind}: {groups}", flush=True)


if __name__ == "__main__":
    main()
