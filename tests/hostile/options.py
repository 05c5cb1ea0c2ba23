"""Commands whose options are harmed: of signals, sound cards, clusters and their certificates.

No address leads off this machine, and no file is written but in the folder of the input.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random

from tests.hostile.accidents import JUNK, NUMBERS, befallen
from tests.hostile.formats import DATA

_KINDS = (
    "sine", "difference-tone", "modulation", "tones", "square", "sweep", "silence", "bursts",
    "steps",
)
_NAMES = (
    "out.wav", "out.wav", "out.wav", "out.wav", "out.flac", "out.flac", "a b.wav", "out.mp3", "out",
    ".wav", "no/out.wav", "coupling.yaml",
)
_ADDRESSES = (
    "local:0", "local:-1", "local:1e3", "local:99999", "local:", "local", "tcp://127.0.0.1:1",
    "127.0.0.1:1", "tcp://[::1]:1", "http://127.0.0.1:1", "tls://127.0.0.1:1", "tcp://127.0.0.1",
    "tcp://127.0.0.1:99999", "tcp://127.0.0.1:0", "tcp://:1", ":",
)
_LOOPBACK = "tls://127.0.0.1:1"
"""Where nobody listens (port 1, tcpmux): certificates are read before that is found out."""


def _junk(chance: Random) -> str:
    """A word that no shell would keep anybody from typing."""
    some = chance.choice((*JUNK, *NUMBERS)).replace(b"\x00", b"")
    return some.decode("utf-8", "surrogateescape")[:2000]


def _value(chance: Random, *right: str) -> str:
    """Mostly the first, which is right, else another, or junk in its place or behind it."""
    draw = chance.random()
    if draw < 0.75:
        return right[0]
    word = chance.choice(right)
    return word if draw < 0.85 else _junk(chance) if draw < 0.95 else word + _junk(chance)


def _signal(chance: Random, folder: Path) -> list[str]:
    kind, name = chance.choice(_KINDS), chance.choice(_NAMES)
    words = ["signal", _value(chance, kind), "-o", str(folder / name)]
    for option, right in (
        ("--level", ("-20 dBFS", "500 mV", "0 dBFS", "-200 dBFS")),
        ("--full-scale", ("2 V", "0 V", "-1 V")),
        ("--seconds", ("0.5 s", "2", "-1", "0")),
        ("--rate", ("48 kHz", "8 kHz", "96000", "1 Hz", "7999")),
        ("--bits", ("16", "24", "32", "float", "8")),
        ("--channels", ("mono", "left", "right", "both", "three")),
    ):
        if chance.random() < 0.4:
            words += [f"{option}={_value(chance, *right)}"]
    if chance.random() < 0.2:
        words += ["--frequency", *(_value(chance, "1 kHz", "20", "0 Hz", "1 MHz")
                                   for _ in range(chance.randint(1, 3)))]
    if chance.random() < 0.2:
        words += ["--band", _value(chance, "20 Hz", "1 kHz"), _value(chance, "20 kHz", "10 Hz")]
    return words + [w for w in ("--phono", "--steady", "--no-pilots", "--json")
                    if chance.random() < 0.2]


def _take(chance: Random, folder: Path) -> list[str]:
    words = ["take", str(folder / "coupling-dry.yaml")][: chance.choice((1, 2, 2))]
    words += [w for w in ("--list", "--devices", "--calibrate", "--next", "--yes", "--json")
              if chance.random() < 0.3]
    for option, right in (
        ("--open-volts", ("0.63 V", "0", "-1 V")), ("--loop-volts", ("0.62 V", "9 V")),
        ("--input-ohms", ("10 kohm", "1 Mohm", "0")), ("--device", ("none of it", "99", "-1")),
        ("--input", ("none of it", "3")), ("--rate", ("48000", "0", "nan", "1e9")),
    ):
        if chance.random() < 0.4:
            words += [f"{option}={_value(chance, *right)}"]
    return [*words, "--time-limit", "0.02"]


def _cluster(chance: Random, folder: Path) -> list[str]:
    words = ["rank", str(folder / "coupling-dry.yaml"), "--no-cache"]
    if chance.random() < 0.5:
        return [*words, f"--cluster={chance.choice(_ADDRESSES)}"]
    if chance.random() < 0.3:  # with no port behind, so that it is no host either
        return [*words, f"--cluster={_junk(chance).rstrip('0123456789')}"]
    names = sorted(certificates())
    for name, body in certificates().items():
        harmed = befallen(chance, body) if chance.random() < 0.6 else body
        (folder / name).write_bytes(harmed)
    three = [str(folder / name) for name in names]
    if chance.random() < 0.3:
        chance.shuffle(three)
    if chance.random() < 0.1:
        three[chance.randrange(3)] = str(folder / chance.choice(("nothing.pem", ".")))
    return [*words, "--cluster", _LOOPBACK, "--cluster-tls", *three]


@cache
def certificates() -> dict[str, bytes]:
    """An authority, a certificate and its key (PEM), made by openssl."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file in ("authority", "own"):
            subprocess.run(
                ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt",
                 "ec_paramgen_curve:prime256v1", "-nodes", "-days", "9", "-subj", f"/CN={file}",
                 "-keyout", folder / f"{file}.key", "-out", folder / f"{file}.pem"],
                check=True, capture_output=True,
            )
        return {name: (folder / name).read_bytes()
                for name in ("authority.pem", "own.key", "own.pem")}


WAYS: tuple[Callable[[Random, Path], list[str]], ...] = (_signal, _signal, _take, _cluster)


def words_of(chance: Random, folder: Path) -> list[str]:
    """The words of one command, in a folder with a sheet and its stage."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name in ("coupling-dry.yaml", "coupling.yaml"):
        (folder / name).write_bytes((DATA / name).read_bytes())
    return chance.choice(WAYS)(chance, folder)
