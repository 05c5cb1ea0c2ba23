"""Noise in a band, plain or A-weighted, and the ratio of signal to noise.

The input is terminated with the source impedance, as IEC 60268-3 asks; its own thermal noise
counts. Where a level is stated, noise is read beside a signal of that (`circuits.bench.beside`) and
needs an experiment, since what is noisy differs from unit to unit; without one a request does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from circuits import excess
from circuits.bench import beside, probed
from circuits.bench.analysis import (
    Answer,
    Loaded,
    NoiseDensity,
    NoiseSpectrum,
    Response,
    SmallSignal,
)
from circuits.bench.plan import Experiment, Indexed, Request, Setup, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.steps import Steps
from circuits.curves import AUDIO, a_weighting_db
from circuits.identity import ByIdentity
from circuits.moving import GENERATOR
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import Stage

QUANTITIES = ("noise", "snr")

_POINTS_A_DECADE = 6
"""Frequencies a decade at which the density is simulated. Between them its logarithm is a cubic in
that of the frequency: of all stages, good and with faults, noise is then off by 0.001 dB (median),
0.25 dB at most where a filter resonates; straight lines between ten a decade were off by 0.015 and
0.21 dB (measured beside eighty a decade)."""
_FINER = 8
"""Parts of the way from one of those to the next, over each of which it is a power of frequency."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


def at_rest(reading: Reading) -> bool:
    """Whether it is read without a signal."""
    return takes(reading) and reading.level is None


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """Requests by the node that is read, which is the output where none is stated."""
    return [_at(stage, mine) for mine in _by_point(stage, readings)]


def experiments(stage: Stage, readings: Indexed) -> list[Experiment]:
    """One experiment for every node that is listened to beside a signal."""
    return [_beside(mine) for mine in _by_point(stage, readings)]


def _by_point(stage: Stage, readings: Indexed) -> list[Indexed]:
    """Readings by the node that is read, and the input that it is read by."""
    def point(r: Reading) -> tuple[str, tuple[Loaded, ...]]:
        return r.at or stage.output, probed.inputs(stage, r, r.at)

    points = dict.fromkeys(point(r) for _, r in readings)
    return [[(i, r) for i, r in readings if point(r) == one] for one in points]


def with_junctions(stage: Stage, readings: Indexed) -> list[Experiment]:
    """In place of requests, where a unit has junctions whose noise these do not tell."""
    if any(_of_junction(part) for part in stage.parts if part.parameters):
        return experiments(stage, readings)
    return []


_of_junction = ByIdentity(excess.of_junction)


def _beside(readings: Indexed) -> Experiment:
    frequencies = _frequencies([_band(r) for _, r in readings])
    grid = np.array(frequencies)

    def perform(stage: Stage) -> Steps[Values]:
        point = readings[0][1]
        heard = yield from beside.listen(stage, point.at or stage.output, frequencies,
                                         by=probed.ready(stage, point))

        def one(r: Reading) -> float:
            signal = _signal(stage, r, heard.gain)
            density = heard.beside(signal if r.level is not None else 0.0)
            volts = rms(grid, density, _band(r), r.weighting)
            return volts if r.quantity == "noise" else 20.0 * math.log10(signal / volts)

        return [one(r) for _, r in readings]

    return Experiment(0.0, tuple(i for i, _ in readings), perform, swings=False)


def beside_signal(
    stage: Stage, band: tuple[float, float], volts: float, load: float = 0.0
) -> Steps[float]:
    """Noise in a band at the output beside a signal there, both V RMS."""
    frequencies = _frequencies([band])
    heard = yield from beside.listen(stage, stage.output, frequencies, load)
    return rms(np.array(frequencies), heard.beside(volts), band)


def _frequencies(bands: Sequence[tuple[float, float]]) -> tuple[float, ...]:
    """Where the density is simulated for the widest of some bands, Hz."""
    low, high = min(b[0] for b in bands), max(b[1] for b in bands)
    count = max(2, math.ceil(math.log10(high / low) * _POINTS_A_DECADE) + 1)
    return tuple(float(f) for f in np.geomspace(low, high, count))


