"""A synthetic stage with one part of every kind; it amplifies nothing and serves injection only."""

from __future__ import annotations

from circuits.kinds import kinds
from circuits.stage import Part, Rail, Stage

VALUES = {"ohm": 1e3, "F": 1e-6, "H": 0.1, "V": 5.6}


def part_of(kind: str, name: str) -> Part:
    """A part of that kind between nodes of its own."""
    about = kinds()[kind]
    nodes = tuple(f"{name.lower()}_{i}" for i in range(len(about.pins)))
    value = VALUES[about.unit] if about.unit else None
    return Part(name, kind, nodes, value, esr=0.5 if about.dissipation else 0.0)


def every_kind() -> Stage:
    """One part of every kind, two rails with ripple, pick-up and a stray current."""
    parts = tuple(part_of(kind, f"X{i}") for i, kind in enumerate(kinds()))
    return Stage(
        name="every-kind",
        parts=parts,
        rails=(Rail("vcc", 24.0, ((100.0, 4e-3), (200.0, 3e-3))), Rail("vee", -15.0)),
        pickup=((50.0, 1e-7),),
        stray=(("x0_0", ((50.0, 3e-6),)),),
    )
