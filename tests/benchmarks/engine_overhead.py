"""What the engine adds to the solver, and what it saves against one ngspice process a variant.

Every variant is an operating point and a response at 40 frequencies of a bipolar amplifier of 40
elements. All ways take turns in each round, so that a busy machine slows them alike; the medians
of the rounds are compared. Run: `python tests/benchmarks/engine_overhead.py [variants a round]`.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from statistics import median

import numpy as np

from circuits.bench import sweep
from circuits.bench.analysis import OperatingPoint, SmallSignal
from circuits.bench.difference import differences
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element, Model

ROUNDS = 9
FREQUENCIES = tuple(float(f) for f in np.geomspace(20.0, 20e3, 40))


def amplifier() -> Circuit:
    """A class-B amplifier of the textbooks: 11 transistors, 25 passive parts, 4 sources."""
    passive = """
        R1 in a 1000; C1 a b 1e-5; R2 b 0 22000; R3 b b1 470; C2 b1 0 1e-10; R4 t vcc 15000
        R5 c1 vee 680; R6 fb out 22000; R7 fb f 1000; C3 f 0 1e-4; R8 e3 vee 47; R9 x 0 6800
        C4 c3 c1 1e-10; R10 y vcc 100; R11 x2 vcc 100; R12 v w1 2500; R13 w1 c3 1000
        R14 d1 out 220; R15 d2 out 220; R16 o1 out 0.33; R17 o2 out 0.33; R18 out z 10
        C5 z 0 1e-7; R19 out 0 8; C6 v c3 1e-5
    """
    transistors = """
        Q1 c1 b1 t p; Q2 vee fb t p; Q3 c3 c1 e3 n; Q4 v w1 c3 n; Q5 vcc v d1 n; Q6 vee c3 d2 p
        Q7 vcc d1 o1 np; Q8 vee d2 o2 pp; Q9 x x x2 p; Q10 v x y p; Q11 x1 x1 x n
    """
    elements = [
        Element("Vin", ("in", "0"), 0.0),
        Element("Vcc", ("vcc", "0"), 30.0),
        Element("Vee", ("vee", "0"), -30.0),
        Element("I1", ("vcc", "x1"), 1e-4),
    ]
    for words in passive.replace("\n", ";").split(";"):
        if words.strip():
            name, first, second, value = words.split()
            elements.append(Element(name, (first, second), float(value)))
    for words in transistors.replace("\n", ";").split(";"):
        if words.strip():
            name, *nodes, model = words.split()
            elements.append(Element(name, tuple(nodes), text=model))
    small = (("bf", 200.0), ("vaf", 100.0), ("cje", 1e-11), ("cjc", 4e-12), ("tf", 5e-10))
    power = (("bf", 70.0), ("vaf", 100.0), ("cje", 1e-9), ("cjc", 3e-10), ("tf", 4e-8))
    models = (
        Model("n", "npn", (("is", 1e-14), *small)),
        Model("p", "pnp", (("is", 1e-14), *small)),
        Model("np", "npn", (("is", 1e-11), *power)),
        Model("pp", "pnp", (("is", 1e-11), *power)),
    )
    return Circuit(tuple(elements), models)


def variants(count: int) -> list[Circuit]:
    """The amplifier with one part each time 5 % off."""
    healthy = amplifier()
    made = []
    for k in range(count):
        index = 4 + k % 25
        elements = list(healthy.elements)
        part = elements[index]
        assert part.value is not None
        elements[index] = replace(part, value=part.value * (1.05 + 1e-3 * k))
        made.append(replace(healthy, elements=tuple(elements)))
    return made


WANTED = (
    OperatingPoint(("out", "t", "c1", "c3"), ("Vcc",)),
    SmallSignal("Vin", FREQUENCIES, ("out",)),
)


def by_altering(circuits: list[Circuit]) -> list[float]:
    return [_gain(Engine().run(circuit, WANTED)) for circuit in circuits]


def by_reloading(circuits: list[Circuit]) -> list[float]:
    gains = []
    for circuit in circuits:
        # A circuit of another shape in between would do the same and cost its own time.
        Engine().simulator.forget()
        gains.append(_gain(Engine().run(circuit, WANTED)))
    return gains


def _gain(results: tuple[object, ...]) -> float:
    response = results[1]
    return float(abs(response.nodes[20, 0]))  # type: ignore[attr-defined] # by WANTED


def by_the_solver_alone(circuits: list[Circuit]) -> list[float]:
    """One loaded circuit, the two raw commands and nothing else."""
    return [_solve([[] for _ in circuits], circuits[0])]


def by_the_solver_altered(circuits: list[Circuit]) -> list[float]:
    """The same behind the commands that make each circuit of the one before."""
    changes = [differences(a, b) or [] for a, b in pairwise(circuits)]
    return [_solve([[], *changes], circuits[0])]


def _solve(changes: list[list[str]], circuit: Circuit) -> float:
    engine = Engine()
    engine.run(circuit, WANTED)
    spice = engine.simulator.ngspice
    command = "ac " + sweep.plan(FREQUENCIES).run.command
    began = time.perf_counter()
    for words in changes:
        for change in words:
            spice.command(change)
        spice.command("op")
        spice.command(command)
        spice.command("destroy all")
    spent = time.perf_counter() - began
    engine.simulator.forget()
    return spent


def by_process(circuits: list[Circuit]) -> list[float]:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "variant.cir")
        for circuit in circuits:
            lines = circuit.text().replace("Vin in 0 0.0", "Vin in 0 dc 0 ac 1").splitlines()
            command = "." + "ac " + sweep.plan(FREQUENCIES).run.command
            show = [".op", command, ".print ac v(out)"]
            file.write_text("\n".join([*lines[:-1], *show, ".end"]) + "\n")
            done = subprocess.run(
                ["ngspice", "-b", str(file)], capture_output=True, text=True, check=True
            )
            if "v(out)" not in done.stdout:
                raise RuntimeError("ngspice printed no result")
    return []


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    circuits = variants(count)
    altered, reloaded = by_altering(circuits), by_reloading(circuits)
    worst = max(abs(a / b - 1.0) for a, b in zip(altered, reloaded, strict=True))
    ways = {
        "solver alone (op, ac)": by_the_solver_alone,
        "solver, values altered": by_the_solver_altered,
        "engine, altering": by_altering,
        "engine, reloading": by_reloading,
        "ngspice -b a variant": by_process,
    }
    times: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            few = circuits[:5] if way is by_process else circuits
            began = time.perf_counter()
            result = way(few)
            spent = result[0] if name.startswith("solver") else time.perf_counter() - began
            times[name].append(1e3 * spent / len(few))
    solver, process = (median(times[k]) for k in ("solver alone (op, ac)", "ngspice -b a variant"))
    print(f"{len(circuits[0].elements)} elements, op and {len(FREQUENCIES)} frequencies,")
    print(f"altered and reloaded gains agree within {worst:.1e}")
    print(f"{'way':24} {'ms a variant':>12} {'over solver':>12} {'process over it':>16}")
    for name, values in times.items():
        mid = median(values)
        print(f"{name:24} {mid:12.3f} {mid / solver:12.2f} {process / mid:16.1f}")


if __name__ == "__main__":
    main()
