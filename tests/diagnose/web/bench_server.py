"""A server of the page in this process, with a sound card that is not there.

The card is a unit of closed form between its output and its input; while a step waits, somebody's
generator plays a tone into the unit, so that there is something to see.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from waitress import wasyncore
from waitress.server import create_server

from diagnose.soundcard import portaudio
from diagnose.soundcard.portaudio import Device
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from diagnose.web.shelf import Shelf
from tests.diagnose.soundcard.fake_card import FakeCard, Floats

SECRET = "walk-of-the-bench"


@dataclass
class Bench:
    """The server."""

    address: str
    shelf: Shelf

    @property
    def cookie(self) -> dict[str, Any]:
        """What a browser has that has been there."""
        return {"name": f"bench-{self.address.rpartition(':')[2]}", "value": SECRET,
                "url": self.address, "httpOnly": True, "sameSite": "Strict"}


@dataclass
class Played(FakeCard):
    """A card into whose unit a generator plays 1 kHz of so many V while nothing is taken."""

    tone: float = 0.0

    @contextmanager
    def listening(self) -> Iterator[Callable[[float], Floats]]:
        def latest(seconds: float) -> Floats:
            time = np.arange(round(seconds * self.rate)) / self.rate
            volts = self.tone * np.sqrt(2.0) * np.sin(2.0 * np.pi * 1e3 * time)
            wave = self.unit.out(volts, self.rate) / (self.records * np.sqrt(2.0))
            return np.clip(np.stack([wave, np.zeros_like(wave)]), -1.0, 1.0)

        yield latest


@contextmanager
def bench_server(
    folder: Path, monkeypatch: pytest.MonkeyPatch, card: FakeCard | None
) -> Iterator[Bench]:
    """The server; without a card the extra is not installed."""
    if card is not None:
        one = Device(0, card.name, 2, 2, card.rate)

        def opened(player: str, recorder: str, rate: float) -> FakeCard:
            card.ended = threading.Event()  # each run has a card of its own
            return card

        monkeypatch.setattr(portaudio, "card", opened)
        monkeypatch.setattr(portaudio, "devices", lambda: (one,))
        monkeypatch.setattr(portaudio, "look_again", lambda: None)
    app = make_app(folder, workers=0, cached=False, secret=SECRET)
    server = create_server(app, host="127.0.0.1", port=0, threads=8)

    def run() -> None:
        with suppress(OSError):  # closed under it
            server.run()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield Bench(f"http://127.0.0.1:{server.effective_port}", app.extensions[KEY].shelf)
    finally:
        app.extensions[KEY].close()
        server.task_dispatcher.shutdown()
        server.close()
        thread.join(10.0)
        # and what a browser still held open, which would be found by whichever test runs later
        wasyncore.close_all(server._map)
