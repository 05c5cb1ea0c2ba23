"""How each figure is taken from one channel of a recording, one function a kind of signal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.curves import AUDIO
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.signals.period import EDGE_SAMPLES, one_period, steps
from circuits.signals.spectrum import BANDWIDTH, Floats, Tapered, fit, noise_rms, without
from circuits.signals.weighting import SETTLED, quasi_peak, weighted_468
from diagnose.recording.measurement import Item
from diagnose.sheet.entry import Measured

_CLEAR = 4.0
"""Power of a line over that of the noise under it, below which it is only a bound: 6 dB."""
_EDGE_CLEAR = 2.0
"""An edge less slow than so many times the recorder's own is only a bound."""
_RINGING_CLEAR = 3.0
"""An edge must be so many times slower than the recorder's own for an overshoot to be the
unit's."""
_ROOT = math.sqrt(2.0)
"""Peak over RMS of a sine."""


@dataclass(frozen=True, eq=False)
class Channel:
    """One channel under the window, and what is known of the recording.

    Attributes
    ----------
    name : str
        Empty where there is only one.
    wave : (n,) array
        As fractions of full scale.
    full_scale : float or None
        V RMS of a full-scale sine.
    band : tuple of float
        Hz, in which noise counts.
    """

    name: str
    wave: Floats
    tapered: Tapered
    full_scale: float | None
    band: tuple[float, float]

    @property
    def stated_band(self) -> tuple[float, float]:
        """The band as a reading states it: (0, 0) for the usual one."""
        return (0.0, 0.0) if self.band == AUDIO else self.band

    def volts(self, rms: float) -> float | None:
        """V RMS of an RMS value in fractions of full scale; None where that is not known."""
        return None if self.full_scale is None else rms * _ROOT * self.full_scale

    def level(self, rms: float) -> tuple[str, float] | None:
        """The level as a condition of a reading."""
        volts = self.volts(rms)
        return None if volts is None else ("output level", float(f"{volts:.4g}"))

    def item(self, name: str, value: float, unit: str, bound: str = "",
             reading: Reading | None = None) -> Item:
        """An item of this channel, whose reading has the same value."""
        measured = None if reading is None else Measured(reading, value, bound=bound)
        return Item(name, value, unit, self.name, bound, measured)

    def levels(self, rms: float, name: str = "level") -> list[Item]:
        """A level in dB of full scale (of a sine), and in volts where they are known."""
        items = [self.item(name, decibels(rms * _ROOT), "dBFS")]
        volts = self.volts(rms)
        return items if volts is None else [self.item(name, volts, "V"), *items]


def decibels(ratio: float) -> float:
    """20·log10, with a floor far below any recorder's."""
    return 20.0 * math.log10(max(ratio, 1e-15))


def nominal(frequency: float) -> float:
    """What the generator was set to: three digits where they are within 0.1 %, else four."""
    short = float(f"{frequency:.3g}")
    if abs(short - frequency) <= 1e-3 * frequency:
        return short
    return float(f"{frequency:.4g}")


def within_noise(rest: Floats, tapered: Tapered, frequency: float) -> float:
    """The least peak amplitude that a fit tells from the noise beside it.

    Parameters
    ----------
    rest : (n,) array
        Power without lines.
    frequency : float
        Hz.
    """
    noise = float(rest[min(tapered.place(frequency), len(rest) - 1)])
    return math.sqrt(2.0 * BANDWIDTH * noise * _CLEAR)


def harmonic_lines(tone: float, rate: float) -> list[float]:
    """A tone and its harmonics as far as the recording holds them, Hz."""
    count = min(waveform.HARMONICS, math.ceil(0.5 * rate / tone - 0.02) - 1)
    return [tone * k for k in range(1, count + 1)]


