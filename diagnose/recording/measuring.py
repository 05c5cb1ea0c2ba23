"""From a recording to readings in the words of the bench sheet.

::

    from diagnose.recording.measuring import Options, measure

    made = measure("hall-right.wav", Options(full_scale=2.0))
    made.item("thd").value, made.readings()
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from circuits.curves import AUDIO
from circuits.errors import InputError, Place
from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.signals.recording import (
    CHANNELS,
    LEAST_SAMPLE,
    LEAST_SECONDS,
    Recording,
    about,
    at_full_scale,
    cut,
    load_recording,
    steady,
)
from circuits.signals.spectrum import (
    LOBE,
    Floats,
    fit,
    near,
    quick_length,
    refine,
    taper,
    wander,
    window,
    without,
)
from diagnose.recording import figures as takes
from diagnose.recording import pictures
from diagnose.recording.aligning import aligned, between_pilots
from diagnose.recording.along import along
from diagnose.recording.figures import Channel, decibels, nominal
from diagnose.recording.mains_lines import Hum, hum_items, mains_lines, other_mains, pattern
from diagnose.recording.measurement import Item, Measurement
from diagnose.recording.options import Options
from diagnose.recording.picture import Picture
from diagnose.recording.recognise import Signal, is_mains, recognise
from diagnose.sheet.entry import Measured

__all__ = ["Options", "measure", "measured"]

DRIVEN_APART_DB = 20.0
"""Channels whose tones lie so far apart are taken for one driven and one listened to."""
_WANDERED = 0.1
"""Steps 1/T that a tone may wander; beyond, its harmonics would be read too low."""
_PAUSE = 1e-4
"""Of the mean power of a recording: a stretch with less than that, 40 dB down, lacks the tone."""
_BAND_SHARE = 0.45
"""Of the rate: above, a recorder's own filter takes part."""


@dataclass
class _Taken:
    """What has been read so far."""

    items: list[Item] = field(default_factory=list)
    hum: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)

    def note(self, text: str, channel: str = "") -> None:
        if text and channel:
            text = f"{channel}: {text}"
        if text and text not in self.notes:
            self.notes.append(text)


def measure(path: Path | str, options: Options | None = None) -> Measurement:
    """The readings of one file.

    Parameters
    ----------
    path : Path or str
        WAV or FLAC.

    Returns
    -------
    Measurement

    Raises
    ------
    InputError
        For a file that cannot be used, or a signal that cannot be told.
    """
    recording = load_recording(path)
    try:
        return measured(recording, options or Options())
    except InputError as error:
        raise error.at(Place(str(path))) from None


def measured(recording: Recording, options: Options) -> Measurement:
    """The readings of a recording; as `measure`.

    Raises
    ------
    InputError
        For a channel that it has not, or a signal that cannot be told.
    """
    taken = _Taken()
    chosen = _chosen(recording, options.channel)
    _note_recording(recording, chosen, options, taken)
    alignment, said = aligned(recording)
    taken.note(said)
    run = along(recording, chosen, alignment, options, taken.notes)
    if run is not None:
        return run
    if alignment is not None:
        recording, _ = between_pilots(recording, alignment)
    whole = recording
    recording = _quick(steady(recording))
    loudest = max(chosen, key=lambda k: float(np.square(recording.samples[k]).sum()))
    channels = _channels(recording, chosen, options)
    if loudest not in channels:
        raise InputError(
            "this channel holds nothing but zeros or a direct voltage",
            expected="the other channel, or a recording with more of its signal",
        )
    signal = recognise(channels[loudest].tapered, options.mains, options.signal)
    if signal.kind == "silence":
        # noise is never of steady level; all of it counts
        kept = _quick(whole)
        of_all = _channels(kept, chosen, options)
        if loudest in of_all:
            recording, channels = kept, of_all
    elif signal.kind == "sine":
        cut_to = _steady_tone(recording, loudest, signal.tones[0], taken)
        if cut_to is not recording:
            recording = cut_to
            channels = _channels(recording, chosen, options)
    if recording.length < 0.95 * whole.length:
        taken.note(
            f"{recording.start:.3g} to {recording.start + recording.length:.3g} s of the "
            "recording are used, where its level and frequency are steady"
        )
    _TAKE[signal.kind](channels, loudest, signal, options, taken)
    return Measurement(
        about(recording), signal.kind, options.full_scale,
        tuple(taken.items), tuple(taken.hum), tuple(taken.notes), alignment=alignment,
        pictures=tuple(taken.pictures),
    )


def _chosen(recording: Recording, word: str) -> list[int]:
    count = len(recording.samples)
    if not word:
        return list(range(count))
    if count == 1:
        raise InputError("this recording has one channel", expected="no --channel")
    return [CHANNELS.index(word)]


def _quick(recording: Recording) -> Recording:
    return cut(recording, 0, quick_length(recording.samples.shape[1]))


