"""ngspice with a circuit in it: loaded, changed in place, and judged by what a run left.

It remembers the circuit: when the next one differs in plain numbers alone those are changed in
place, which costs a few microseconds each where a load costs 0.2 ms, and gives to the last bit what
a fresh load of the same numbers gives.

ngspice reports success and failure unreliably: vectors count that have the right length, are finite
and plausible, and stand in a plot that did not exist before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from circuits.bench import sweep
from circuits.bench.analysis import Complexes, Floats
from circuits.bench.difference import differences
from circuits.bench.names import Names
from circuits.bench.ngspice import Ngspice
from circuits.circuit import Circuit
from circuits.errors import EngineFault, NoSolution

_FEW = 24
"""Changes up to which altering is cheaper than loading afresh."""
_PLAUSIBLE = 1e12
"""No node or branch reaches this; ngspice answers a division by zero with 1e32."""
_BAD_LOAD = ("error", "unrecognized", "can't find", "unknown", "not valid", "already exists")
_PROOF = ("proof", "v1 a 0 3", "r1 a 0 2", ".end")


class Simulator:
    """ngspice, and the circuit that it holds.

    Attributes
    ----------
    names : Names
        What is asked for by name, in the circuit that is loaded.
    ngspice : Ngspice
    """

    names: Names

    def __init__(self) -> None:
        """Start it; EngineMissing without an ngspice library."""
        self.ngspice = Ngspice()
        # As a last resort ngspice would take 10 µs of a transient run for the operating point,
        # with the large capacitors still empty, and report success.
        self.ngspice.command("optran 1 1 1 0 0 0")
        self._loaded: Circuit | None = None
        self._awake = ""

    def command(self, text: str) -> list[str]:
        """Have it do something; its complaints."""
        return self.ngspice.command(text)

    def vector(self, name: str) -> Floats | Complexes | None:
        """A vector of the plot that was made last, or of a named one."""
        return self.ngspice.vector(name)

    def clear(self) -> None:
        """Nothing is saved, no plot is kept; nothing is asked of one that is poisoned."""
        if not self.ngspice.poison:
            self.ngspice.command("delete all")
            self.ngspice.command("destroy all")

    def forget(self) -> None:
        """What is loaded now is unknown: the next circuit is loaded afresh."""
        self._loaded = None
        self._awake = ""

    def load(self, circuit: Circuit, extra: Mapping[str, str]) -> None:
        """Load a circuit afresh, with options beside its own; EngineFault where it is refused."""
        lines = circuit.lines(extra)
        names = Names.of(circuit)
        self.forget()
        # Without remcirc a netlist that does not parse leaves the previous one to be simulated.
        self.ngspice.command("remcirc")
        self.ngspice.command("destroy all")
        complaints = self.ngspice.load(lines)
        if any(bad in line.lower() for line in complaints for bad in _BAD_LOAD):
            self._prove()
            raise EngineFault("ngspice refuses the netlist: " + "; ".join(complaints))
        self.names = names

    def _prove(self) -> None:
        """After a refusal, have ngspice work out 3 V across 2 ohm; poison it unless it can."""
        self.ngspice.command("remcirc")
        self.ngspice.command("destroy all")
        self.ngspice.load(_PROOF)
        self.ngspice.command("op")
        current = self.ngspice.vector("v1#branch")
        if current is None or current[0] != -1.5:
            self.ngspice.poison = "ngspice fails its proof after a netlist that it refused"

    def settle(self, circuit: Circuit, extra: Mapping[str, str]) -> None:
        """Have `circuit` in ngspice, by the cheapest way that leaves no trace of the last one."""
        if extra or self._loaded is None:
            self.load(circuit, {"keepopinfo": ""} | dict(extra))
        elif self._loaded is not circuit:
            changes = differences(self._loaded, circuit)
            if changes is None or len(changes) > _FEW or not self._alter(changes):
                self.load(circuit, {"keepopinfo": ""})
        if not extra:
            self._loaded = circuit

    def _alter(self, changes: Iterable[str]) -> bool:
        return all(not self.ngspice.command(change) for change in changes)

    def wake(self, drive: str) -> None:
        """Give one source its 1 V or 1 A of AC and take it from the one that had it."""
        self.names.require_source(drive)
        if drive != self._awake:
            if self._awake:
                self.ngspice.command(f"alter {self._awake} acmag = 0")
            self.ngspice.command(f"alter {drive} acmag = 1")
            self._awake = drive

    def analyse(self, command: str, kind: str) -> None:
        """Run an analysis; NoSolution unless it left a plot of its kind and did not abort."""
        complaints = self.ngspice.command(command)
        if any("not parsed" in line or "any circuits" in line for line in complaints):
            self._prove()
            raise EngineFault("ngspice could not parse the netlist")
        if not self.ngspice.plot().startswith(kind) or any("aborted" in c for c in complaints):
            reason = complaints[-2] if len(complaints) > 1 else "no result"
            self.ngspice.command("destroy all")
            raise NoSolution(f"{kind}: {reason.strip()}")

    def check_sweep(self, name: str, run: sweep.Run) -> None:
        """Hold the frequencies that ngspice took against the ones meant: its rules vary."""
        axis = self.ngspice.vector(name)
        meant = run.frequencies
        if axis is None or len(axis) != len(meant) or abs(axis[-1].real / meant[-1] - 1) > 1e-6:
            raise NoSolution(f"ngspice did not run the whole of: {run.command}")

    def table(self, plot: str, vectors: Sequence[str], length: int) -> Complexes:
        """Vectors of a plot as columns (length, n); NoSolution where one is not to be trusted."""
        table = np.zeros((length, len(vectors)), dtype=np.complex128)
        for k, name in enumerate(vectors):
            if name != "0":
                data = self.ngspice.vector(plot + name)
                if data is None or len(data) != length:
                    raise NoSolution(f"no result for {name}")
                table[:, k] = data
        # Written so that a value that is not a number fails as well.
        if vectors and not np.abs(table).max() < _PLAUSIBLE:
            raise NoSolution("a result is not a number, or beyond all reason")
        return table