def sine(channel: Channel, tone: float, found: waveform.Spectrum, rest: Floats) -> list[Item]:
    """Level, distortion and ratio of signal to noise of a sine.

    Parameters
    ----------
    tone : float
        Hz, exactly.
    found : circuits.signals.waveform.Spectrum
        Of its `harmonic_lines`.
    rest : (n,) array
        The power without them.
    """
    sizes = np.abs(found.amplitudes)
    rms = float(sizes[0]) / _ROOT
    at, level, step = nominal(tone), channel.level(rms), channel.tapered.step
    items = channel.levels(rms)
    items.append(channel.item("frequency", tone, "Hz"))
    least = [within_noise(rest, channel.tapered, f) for f in found.frequencies]
    counted = range(2, min(len(sizes), waveform.HIGHEST) + 1)
    if counted:
        reading = Reading("thd", frequency=at, level=level)
        low = math.hypot(*(least[k - 1] for k in counted)) / float(sizes[0])
        ratio = waveform.thd(found)
        items.append(channel.item("thd", max(ratio, low), "%", "<" if ratio < low else "", reading))
    for k in counted:
        reading = Reading("harmonic", order=k, frequency=at, level=level)
        low = least[k - 1] / float(sizes[0])
        ratio = waveform.harmonic(found, k)
        value = decibels(max(ratio, low))
        items.append(
            channel.item(f"harmonic {k}", value, "dB", "<" if ratio < low else "", reading)
        )
    inside = found.frequencies <= channel.band[1]
    noise = noise_rms(rest, step, channel.band)
    everything = waveform.Spectrum(
        found.frequencies[inside], found.amplitudes[inside], 0.0, noise
    )
    stated = channel.stated_band
    if inside[0]:
        reading = Reading("thd+n", frequency=at, level=level, band=stated)
        items.append(
            channel.item("thd+n", waveform.thd_and_noise(everything), "%", reading=reading)
        )
    for word, weighting in (("snr", ""), ("snr, A-weighted", "A")):
        value = decibels(rms / max(noise_rms(rest, step, channel.band, weighting), 1e-15))
        items.append(channel.item(word, value, "dB"))
    value = decibels(rms / max(noise_rms(rest, step, channel.band, "ITU-R 468"), 1e-15))
    items.append(channel.item("snr, ITU-R 468 weighted, RMS", value, "dB"))
    return items


def silence(channel: Channel, without_hum: Floats) -> list[Item]:
    """Noise, plain and weighted, with hum and without.

    Parameters
    ----------
    without_hum : (n,) array
        The power without the mains lines.
    """
    power, step = without(channel.tapered, []), channel.tapered.step
    items: list[Item] = []
    for name, weighting in (("noise and hum", ""), ("noise and hum, A-weighted", "A")):
        items += _noise(channel, name, noise_rms(power, step, channel.band, weighting))
    rms = noise_rms(power, step, channel.band, "ITU-R 468")
    items += _noise(channel, "noise and hum, ITU-R 468 weighted, RMS", rms)
    peak = quasi_peak(*weighted_468(channel.wave, channel.tapered.rate))
    settled = math.ceil(SETTLED * len(peak) * channel.tapered.rate / len(channel.wave))
    if settled < len(peak):
        shown = float(np.median(peak[settled:]))
        items += _noise(channel, "noise and hum, ITU-R 468 quasi-peak", shown)
    # a sheet's noise is without hum, whose lines are readings of their own
    for weighting in ("", "A"):
        name = "noise without hum lines" + (", A-weighted" if weighting else "")
        reading = Reading("noise", band=channel.stated_band, weighting=weighting)
        rms = noise_rms(without_hum, step, channel.band, weighting)
        items += _noise(channel, name, rms, reading)
    return items


def _noise(channel: Channel, name: str, rms: float, reading: Reading | None = None) -> list[Item]:
    """In volts, with the reading, where they are known; else in dB of full scale."""
    volts = channel.volts(rms)
    if volts is None:
        return [channel.item(name, decibels(rms * _ROOT), "dBFS")]
    return [channel.item(name, volts, "V", reading=reading)]


