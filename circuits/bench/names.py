"""The names that may be asked of a circuit.

ngspice answers an unknown node with zeros, with nothing, or by ending its service in this process;
so no name reaches it that the circuit does not hold.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from circuits.circuit import Circuit
from circuits.errors import EngineFault

_TERMINALS = {
    "q": ("ic", "ib", "ie"),
    "j": ("id", "ig", "is"),
    "m": ("id", "ig", "is"),
    "d": ("id",),
    "b": ("i",),
}
"""By the first letter of an element: its terminals whose current ngspice tells."""


@dataclass(frozen=True)
class Names:
    """Nodes, elements whose current is known, sources that drive, resistors, capacitors, devices.

    All in lower case.
    """

    nodes: frozenset[str]
    branches: frozenset[str]
    sources: frozenset[str]
    resistors: frozenset[str]
    capacitors: frozenset[str]
    devices: frozenset[str] = frozenset()

    @classmethod
    def of(cls, circuit: Circuit) -> Names:
        """Survey a circuit; raises EngineFault where two elements share a name."""
        nodes = {"0", "gnd"}
        names: set[str] = set()
        for element in circuit.elements:
            name = element.name.lower()
            if name in names:
                raise EngineFault(f"two elements are named {element.name}")
            names.add(name)
            if name[0] != "k":
                nodes.update(map(str.lower, element.nodes))
        return cls(
            frozenset(nodes),
            frozenset(name for name in names if name[0] in "vleh"),
            frozenset(name for name in names if name[0] in "vi"),
            frozenset(name for name in names if name[0] == "r"),
            frozenset(name for name in names if name[0] == "c"),
            frozenset(name for name in names if name[0] in _TERMINALS),
        )

    def vectors(self, nodes: Iterable[str], branches: Iterable[str]) -> list[str]:
        """What ngspice calls these nodes and branches; raises EngineFault for an unknown one."""
        names = []
        for node in nodes:
            name = node.lower()
            if name not in self.nodes:
                raise EngineFault(f"the circuit has no node {node!r}")
            names.append("0" if name == "gnd" else name)
        for branch in branches:
            name = branch.lower()
            if name not in self.branches:
                raise EngineFault(f"the circuit has no voltage source or inductor {branch!r}")
            names.append(name + "#branch")
        return names

    def terminals(self, wanted: Iterable[tuple[str, str]]) -> list[str]:
        """What ngspice calls the currents of these terminals; EngineFault for an unknown one."""
        names = []
        for element, terminal in wanted:
            name = element.lower()
            if name not in self.devices or terminal not in _TERMINALS[name[0]]:
                raise EngineFault(f"the circuit has no device {element!r} with a {terminal!r}")
            names.append(f"@{name}[{terminal}]")
        return names

    def require_source(self, name: str) -> None:
        """Raise EngineFault unless the circuit has this V or I source (lower case)."""
        if name not in self.sources:
            raise EngineFault(f"the circuit has no V or I source {name!r} to drive it")

    def require_capacitor(self, name: str) -> None:
        """Raise EngineFault unless the circuit has this capacitor (lower case)."""
        if name not in self.capacitors:
            raise EngineFault(f"the circuit has no capacitor {name!r}")

    def require_resistors(self, names: Iterable[str]) -> list[str]:
        """These names in lower case; raises EngineFault where the circuit has no such resistor."""
        lowered = [name.lower() for name in names]
        for name in lowered:
            if name not in self.resistors:
                raise EngineFault(f"the circuit has no resistor {name!r} whose noise could be told")
        return lowered
