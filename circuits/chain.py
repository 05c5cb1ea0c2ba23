"""What makes a unit of several stages: its members in order, and how each feeds the next.

A unit is one flat `circuits.stage.Stage`, whose parts and nodes are named after their member
(``tone.C3``, ``tone.out``); its `Chain` remembers what was joined. Everything that takes a stage
takes a unit.
"""

from __future__ import annotations

from dataclasses import dataclass

Lines = tuple[tuple[float, float], ...]
"""Spectral lines: (frequency in Hz, RMS amplitude)."""

PICKUP = "pickup"
"""Name under which the stray mains of a stage counts as a part; ``tone.pickup`` in a unit."""


@dataclass(frozen=True)
class Joint:
    """Where one member's output feeds the next one's input.

    The signal passes as through an ideal cable whose earth arrives at `back`: what stray currents
    drop across that earth joint is in series with the signal, as with a generator of its own.

    Attributes
    ----------
    member : str
        The one that is fed.
    output, input, back : str
        Nodes: of the member before, of the one that is fed, and where the earth arrives (ground
        where nothing lies between).
    pickup : lines
        Stray mains e.m.f. in series with the input of a healthy unit, V RMS.
    """

    member: str
    output: str
    input: str
    back: str
    pickup: Lines = ()


@dataclass(frozen=True)
class Chain:
    """The structure of a unit.

    Attributes
    ----------
    members : tuple of (name, output node)
        In the order of the signal.
    joints : tuple of Joint
        One fewer than there are members.
    supplies : tuple of str
        Rails that are no member's own.
    aliases : tuple of (name, node)
        Further names of nodes: ``in``, ``out``, and ``tone.vcc`` for the supply that feeds it.
    instances : tuple of str
        Names of the channels that are built alike; empty for one channel.
    """

    members: tuple[tuple[str, str], ...]
    joints: tuple[Joint, ...] = ()
    supplies: tuple[str, ...] = ()
    aliases: tuple[tuple[str, str], ...] = ()
    instances: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The members' names, in the order of the signal."""
        return tuple(name for name, _ in self.members)

    def owner(self, name: str) -> str:
        """The member or supply that a part, node, rail or part of a supply belongs to.

        ``tone`` of ``tone.C3``, ``main`` of ``main reservoir``, the first or last member of ``in``
        and ``out``; empty for what is nobody's.
        """
        real = dict(self.aliases).get(name, name)
        first = real.partition(" ")[0].partition(".")[0]
        return first if first in (*self.names, *self.supplies) else ""
