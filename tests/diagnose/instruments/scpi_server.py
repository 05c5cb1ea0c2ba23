"""A multimeter that is not there: it speaks SCPI on a socket of this machine.

Its words are those of SCPI-99 (from memory). It can be silent, noisy, another instrument, or lose
its cable after some values.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Answers = Callable[[str], bytes | None]
"""A command or question → what is sent; None for nothing. `ConnectionError` pulls the cable."""
NAME = b"Invented,Bench meter 6,0001,1.0\n"


class Voltages:
    """What a probe meets, value by value; the last one stays.

    Parameters
    ----------
    volts, ohms : sequences of float
        One a reading.
    pulled : int
        After so many the cable is pulled; 0 for never.
    """

    def __init__(self, volts: list[float], ohms: list[float] | None = None, pulled: int = 0,
                 ranges: bool = True) -> None:
        self.function = "VOLT:DC"
        self.left = {"VOLT:DC": list(volts), "RES": list(ohms or [9.9e37])}
        self.pulled = pulled
        self.ranges = ranges
        self.asked: list[str] = []
        self.read = 0

    def __call__(self, words: str) -> bytes | None:
        self.asked.append(words)
        if words == "*IDN?":
            return NAME
        if words.startswith("CONF:"):
            self.function = words.removeprefix("CONF:")
            return None
        if words == "SYST:ERR?":
            return b'+0,"No error"\n'
        if words.endswith(":RANG? MAX"):
            if not self.ranges:
                return None
            return b"+1.00000000E+03\n" if words.startswith("VOLT") else b"+1.00000000E+08\n"
        assert words == "READ?"
        self.read += 1
        if self.pulled and self.read > self.pulled:
            raise ConnectionError
        left = self.left[self.function]
        value = left.pop(0) if len(left) > 1 else left[0]
        return f"{value:+.8E}\n".encode()


@contextmanager
def serving(answers: Answers) -> Iterator[str]:
    """The address of an instrument that answers so."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)
        held: list[socket.socket] = []
        thread = threading.Thread(target=_serve, args=(server, answers, held), daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.getsockname()[1]}"
        for one in held:
            one.close()
    thread.join(5.0)


def _serve(server: socket.socket, answers: Answers, held: list[socket.socket]) -> None:
    try:
        line, _ = server.accept()
    except OSError:
        return
    held.append(line)
    rest = b""
    try:
        while chunk := line.recv(1024):
            *words, rest = (rest + chunk).split(b"\n")
            for word in words:
                sent = answers(word.decode("ascii", "replace").strip())
                if sent is not None:
                    line.sendall(sent)
    except OSError:
        pass  # the other side has gone, or the cable was pulled
    finally:
        line.close()