def _at(stage: Stage, readings: Indexed) -> Request:
    """One noise run over the widest band that is asked for, and the gain that SNR needs."""
    frequencies = _frequencies([_band(r) for _, r in readings])
    first = readings[0][1]
    output = node(first.at or stage.output)
    analyses = (
        NoiseSpectrum(output, GENERATOR, frequencies, probes=probed.inputs(stage, first, first.at)),
        SmallSignal(GENERATOR, (1000.0,), (output,), ()),
    )
    grid = np.array(frequencies)

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        spectrum, gain = results
        assert isinstance(spectrum, NoiseDensity)
        assert isinstance(gain, Response)
        amplification = math.hypot(abs(gain.nodes[0, 0]), SILENCE)

        def one(r: Reading) -> float:
            volts = rms(grid, spectrum.density, _band(r), r.weighting)
            if r.quantity == "noise":
                return volts
            return 20.0 * math.log10(_signal(stage, r, amplification) / volts)

        return [one(r) for _, r in readings]

    setup = Setup(probes=probed.ready(stage, first))
    return Request(setup, analyses, tuple(i for i, _ in readings), read)


def rms(
    frequencies: NDArray[np.float64],
    density: NDArray[np.float64],
    band: tuple[float, float] = AUDIO,
    weighting: str = "",
) -> float:
    """RMS noise in a band from a spectral density.

    Between points the logarithm of the density is a cubic in that of the frequency, which is exact
    for white and for 1/f noise, and for any other power of frequency.

    Parameters
    ----------
    frequencies : (n,) array
        Hz, rising.
    density : (n,) array
        V/√Hz.
    band : tuple of float
        Hz.
    weighting : {"", "A"}
    """
    return _integral(tuple(frequencies.tolist()), band, weighting).rms(density)


@dataclass(frozen=True, eq=False)
class _Integral:
    """What of `rms` hangs on the frequencies alone.

    Attributes
    ----------
    finer : (k, n) array
        From logarithms of a density to those on a finer grid.
    grid : (k,) array
        Hz, of that; the ends of the band among them.
    gain : (k,) array or None
        Logarithm of what a weighting makes of the power; None without one.
    step : (k - 1,) array
        From one logarithm of a frequency to the next.
    """

    finer: NDArray[np.float64]
    grid: NDArray[np.float64]
    gain: NDArray[np.float64] | None
    step: NDArray[np.float64]

    def rms(self, density: NDArray[np.float64]) -> float:
        """Of a density (n,)."""
        log_power = self.finer @ (2.0 * np.log(density + 1e-30))
        if self.gain is not None:
            log_power = log_power + self.gain
        slope = (log_power[1:] - log_power[:-1]) / self.step + 1.0
        whole = np.exp(log_power[:-1]) * self.grid[:-1]
        flat = np.abs(slope) < 1e-9
        if flat.any():
            safe = np.where(flat, 1.0, slope)
            rising = np.where(flat, self.step, np.expm1(safe * self.step) / safe)
        else:
            rising = np.expm1(slope * self.step) / slope
        return math.sqrt(whole @ rising)


@lru_cache(maxsize=64)
def _integral(
    frequencies: tuple[float, ...], band: tuple[float, float], weighting: str
) -> _Integral:
    low, high = band
    coarse = np.log([low, *(f for f in frequencies if low < f < high), high])
    count = _FINER * (len(coarse) - 1) + 1
    at = np.interp(np.arange(count) / _FINER, np.arange(len(coarse)), coarse)
    grid = np.exp(at)
    return _Integral(
        _cubics(np.log(frequencies), at),
        grid,
        a_weighting_db(grid) * (math.log(10.0) / 10.0) if weighting == "A" else None,
        np.diff(at),
    )


def _cubics(
    known: NDArray[np.float64], wanted: NDArray[np.float64]
) -> NDArray[np.float64]:
    """From values at known places (n,) to those at wanted ones (k,): (k, n).

    Each by the polynomial through the four nearest about it (Lagrange), or through all of fewer.
    """
    order = min(4, len(known))
    left = np.clip(np.searchsorted(known, wanted) - order // 2, 0, len(known) - order)
    nodes = left[:, None] + np.arange(order)
    found = np.zeros((len(wanted), len(known)))
    for i in range(order):
        others = [j for j in range(order) if j != i]
        apart = known[nodes[:, [i]]] - known[nodes[:, others]]
        share = ((wanted[:, None] - known[nodes[:, others]]) / apart).prod(axis=1)
        found[np.arange(len(wanted)), nodes[:, i]] = share
    return found


def _band(reading: Reading) -> tuple[float, float]:
    return AUDIO if reading.band == (0.0, 0.0) else reading.band


def _signal(stage: Stage, reading: Reading, amplification: float) -> float:
    """V RMS at the output of the stated level; the stage's usual drive where none is stated."""
    how, value = reading.level or (stage.signal[0] if stage.signal else ("output level", 1.0))
    if how == "power":
        return math.sqrt(value * (reading.load or stage.load))
    return value if how == "output level" else value * amplification
