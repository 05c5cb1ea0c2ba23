"""The sound card of this machine, by PortAudio.

Playing and recording are two streams, each with all channels of its device open: one stream for
both directions gives garbage now and then without a word, and a driver that is asked for fewer
channels than it has mixes them, which changes their level. The recording starts first and ends
last; where the signal lies in it is told by its pilots.
"""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.errors import InputError
from diagnose.soundcard.card import Ended, Floats, Recorded

_LATENCY = 0.2
"""s of buffers: nothing here answers to anything, and a long buffer is not lost."""
_MOST_MIXED = 2
"""Channels opened of a device that is no card but a way to a sound server, which says it has 32
and more and would mix them."""
_START = 5.0
"""s that a stream may take before its first block."""
_FULL = float(2**31)
"""Full scale of the samples of 32 bit that the driver takes and gives."""
_LOST = ("input_overflow", "output_underflow", "output_overflow", "input_underflow")
"""What a stream says of buffers that were lost."""
HOW = ("pip install sounddevice, which the extra bench brings (pip install -e '.[bench]'); on "
       "Debian its library as well, apt install libportaudio2")
"""How to get what plays and records."""


@dataclass(frozen=True)
class Device:
    """A device that PortAudio knows.

    Attributes
    ----------
    index : int
        By which it is opened.
    inputs, outputs : int
        Channels that are opened; 0 where it does not record, or play.
    """

    index: int
    name: str
    inputs: int
    outputs: int
    rate: float


def library() -> ModuleType:
    """The binding of PortAudio.

    Raises
    ------
    InputError
        Where it is not installed, with how to do that.
    """
    try:
        import sounddevice
    except ImportError:
        raise InputError("to play and record, the package sounddevice is needed",
                         expected=HOW) from None
    except OSError as error:
        raise InputError(f"the library that plays and records does not load: {error}",
                         expected=HOW) from None
    module: ModuleType = sounddevice
    return module


def look_again() -> None:
    """Have the library look for devices anew; by itself it does so once a process.

    Not while a card is open: that would be closed by it.

    Raises
    ------
    InputError
        As `library`.
    """
    sound = library()
    sound._terminate()
    sound._initialize()


def devices() -> tuple[Device, ...]:
    """The devices of this machine.

    Raises
    ------
    InputError
        As `library`.
    """
    sound = library()
    drivers = [driver["name"] for driver in sound.query_hostapis()]
    return tuple(
        Device(k, str(one["name"]), *_opened(one, drivers[one["hostapi"]]),
               float(one["default_samplerate"]))
        for k, one in enumerate(sound.query_devices())
    )


def _opened(one: dict[str, Any], driver: str) -> tuple[int, int]:
    counts = int(one["max_input_channels"]), int(one["max_output_channels"])
    if driver == "ALSA" and "(hw:" not in str(one["name"]):
        return min(counts[0], _MOST_MIXED), min(counts[1], _MOST_MIXED)
    return counts


def chosen(word: str, recording: bool, among: Sequence[Device]) -> Device:
    """The device that a word names: its number, or a part of its name; empty is the system's own.

    Parameters
    ----------
    recording : bool
        Whether it is to record; else it is to play.

    Raises
    ------
    InputError
        Where none or several are of that name, or there is none at all.
    """
    able = [one for one in among if (one.inputs if recording else one.outputs)]
    what = "records" if recording else "plays"
    if not able:
        raise InputError(f"this machine has no device that {what}",
                         expected="a sound card, plugged in and not held by another program")
    if not word:
        default = library().default.device[0 if recording else 1]
        return next((one for one in able if one.index == default), able[0])
    exact = [one for one in able if word in (one.name, str(one.index))]
    found = exact or [one for one in able if word.lower() in one.name.lower()]
    if len(found) != 1:
        how = "no device" if not found else f"{len(found)} devices"
        names = "; ".join(f"{one.index} {one.name}" for one in found or able)
        raise InputError(f"{how} that {what} {'has' if not found else 'have'} {word!r} in the name",
                         expected=f"a number or a part of: {names}")
    return found[0]


def card(player: str = "", recorder: str = "", rate: float = 48e3) -> PortAudioCard:
    """The card of this machine.

    Parameters
    ----------
    player, recorder : str
        As `chosen`; the recorder is by default what the player is.
    rate : float
        Samples a second.

    Raises
    ------
    InputError
        As `library` and `chosen`, or for a rate that a device does not have.
    """
    known = devices()
    out = chosen(player, False, known)
    into = chosen(recorder, True, known)
    if not recorder and player and out.inputs:
        into = out
    sound = library()
    for one, check, count in ((out, sound.check_output_settings, out.outputs),
                              (into, sound.check_input_settings, into.inputs)):
        try:
            check(device=one.index, channels=count, dtype="int32", samplerate=rate)
        except sound.PortAudioError as error:
            raise InputError(f"{one.name} does not open at {rate:g} samples a second: "
                             f"{_plain(error)}", expected="another --rate, such as 44100, or "
                             "another --device") from None
    return PortAudioCard(sound, out, into, rate)


def _plain(error: Exception) -> str:
    return re.sub(r"\s*\[PaErrorCode.*", "", str(error)).rstrip(".")