def _channels(recording: Recording, chosen: list[int], options: Options) -> dict[int, Channel]:
    """The chosen channels under the window, without those that have no a.c. there."""
    shape = window(recording.samples.shape[1])
    band = (AUDIO[0], min(AUDIO[1], _BAND_SHARE * recording.rate))
    names = recording.channels if len(chosen) > 1 else ("",) * len(recording.samples)
    channels = {}
    for k in chosen:
        tapered = taper(recording.samples[k], recording.rate, shape)
        if float(tapered.power.sum()) > LEAST_SAMPLE**2:
            channels[k] = Channel(names[k], recording.samples[k], tapered, options.full_scale, band)
    return channels


def _note_recording(
    recording: Recording, chosen: list[int], options: Options, taken: _Taken
) -> None:
    clipped = at_full_scale(recording)
    for k in chosen:
        name = f"the {recording.channels[k]} channel" if recording.channels[k] else "the recording"
        if not recording.samples[k].any():
            taken.note(f"{name} holds nothing but zeros and is left out")
        if clipped[k]:
            taken.note(
                f"{name} reaches digital full scale in {clipped[k]} places: the recorder clips, "
                "and the distortion is not the unit's; record it lower"
            )
    if options.full_scale is None:
        taken.note(
            "levels are in dB of full scale, not in volts: for volts give --full-scale, the RMS "
            "volts of a sine that just reaches digital full scale. To find it, read a tone with a "
            "meter: where the meter reads V and this shows L dBFS, it is V · 10^(−L/20)"
        )
    if recording.seconds > recording.length + 0.1:
        taken.note(f"only the first {recording.length:.3g} s of {recording.seconds:.3g} s are used")
    if _BAND_SHARE * recording.rate < AUDIO[1]:
        taken.note(
            f"a sampling rate of {render(recording.rate, 'Hz')} does not reach 20 kHz: noise "
            f"counts up to {render(_BAND_SHARE * recording.rate, 'Hz')}"
        )


def _steady_tone(recording: Recording, loudest: int, tone: float, taken: _Taken) -> Recording:
    """The recording, cut to where a wandering tone keeps its frequency."""
    wave, rate = recording.samples[loudest], recording.rate
    moved = wander(wave, rate, refine(wave, rate, tone))
    steps = moved * recording.length
    if steps <= _WANDERED:
        return recording
    length = max(recording.length * math.sqrt(_WANDERED / steps), LEAST_SECONDS)
    count = quick_length(min(round(length * rate), len(wave)))
    if moved * count / rate > 2.0 * _WANDERED:
        taken.note(
            f"the tone wanders by {render(moved, 'Hz')}: harmonics read too low, and the noise "
            "beside the tone too high"
        )
    first = (len(wave) - count) // 2
    inside = taper(wave[first : first + count], rate).power.sum()
    if inside < _PAUSE * float(np.square(wave - wave.mean()).mean()):
        return recording  # of a tone that comes and goes, the middle may be a pause
    return cut(recording, first, first + count)


def _sine(
    channels: dict[int, Channel], loudest: int, signal: Signal, options: Options, taken: _Taken
) -> None:
    loud = channels[loudest]
    tone = _exact(loud, signal.tones[0])
    if is_mains(tone, options.mains) and not options.signal:
        taken.note(
            f"{render(nominal(tone), 'Hz')} is a multiple of the mains: where no signal was fed "
            "in, add --signal silence"
        )
    lines = takes.harmonic_lines(tone, loud.tapered.rate)
    if len(lines) < waveform.HIGHEST:
        taken.note(
            f"at this sampling rate a tone of {render(nominal(tone), 'Hz')} has harmonics up to "
            f"{len(lines)} only" if len(lines) > 1 else
            f"at this sampling rate a tone of {render(nominal(tone), 'Hz')} has no harmonics"
        )
    spectra = {k: fit(channel.tapered, lines) for k, channel in channels.items()}
    sizes = {k: float(abs(spectrum.amplitudes[0])) for k, spectrum in spectra.items()}
    if not all(size > 0.0 for size in sizes.values()):
        raise InputError(f"a tone of {render(tone, 'Hz')} is not there long enough to be read",
                         expected="a tone that lasts for most of the recording")
    driven = _driven(sizes, options, taken)
    for k, channel in channels.items():
        rest = without(channel.tapered, lines)
        hum = mains_lines(channel.tapered, options.mains, lines)
        taken.pictures.append(
            pictures.of_sine(channel, spectra[k], rest, hum.rms, options.mains))
        if k not in driven:
            taken.items += _crosstalk(channel, tone, sizes[k], max(sizes.values()), rest)
            continue
        taken.items += takes.sine(channel, tone, spectra[k], rest)
        taken.items += hum_items(channel, hum, options.mains, sizes[k] / math.sqrt(2.0))
        _name_hum(channel, hum, lines, options, taken)
    if len(channels) == 2 and len(driven) == 2:
        left, right = (spectra[k].amplitudes[0] for k in (0, 1))
        taken.items.append(Item("balance, right over left", decibels(abs(right / left)), "dB"))
        angle = math.degrees(float(np.angle(right / left)))
        taken.items.append(Item("phase, right against left", angle, "deg"))