def pair(channel: Channel, tones: Sequence[float], kind: str) -> list[Item]:
    """Intermodulation of two tones by the definitions of IEC 60268-3 (from memory).

    Parameters
    ----------
    tones : sequence of float
        Hz, exactly, the lower one first.
    kind : str
        ``difference tone`` or ``modulation``.
    """
    # a sum of two rounded frequencies is found again among the products
    low, high = (round(tone, 6) for tone in tones)
    orders, rest = products(channel.tapered, low, high)
    first, second = orders.at(low), orders.at(high)
    rms = math.hypot(first, second) / _ROOT
    ratio = first / second
    near = kind == "difference tone"
    read = waveform.difference_tone if near else waveform.modulation
    imd = read(orders, low, high)
    size = 2.0 * second if near else second
    places = {
        1: (high - low,) if near else (high - low, high + low),
        2: (2.0 * low - high, 2.0 * high - low) if near else (high - 2.0 * low, high + 2.0 * low),
    }
    least = [sum(within_noise(rest, channel.tapered, f) for f in places[k]) / size for k in (1, 2)]
    items = channel.levels(rms)
    items.append(channel.item("ratio of the tones", ratio, ""))
    for name, value, bound in zip(("second order", "third order"), (imd.second, imd.third), least,
                                  strict=True):
        items.append(
            channel.item(f"{kind}, {name}", max(value, bound), "%", "<" if value < bound else "")
        )
    usual = 1.0 if near else 4.0
    reading = Reading(
        "imd", tones=(nominal(low), nominal(high)), level=channel.level(rms),
        ratio=0.0 if abs(ratio / usual - 1.0) < 0.05 else float(f"{ratio:.3g}"),
    )
    bound = math.hypot(*least)
    below = imd.total < bound
    items.append(channel.item("imd", max(imd.total, bound), "%", "<" if below else "", reading))
    return items


def products(tapered: Tapered, low: float, high: float) -> tuple[waveform.Spectrum, Floats]:
    """The lines of two tones and their products, and the power without them.

    Of two that fall on the same place, the lower in frequency stands for both.
    """
    apart = 2.0 * tapered.step
    kept = [low, high]
    for frequency in waveform.products(low, high):
        clear = all(abs(frequency - other) > apart for other in kept)
        if clear and apart < frequency < 0.49 * tapered.rate:
            kept.append(frequency)
    return fit(tapered, kept), without(tapered, kept)


def tones(channel: Channel, frequencies: Sequence[float], lines: Sequence[float]) -> list[Item]:
    """Of many tones at a time: everything in the band that was not fed in.

    Parameters
    ----------
    frequencies : sequence of float
        Hz, of the tones.
    lines : sequence of float
        Their peak amplitudes.
    """
    rest = without(channel.tapered, frequencies)
    signal = math.sqrt(sum(a * a for a in lines) / 2.0)
    noise = noise_rms(rest, channel.tapered.step, channel.band)
    floor = decibels(noise / signal)
    items = channel.levels(signal)
    items.append(channel.item("tones", float(len(frequencies)), ""))
    reading = Reading("many-tone floor", band=channel.stated_band, level=channel.level(signal))
    items.append(channel.item("distortion and noise under the tones", floor, "dB", reading=reading))
    items.append(channel.item("the same as bits", (-floor - 1.76) / 6.02, "bit"))
    return items


def square(channel: Channel, frequency: float) -> tuple[list[Item], str]:
    """Rise time, overshoot and tilt, and what to mind.

    Parameters
    ----------
    frequency : float
        Hz, nearly.

    Raises
    ------
    ValueError
        For a wave without clear edges.
    """
    rate = channel.tapered.rate
    time, values = one_period(channel.wave, rate, frequency)
    seen = steps(time, values)
    rms = float(np.sqrt(np.square(values).mean()))
    level = channel.level(rms)
    told = channel.levels(rms)
    told.append(channel.item("frequency", 1.0 / (time[1] * len(time)), "Hz"))
    own = EDGE_SAMPLES / rate
    bound = "<" if seen.rise < _EDGE_CLEAR * own else ""
    told.append(channel.item("rise time", seen.rise, "s", bound, Reading("rise time", level=level)))
    note = ""
    if seen.rise >= _RINGING_CLEAR * own:
        told.append(channel.item("overshoot", seen.overshoot, "%",
                                 reading=Reading("overshoot", level=level)))
    else:
        note = (
            f"a recorder of this rate takes {own * 1e6:.3g} µs for an edge and rings by itself: "
            "overshoot is not read, and the rise time of a fast edge is an upper limit"
        )
    if seen.tilt is not None:
        reading = Reading("tilt", frequency=nominal(frequency), level=level)
        told.append(channel.item("tilt", seen.tilt, "%", reading=reading))
    return told, note
