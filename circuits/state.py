"""In which state a unit was when it was read: its ends, and what a repairer did to its circuit.

A state is frozen data; `circuits.state_words` reads and writes it, `circuits.in_state` makes the
stage of it. What a reading states already by conditions of its own is no part of its state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from circuits.quantity import exact

OPEN = math.inf
"""Ohm of a load that is disconnected."""
INPUTS = ("open", "shorted", "terminated")
"""What may be at the input while nothing is fed in; ``terminated`` is how noise is read anyway."""


@dataclass(frozen=True)
class State:
    """In which state a unit was; empty fields are as drawn.

    Attributes
    ----------
    load : float
        Ohm in place of the stage's own load; `OPEN` for none.
    input : str
        ``open``, ``shorted``, or empty for the generator's own impedance.
    lifted : tuple of (part, pin)
        Pins that are disconnected.
    pulled : tuple of str
        Parts that are out of the circuit.
    bridged : tuple of (node, node)
        Nodes that a wire joins.
    bypassed : tuple of (part, float)
        Parts that a good capacitor is put across, F.
    limited : float
        A that a bench supply in place of every rail gives at most; 0 for the unit's own supply.
    mains : float
        Of a variac, over the nominal mains voltage; 0 for the mains itself.
    lamp : float
        W of a lamp in series with the mains; 0 for none.
    """

    load: float = 0.0
    input: str = ""
    lifted: tuple[tuple[str, str], ...] = ()
    pulled: tuple[str, ...] = ()
    bridged: tuple[tuple[str, str], ...] = ()
    bypassed: tuple[tuple[str, float], ...] = ()
    limited: float = 0.0
    mains: float = 0.0
    lamp: float = 0.0

    def __bool__(self) -> bool:
        """Whether anything is not as drawn."""
        return any(getattr(self, f.name) for f in fields(self))

    @property
    def altered(self) -> bool:
        """Whether the circuit itself is another one, beyond what stands at its ends."""
        return any((self.lifted, self.pulled, self.bridged, self.bypassed, self.limited,
                    self.mains, self.lamp))

    def __repr__(self) -> str:
        # short, and part of a reading's key: equal states have equal texts and no others
        return f"State({self.text()!r})"

    def text(self) -> str:
        """The state in one line, which `circuits.state_words` reads back exactly."""
        said = []
        if self.load:
            said.append(f"load {'open' if self.load == OPEN else exact(self.load, 'ohm')}")
        if self.input:
            said.append(f"input {self.input}")
        if self.limited:
            said.append(f"supply limited to {exact(self.limited, 'A')}")
        if self.mains:
            said.append(f"mains {exact(self.mains, '%')}")
        if self.lamp:
            said.append(f"lamp {exact(self.lamp, 'W')}")
        lists = {
            "lifted": [f"{part}.{pin}" for part, pin in self.lifted],
            "pulled": list(self.pulled),
            "bridged": [f"{one} to {other}" for one, other in self.bridged],
            "bypassed": [f"{part} {exact(farad, 'F')}" for part, farad in self.bypassed],
        }
        # no commas: tables divide their columns by them
        said += [f"{word} {' and '.join(names)}" for word, names in lists.items() if names]
        return "; ".join(said)


AS_DRAWN = State()
"""The unit as its schematic has it."""