def _exact(channel: Channel, tone: float) -> float:
    """A frequency that was read from the spectrum of a longer stretch, exactly."""
    peak = near(channel.tapered, tone, 2.0 * channel.tapered.step)
    exact = refine(channel.wave, channel.tapered.rate, peak)
    least = (LOBE + 1) * channel.tapered.step
    if not least < exact < 0.49 * channel.tapered.rate:
        raise InputError(
            f"a tone of {render(tone, 'Hz')} cannot be read from this recording",
            expected=f"{render(least, 'Hz')} to {render(0.49 * channel.tapered.rate, 'Hz')}",
        )
    return exact


def _driven(sizes: dict[int, float], options: Options, taken: _Taken) -> set[int]:
    """The channels that carry the signal; the other one is listened to."""
    if len(sizes) < 2 or options.driven == "both":
        return set(sizes)
    if options.driven:
        return {CHANNELS.index(options.driven)}
    loud, other = sorted(sizes, key=lambda k: -sizes[k])
    if decibels(sizes[loud] / max(sizes[other], 1e-15)) < DRIVEN_APART_DB:
        return set(sizes)
    taken.note(
        f"only the {CHANNELS[loud]} channel is taken as driven; if both were, add --driven both"
    )
    return {loud}


def _crosstalk(
    channel: Channel, tone: float, size: float, driven: float, rest: Floats
) -> list[Item]:
    least = takes.within_noise(rest, channel.tapered, tone)
    bound = "<" if size < least else ""
    reading = Reading("crosstalk", frequency=nominal(tone))
    value = decibels(max(size, least) / driven)
    return [Item("crosstalk", value, "dB", channel.name, bound,
                 Measured(reading, value, bound=bound))]


def _name_hum(
    channel: Channel, hum: Hum, signal: list[float], options: Options, taken: _Taken
) -> None:
    text = pattern(hum.rms, options.mains)
    if text:
        taken.hum.append((channel.name, text))
    if not signal or not any(seen for _, seen in hum.rms.values()):
        taken.note(other_mains(channel.tapered, options.mains, signal), channel.name)


def _silence(
    channels: dict[int, Channel], loudest: int, signal: Signal, options: Options, taken: _Taken
) -> None:
    for channel in channels.values():
        hum = mains_lines(channel.tapered, options.mains, [])
        taken.items += takes.silence(channel, hum.rest)
        taken.items += hum_items(channel, hum, options.mains)
        taken.pictures.append(
            pictures.spectrum_of(channel, pictures.mains_of(hum.rms, options.mains)))
        _name_hum(channel, hum, [], options, taken)
    taken.note(
        "a true ITU-R 468 reading is quasi-peak; the RMS value through the same curve is there to "
        "compare. The recorder's own noise is in all of these: record once with its input shorted "
        "to see it"
    )


def _pair(
    channels: dict[int, Channel], loudest: int, signal: Signal, options: Options, taken: _Taken
) -> None:
    low, high = (_exact(channels[loudest], tone) for tone in signal.tones)
    for channel in channels.values():
        taken.items += takes.pair(channel, (low, high), signal.kind)
        found, rest = takes.products(channel.tapered, round(low, 6), round(high, 6))
        taken.pictures.append(
            pictures.of_pair(channel, found, rest, round(low, 6), round(high, 6)))
    third = 2.0 * high - low if signal.kind == "difference tone" else high + 2.0 * low
    if third > 0.49 * channels[loudest].tapered.rate:
        taken.note(f"{render(third, 'Hz')} lies beyond this recording: the third order reads low")


def _many(
    channels: dict[int, Channel], loudest: int, signal: Signal, options: Options, taken: _Taken
) -> None:
    for channel in channels.values():
        sizes = np.abs(fit(channel.tapered, signal.tones).amplitudes)
        taken.items += takes.tones(channel, signal.tones, [float(a) for a in sizes])
        taken.pictures.append(pictures.of_tones(channel, signal.tones, sizes.tolist()))


def _square(
    channels: dict[int, Channel], loudest: int, signal: Signal, options: Options, taken: _Taken
) -> None:
    shift: int | None = None
    for channel in channels.values():
        try:
            items, note = takes.square(channel, signal.tones[0])
        except ValueError as error:
            raise InputError(f"this is no square wave that can be read: {error}",
                             expected="twenty periods of a steady square wave") from None
        taken.items += items
        drawn, shift = pictures.of_wave(channel, signal.tones[0], shift)
        taken.pictures.append(drawn)
        taken.note(note, channel.name)
    taken.note("a recorder coupled by capacitors tilts a square wave as well")


_TAKE = {
    "sine": _sine,
    "difference tone": _pair,
    "modulation": _pair,
    "tones": _many,
    "square": _square,
    "silence": _silence,
}
