"""Units for a card that is not there, made of what the simulator says of a stage with a fault."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from circuits.load import load_stage
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Store
from tests.diagnose.soundcard.fake_card import Floats, Unit

STAGE, PART, FARADS, WHOLE = "phono-opamp", "C4", 8e-9, 12e-9
"""A phono input whose capacitor of the RIAA network has lost a third."""
INPUT_OHMS = 10e3
GRID = np.geomspace(5.0, 23.9e3, 90)
"""Hz, between which the response runs straight along the logarithm."""


def faulty() -> Stage:
    """The stage with its fault."""
    stage = load_stage(STAGE)
    return stage.with_part(replace(stage.part(PART), value=FARADS))


def response(folder: Path) -> Floats:
    """Its gain into the card, dB, at `GRID`."""
    readings = [Reading("gain", frequency=float(f), load=INPUT_OHMS) for f in GRID]
    with Laboratory(Store(folder), workers=0) as bench:
        row = bench.values(faulty(), [Variant()], readings).values[0]
    return np.array([from_compared(r, float(x)) for r, x in zip(readings, row, strict=True)])


def unit(decibels: Floats, **further: object) -> Unit:
    """The unit; `further` is its hum, noise and harmonics."""

    def gains(frequency: Floats) -> np.ndarray:
        level = np.interp(np.log(np.maximum(frequency, 1.0)), np.log(GRID), decibels)
        return 10.0 ** (level / 20.0) + 0j

    return Unit(gains, **further)  # type: ignore[arg-type]


def at(decibels: Floats, frequency: float) -> float:
    """Its gain at a frequency, dB."""
    return float(np.interp(np.log(frequency), np.log(GRID), decibels))