class PortAudioCard:
    """Two devices, or one, by PortAudio; a `diagnose.soundcard.card.Card`."""

    bits = 32
    slow = 0

    def __init__(self, sound: ModuleType, out: Device, into: Device, rate: float) -> None:
        self._sound, self._out, self._in, self.rate = sound, out, into, rate
        self.name = out.name if out.name == into.name else f"{out.name} → {into.name}"
        self.one_clock = out.index == into.index
        self.ended = threading.Event()

    def play(self, samples: Floats, tail: float) -> Recorded:
        """As `Card.play`.

        Raises
        ------
        InputError
            For a device that went away, or one that gives nothing.
        Ended
        """
        played, done, place = self._driver(samples), threading.Event(), 0

        def out(data: Any, frames: int, moment: Any, status: Any) -> None:
            nonlocal place
            lost.update(_said(status))
            part = played[place : place + frames]
            data[: len(part)] = part
            data[len(part) :] = 0
            place += frames
            if place >= len(played) + tail * self.rate:
                done.set()

        lost: set[str] = set()
        with self._recording() as (taken, heard):
            _wait(heard, _START, self._in.name)
            stream = self._opened(self._sound.OutputStream, self._out, self._out.outputs, out)
            try:
                self._start(stream, self._out)
                _wait(done, _START + len(played) / self.rate + 2.0 * tail, self._out.name,
                      self.ended)
                time.sleep(_LATENCY)
            finally:
                stream.abort()  # a stream that is stopped plays its buffers of silence first
                stream.close()
        lost |= taken.lost
        return Recorded(taken.samples(), tuple(sorted(lost)))

    @contextmanager
    def listening(self) -> Iterator[Callable[[float], Floats]]:
        """As `Card.listening`."""
        with self._recording() as (taken, heard):
            _wait(heard, _START, self._in.name)
            yield taken.latest

    @contextmanager
    def sounding(self, wave: Floats) -> Iterator[None]:
        """As `Card.sounding`."""
        played, place = self._driver(wave), 0

        def out(data: Any, frames: int, moment: Any, status: Any) -> None:
            nonlocal place
            data[:] = played[(place + np.arange(frames)) % len(played)]
            place += frames

        stream = self._opened(self._sound.OutputStream, self._out, self._out.outputs, out)
        try:
            self._start(stream, self._out)
            yield
        finally:
            stream.abort()
            stream.close()

    def _start(self, stream: Any, device: Device) -> None:
        try:
            stream.start()
        except self._sound.PortAudioError as error:
            raise InputError(f"{device.name} does not start: {_plain(error)}",
                             expected="a device that no other program holds") from None

    def _driver(self, samples: Floats) -> NDArray[np.int32]:
        """A wave for the left output, or for left and right, as the driver takes it, (n, c)."""
        sides = np.atleast_2d(samples).T
        if sides.shape[1] > self._out.outputs:
            raise InputError(f"{self._out.name} has no right output",
                             expected="a card of two outputs, or the channels one by one")
        played = np.zeros((len(sides), self._out.outputs), dtype=np.int32)
        played[:, : sides.shape[1]] = np.clip(np.rint(sides * _FULL), -_FULL, _FULL - 1.0)
        return played

    def _recording(self) -> _Recording:
        return _Recording(self)

    def _opened(self, kind: Any, device: Device, channels: int, callback: Any) -> Any:
        try:
            return kind(device=device.index, channels=channels, dtype="int32",
                        samplerate=self.rate, latency=_LATENCY, callback=callback)
        except self._sound.PortAudioError as error:
            raise InputError(f"{device.name} does not open: {_plain(error)}",
                             expected="a device that no other program holds") from None


class _Recording:
    """A recording while the block runs."""

    def __init__(self, of: PortAudioCard) -> None:
        self._of, self._blocks, self.lost = of, list[Any](), set[str]()
        self._heard = threading.Event()
        self._stream: Any = None

    def __enter__(self) -> tuple[_Recording, threading.Event]:
        of = self._of

        def into(data: Any, frames: int, moment: Any, status: Any) -> None:
            # what a stream says of its first block is of the time before it
            if self._blocks:
                self.lost.update(_said(status))
            self._blocks.append(data.copy())
            self._heard.set()

        self._stream = of._opened(of._sound.InputStream, of._in, of._in.inputs, into)
        try:
            of._start(self._stream, of._in)
        except InputError:
            self._stream.close()
            raise
        return self, self._heard

    def __exit__(self, *error: object) -> None:
        self._stream.close()

    def samples(self) -> Floats:
        """(c, n), fractions of full scale."""
        return self._whole(self._blocks)

    def latest(self, seconds: float) -> Floats:
        """The same of the last s; what came before is forgotten."""
        size = len(self._blocks[-1]) if self._blocks else 1
        count = max(math.ceil(seconds * self._of.rate / size), 1)
        del self._blocks[:-count]
        return self._whole(self._blocks[-count:])

    def _whole(self, blocks: Sequence[Any]) -> Floats:
        whole = np.concatenate(list(blocks) or [np.zeros((0, self._of._in.inputs))])
        made: Floats = np.ascontiguousarray(whole.T) / _FULL
        return made


def _said(status: Any) -> set[str]:
    return {word.replace("_", " ") for word in _LOST if getattr(status, word, False)}


def _wait(
    event: threading.Event, seconds: float, name: str, ended: threading.Event | None = None
) -> None:
    """Wait in slices, so that Ctrl-C is heard on every system, and who ends it as well."""
    for _ in range(math.ceil(seconds / 0.1)):
        if event.wait(0.1):
            return
        if ended is not None and ended.is_set():
            raise Ended
    raise InputError(f"{name} gives and takes no samples",
                     expected="a device that is plugged in and that no other program holds")
