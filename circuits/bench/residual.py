"""Hum and noise at the output beside a signal, as a meter of distortion with noise sees them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from circuits.bench import mains, noise
from circuits.bench.mains import HUM_FLOOR
from circuits.bench.plan import Request
from circuits.bench.steps import Steps, ask
from circuits.curves import AUDIO
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.stage import Stage

_LINES = 6
"""Multiples of the mains frequency that are added up."""


def band_of(reading: Reading) -> tuple[float, float]:
    """The band that a meter listens to, Hz; 20 Hz to 20 kHz where none is stated."""
    return AUDIO if reading.band == (0.0, 0.0) else reading.band


def hum_and_noise(
    stage: Stage, band: tuple[float, float], load: float = 0.0, signal: float = 0.0
) -> Steps[float]:
    """Noise in a band and the mains lines in it together, V RMS.

    Parameters
    ----------
    band : tuple of float
        Hz.
    load : float
        Ohm in place of the stage's own; 0 keeps that.
    signal : float
        V RMS at the output, which the noise is read beside.
    """
    lines = [k * stage.mains for k in range(1, _LINES + 1)]
    hums = [Reading("hum", frequency=f) for f in lines if band[0] <= f <= band[1]]
    total = (yield from noise.beside_signal(stage, band, signal, load)) ** 2
    if hums:
        requests = mains.requests(stage, list(enumerate(hums)))
        hum = yield from _taken(stage, load, requests)
        # the analyser's own floor stands in every line and must not add up
        total += sum(max(v * v - HUM_FLOOR**2, 0.0) for v in hum)
    return math.sqrt(total)


def _taken(stage: Stage, load: float, requests: Sequence[Request]) -> Steps[list[float]]:
    values: list[float] = []
    for one in requests:
        results = yield from ask(circuit(stage, load, pairs=one.setup.pairs), one.analyses)
        values += one.read(stage, results)
    return values
