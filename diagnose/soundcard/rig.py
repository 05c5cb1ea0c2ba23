"""The card as it is connected to a unit: what it plays and hears there, in V."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from circuits.hazards import drives_loudspeaker
from circuits.quantities import CROSSTALK
from circuits.quantity import exact
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.soundcard.calibration import Calibration
from diagnose.soundcard.divider import Divider

_NO_DRIVE = 0.1
"""V at the output where a stage states no usual drive (judgement)."""


@dataclass(frozen=True)
class Rig:
    """The card as it is connected to a unit.

    Attributes
    ----------
    own : Calibration
        Of the left side of the card, which may know the right one.
    stage : Stage
    gain : float
        Of the healthy unit at 1 kHz, a ratio; it only says where to begin.
    behind : Divider or None
        Between the card's output and the unit's input.
    before : Divider or None
        Between the unit's output and the card's input.
    """

    own: Calibration
    stage: Stage
    gain: float
    behind: Divider | None = None
    before: Divider | None = None

    @property
    def right(self) -> Rig | None:
        """The same on the right side of the card; None where that was not calibrated."""
        return None if self.own.right is None else replace(self, own=self.own.right)

    @property
    def loudspeaker(self) -> bool:
        """Whether the load of the stage is one."""
        return drives_loudspeaker(self.stage)

    @property
    def load(self) -> float:
        """Ohm that the card and its divider are to the unit's output."""
        return self.before.ohms if self.before else self.own.input_ohms

    def peak(self, emf: float) -> float:
        """Fraction of full scale that is played for V RMS of e.m.f. before the unit."""
        return emf * (self.behind.ratio if self.behind else 1.0) / self.own.plays

    def volts(self, peak: float) -> float:
        """V RMS at the unit's output of a sine of that peak, as a fraction of full scale."""
        return peak * self.full_scale

    @property
    def full_scale(self) -> float:
        """V RMS at the unit's output of a sine that fills the card's input."""
        return self.own.records * (self.before.ratio if self.before else 1.0)

    @property
    def usual(self) -> float:
        """V RMS of e.m.f. of the stage's usual drive."""
        kind, value = next(iter(self.stage.signal), ("output level", _NO_DRIVE))
        if kind == "input level":
            return float(value)
        volts = math.sqrt(value * self.stage.load) if kind == "power" else value
        return volts / self.gain

    def taken(self, reading: Reading) -> tuple[Reading, tuple[tuple[str, str], ...]]:
        """A reading with the load that the card was, and what its row is to say of that."""
        stated = reading.load or reading.state.load
        # a sheet has no load beside crosstalk, which is a ratio and does not hang on it
        if self.loudspeaker or stated or reading.quantity in (
                "output impedance", "input impedance", "damping factor", CROSSTALK):
            return reading, ()
        ohms = float(f"{self.load:.3g}")
        if "load" in reading.about.optional:
            made = replace(reading, load=ohms)
        else:
            made = replace(reading, state=replace(reading.state, load=ohms))
        return made, (("load", exact(ohms, "ohm")),)
