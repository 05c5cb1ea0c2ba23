"""A sound server without a sound card, and a unit between its two null sinks.

PulseAudio runs headless, in a folder of its own, with no configuration of the machine's. PortAudio
reaches it by ALSA's plug-in for it, which Debian's pulseaudio brings along (libasound2-plugins).
``bench`` is the device that plays into one sink and records the other; ``loop`` records what was
played.

As a script it is the unit: it reads the monitor of the first sink and plays into the second one,
convolved block by block with the impulse response of a file, bent, with hum and noise.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import termios
import time
from array import array
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE = 48000
BLOCK = 1024
"""Frames that the unit takes at a time."""
FIRST = ("nice", "-n", "-15")
"""What runs before others on a machine that has much to do, where it may: else it only warns."""
STILL = 40
"""Silent blocks after which it is no pause within a take."""
ALSA = """\
</usr/share/alsa/alsa.conf>
pcm.bench {
  type asym
  playback.pcm { type pulse device "played" }
  capture.pcm { type pulse device "heard.monitor" }
}
pcm.loop {
  type asym
  playback.pcm { type pulse device "played" }
  capture.pcm { type pulse device "played.monitor" }
}
"""
DAEMON = """\
default-sample-format = s32le
default-sample-rate = 48000
avoid-resampling = yes
flat-volumes = no
high-priority = no
realtime-scheduling = no
exit-idle-time = -1
"""
SINKS = """\
load-module module-native-protocol-unix auth-anonymous=1 socket={socket}
load-module module-null-sink sink_name=played format=s32le rate=48000 channels=2
load-module module-null-sink sink_name=heard format=s32le rate=48000 channels=2
"""


def missing() -> str:
    """Why there is no sound server here; empty where there is one."""
    for word in ("pulseaudio", "pactl", "parec", "pacat"):
        if shutil.which(word) is None:
            return f"there is no {word} on this machine"
    folders = Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")
    return "" if any(folders) else "ALSA has no plug-in for PulseAudio here"


@contextmanager
def served(folder: Path) -> Iterator[dict[str, str]]:
    """The environment in which PortAudio finds ``bench`` and ``loop``, while the block runs."""
    (folder / "asound.conf").write_text(ALSA, encoding="utf-8")
    (folder / "daemon.conf").write_text(DAEMON, encoding="utf-8")
    socket = folder / "native"
    (folder / "bench.pa").write_text(SINKS.format(socket=socket), encoding="utf-8")
    own = {
        "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder), "PULSE_CONFIG_PATH": str(folder),
        "PULSE_SERVER": f"unix:{socket}", "ALSA_CONFIG_PATH": str(folder / "asound.conf"),
        "PULSE_COOKIE": str(folder / "cookie"),
    }
    environment = {**os.environ, **own}
    server = subprocess.Popen(
        [*FIRST, "pulseaudio", "-n", "-F", str(folder / "bench.pa"), "--daemonize=no",
         "--use-pid-file=no", "--exit-idle-time=-1"],
        env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(100):
            if socket.exists() and not subprocess.run(
                ["pactl", "info"], env=environment, capture_output=True, check=False
            ).returncode:
                break
            time.sleep(0.05)
        yield environment
    finally:
        server.terminate()
        server.wait(10)


@contextmanager
def unit_between(
    environment: dict[str, str], folder: Path, impulse: Floats, **further: object
) -> Iterator[None]:
    """A unit between the sinks, while the block runs.

    Parameters
    ----------
    impulse : (n,) array
        Its impulse response at `RATE`, fractions of full scale to fractions of full scale.
    further : object
        ``second``: ratio of the second harmonic of a full-scale sine at its output; ``hum``:
        mapping of Hz to peak; ``noise``: RMS.
    """
    np.save(folder / "impulse.npy", impulse)
    (folder / "unit.json").write_text(json.dumps(further), encoding="utf-8")
    unit = subprocess.Popen([*FIRST, sys.executable, __file__, str(folder)], env=environment,
                            stderr=subprocess.DEVNULL)
    try:
        for _ in range(100):
            if (folder / "ready").exists():
                break
            time.sleep(0.05)
        yield
    finally:
        unit.send_signal(signal.SIGTERM)
        unit.wait(10)


def minimum_phase(frequency: Floats, decibels: Floats, count: int = 1 << 15) -> Floats:
    """The impulse response of minimum phase of a magnitude, by its cepstrum (Oppenheim, Schafer).

    Parameters
    ----------
    frequency : (k,) array
        Hz, rising; between them dB run straight along the logarithm of frequency.
    decibels : (k,) array
    count : int
        Samples.
    """
    at = np.maximum(np.fft.rfftfreq(count, 1.0 / RATE), 1.0)
    level = np.interp(np.log(at), np.log(frequency), decibels) * np.log(10.0) / 20.0
    cepstrum = np.fft.irfft(level, count)
    cepstrum[1 : count // 2] *= 2.0
    cepstrum[count // 2 + 1 :] = 0.0
    return np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), count)


def _waiting(handle: int) -> int:
    """Bytes that wait in a pipe."""
    count = array("i", [0])
    fcntl.ioctl(handle, termios.FIONREAD, count)
    return count[0]


def _main(folder: Path) -> None:
    impulse = np.load(folder / "impulse.npy")
    further = json.loads((folder / "unit.json").read_text(encoding="utf-8"))
    size = 1 << (len(impulse) + BLOCK - 1).bit_length()
    response = np.fft.rfft(impulse, size)
    raw = ["--raw", "--format=s32le", f"--rate={RATE}", "--channels=2"]
    heard = subprocess.Popen(["parec", "-d", "played.monitor", "--latency-msec=20", *raw],
                             stdout=subprocess.PIPE)
    # what is late by less than this on a busy machine is not lost
    plays = subprocess.Popen(["pacat", "-p", "-d", "heard", "--latency-msec=500", *raw],
                             stdin=subprocess.PIPE)
    for word in (signal.SIGTERM, signal.SIGINT):
        signal.signal(word, lambda *_: (heard.kill(), plays.kill(), sys.exit(0)))
    assert heard.stdout is not None
    assert plays.stdin is not None
    rng = np.random.default_rng(7)
    tail = np.zeros(size)
    place = still = 0
    (folder / "ready").touch()
    while True:
        data = b""
        while len(data) < BLOCK * 8:
            more = os.read(heard.stdout.fileno(), BLOCK * 8 - len(data))
            if not more:
                return
            data += more
        wave = np.frombuffer(data, "<i4").reshape(-1, 2)[:, 0] / 2.0**31
        still = 0 if wave.any() else still + 1
        # a gap on the way out makes all later than it was: silence between takes is left out
        if still > STILL and _waiting(heard.stdout.fileno()) > 2 * BLOCK * 8:
            continue
        # what is left of earlier blocks goes on: overlap and add
        tail = np.concatenate([tail[BLOCK:], np.zeros(BLOCK)]) if place else tail
        tail += np.fft.irfft(np.fft.rfft(wave, size) * response, size)
        out = tail[:BLOCK].copy()
        out += 2.0 * float(further.get("second", 0.0)) * out**2
        moment = (place + np.arange(BLOCK)) / RATE
        for frequency, peak in further.get("hum", {}).items():
            out += peak * np.sin(2.0 * np.pi * float(frequency) * moment)
        out += rng.normal(0.0, float(further.get("noise", 0.0)), BLOCK)
        place += BLOCK
        both = np.repeat(np.clip(np.rint(out * 2.0**31), -(2.0**31), 2.0**31 - 1), 2)
        plays.stdin.write(both.astype("<i4").tobytes())
        plays.stdin.flush()


if __name__ == "__main__":
    _main(Path(sys.argv[1]))
