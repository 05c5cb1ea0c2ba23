"""What parts bear: the ``rating`` that a stage file states, and what a usual part of a kind takes.

Usual dissipations are common practice, from memory, of parts as sold for amplifiers: a resistor of
its kind's commonest size, a transistor or diode in its commonest small case without a heat sink.
"""

from __future__ import annotations

from circuits.kinds import kind
from circuits.stage import Part

USUAL_WATTS = {
    "carbon-composition": 0.5, "carbon-film": 0.25, "metal-film": 0.25, "wirewound": 5.0,
    "trimmer": 0.15, "potentiometer": 0.1,
    "npn": 0.5, "pnp": 0.5, "njf": 0.3, "pjf": 0.3, "nmos": 0.8, "pmos": 0.8,
    "diode": 0.4, "zener": 0.4, "rectifier": 1.0, "opamp": 0.6, "triode": 1.0, "pentode": 12.0,
}
"""W by kind."""

_WITH_SINK = ("npn", "pnp", "nmos", "pmos")
"""Kinds that are sold for more, in a case that takes a heat sink."""


def rating_unit(part_kind: str) -> str:
    """Unit of a part's ``rating``: V of a capacitor, W of what gets warm; empty without one."""
    if kind(part_kind).family == "capacitor":
        return "V"
    return "W" if part_kind in USUAL_WATTS else ""


def beyond_usual(part: Part) -> str:
    """What it means that a part without a rating takes more than `USUAL_WATTS`."""
    if part.kind in _WITH_SINK:
        return "a small one without a heat sink"
    return f"a usual {part.kind.replace('-', ' ')}" + (" resistor" if _resistor(part) else "")


def _resistor(part: Part) -> bool:
    return kind(part.kind).family == "resistor"
