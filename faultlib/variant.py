"""A unit as it is simulated: which faults it has, and how its good parts deviate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from circuits.earths import standing
from circuits.quantities import CROSSTALK
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.adjust import as_set
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.tolerance import MAINS, OF_ONE_MAKE, RAILS, Spread


def is_shared(name: str, shared: Sequence[str]) -> bool:
    """Whether two channels have a part, rail or part of a supply (``vcc reservoir``) in common.

    Resistors of a kind are of one make in both.
    """
    name = standing(name) or name
    owner, of_supply, _ = name.partition(" ")
    alike = name in (MAINS, RAILS, *OF_ONE_MAKE)
    return alike or name in shared or bool(of_supply and owner in shared)


@dataclass(frozen=True)
class Variant:
    """A unit: which faults it has and how its good parts deviate.

    Attributes
    ----------
    deviations : tuple of (Spread, float)
        In standard deviations of each spread.
    beside : Variant or None
        The other channel, for readings of both; None for a good one, in which only what both
        have (`circuits.stage.Stage.shared`) is as in this one.
    """

    faults: tuple[Fault, ...] = ()
    deviations: tuple[tuple[Spread, float], ...] = ()
    beside: Variant | None = None

    def label(self) -> str:
        """How a message names it."""
        other = () if self.beside is None else self.beside.faults
        return " and ".join(f.label() for f in dict.fromkeys((*self.faults, *other))) or "healthy"

    def key(self) -> str:
        """A text that two variants share if and only if they are the same unit."""
        alone = " ".join([*map(_told, self.faults),
                          *(f"{_told(s)}{z:+}" for s, z in self.deviations)])
        return alone if self.beside is None else f"{alone} beside {self.beside.key()}"

    def shared(self, names: Sequence[str]) -> Variant:
        """What a good channel beside has of it: what is in parts that both have.

        Parameters
        ----------
        names : sequence of str
            Of those parts and rails.
        """
        return Variant(
            tuple(f for f in self.faults if is_shared(f.part, names)),
            tuple((s, z) for s, z in self.deviations if is_shared(s.target, names)),
        )


def unit(stage: Stage, variant: Variant) -> Stage:
    """The stage of a variant: good parts moved, trimmers set, and then the faults injected."""
    return inject(as_set(stage, variant.deviations), variant.faults, stage)


@lru_cache(maxsize=1 << 16)
def _told(what: Fault | Spread) -> str:
    return repr(what)


def of_both(reading: Reading) -> bool:
    """Whether a reading is simulated with the other channel beside."""
    return reading.quantity == CROSSTALK
