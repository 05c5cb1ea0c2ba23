"""Harmed files, forms and requests to the page: asked in this process, or over a connection."""

from __future__ import annotations

import io
import json
import socket
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.hostile.accidents import JUNK, NUMBERS, befallen
from tests.hostile.formats import FORMATS
from tests.hostile.judge import ANSWER, MESSAGE, Defect

ASKING = (
    "revision",
    "data",
    "",
    "suspects",
    "answer",
    "curves",
    "rank",
    "study",
    "drawing",
    "report.html",
    "case.yaml",
    "healthy",
    "paper",
    "photo/x.png",
    "beside/x",
)
"""What of a sheet can be asked for."""


@dataclass(frozen=True)
class Answered:
    """A status, and the body as text."""

    status: int
    body: str


Ask = Callable[[str, str, bytes, str], Answered]
"""Method, path, body and its type → the answer."""


def in_process(client: Any) -> Ask:
    """Asks an application in this process."""

    def ask(method: str, path: str, body: bytes, kind: str) -> Answered:
        answer = client.open(path, method=method, data=body or None, content_type=kind or None)
        return Answered(answer.status_code, answer.get_data().decode("utf-8", "replace"))

    return ask


def served(port: int, key: str, patience: float = 30.0) -> Ask:
    """Asks a server over a connection, in words that no library would send."""

    def ask(method: str, path: str, body: bytes, kind: str) -> Answered:
        head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n"
        head += f"Cookie: bench-{port}={key}\r\nContent-Length: {len(body)}\r\n"
        head += f"Content-Type: {kind}\r\n" if kind else ""
        with socket.create_connection(("127.0.0.1", port), timeout=patience) as line:
            line.sendall(head.encode("utf-8", "surrogateescape") + b"\r\n" + body)
            told = b""
            while more := line.recv(1 << 16):
                told += more
        first, _, rest = told.partition(b"\r\n")
        words = first.split()
        if len(words) < 2 or not words[1].isdigit():
            raise Defect(f"{method} {path!r}: no answer, but {told[:200]!r}")
        return Answered(int(words[1]), rest.partition(b"\r\n\r\n")[2].decode("utf-8", "replace"))

    return ask


def form(files: list[tuple[str, str, bytes]], fields: dict[str, str]) -> tuple[bytes, str]:
    """A form as browsers send it, and its type."""
    mark = "hostile-mark"
    out = io.BytesIO()
    for name, text in fields.items():
        out.write(
            f'--{mark}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n'.encode(
                "utf-8", "surrogateescape"
            )
        )
    for name, file, body in files:
        out.write(
            (
                f'--{mark}\r\nContent-Disposition: form-data; name="{name}"; '
                f'filename="{file}"\r\n\r\n'
            ).encode("utf-8", "surrogateescape")
        )
        out.write(body + b"\r\n")
    out.write(f"--{mark}--\r\n".encode())
    return out.getvalue(), f"multipart/form-data; boundary={mark}"


def odd_value(chance: Random) -> Any:
    """In the place of something in JSON."""
    junk = chance.choice((*JUNK, *NUMBERS)).decode("utf-8", "replace")
    return chance.choice(
        (
            None,
            True,
            0,
            -1,
            1e308,
            10**40,
            [],
            {},
            [[]],
            {"": None},
            junk,
            junk,
            "x",
            ["a"] * 50,
            {"a": {"b": {"c": []}}},
        )
    )


def harmed(chance: Random, data: Any) -> Any:
    """JSON with one thing in it another."""
    if isinstance(data, dict) and data and chance.random() < 0.9:
        key = chance.choice(sorted(data))
        if chance.random() < 0.1:
            return {k: v for k, v in data.items() if k != key}
        return data | {key: harmed(chance, data[key])}
    if isinstance(data, list) and data and chance.random() < 0.85:
        k = chance.randrange(len(data))
        if chance.random() < 0.1:
            return data[:k] + data[k + 1 :]
        return [*data[:k], harmed(chance, data[k]), *data[k + 1 :]]
    return odd_value(chance)


class Visitor:
    """One who has a sheet and a stage on the page, and asks for impossible things.

    Parameters
    ----------
    ask : callable
    """

    def __init__(self, ask: Ask) -> None:
        self.ask = ask
        self._begin()

    def _begin(self) -> None:
        """Open a sheet and a stage of one's own."""
        ask = self.ask
        stage, sheet = (
            FORMATS["sheet"].beside["coupling.yaml"],
            FORMATS["sheet"].originals["coupling-dry.yaml"],
        )
        body, kind = form(
            [("files", "coupling-dry.yaml", sheet), ("files", "coupling.yaml", stage)], {}
        )
        self.sheet = json.loads(ask("POST", "/sheets/open", body, kind).body)["sheet"]
        body, kind = form([("files", "coupling.yaml", stage)], {})
        self.stage = json.loads(ask("POST", "/sheets/open", body, kind).body)["stage"]

    def wish(self, chance: Random) -> tuple[str, Callable[[], str]]:
        """What is wished for by its name, and what asks for it: `ANSWER` or `MESSAGE`.

        Asking raises `Defect` for a fault of the program, or a mistake that is not told.
        """
        way = chance.choice(
            (
                self.opened,
                self.opened,
                self.saved,
                self.saved,
                self.stage_saved,
                self.form_of_sheet,
                self.filled,
                self.asked,
                self.bare,
                self.studied,
            )
        )
        return way.__name__.replace("_", " "), lambda: self._asked_for(*way(chance))

    def _asked_for(self, method: str, path: str, body: bytes, kind: str) -> str:
        what = f"{method} {path!r} {body[:400]!r}"
        try:
            answer = self.ask(method, path, body, kind)
        except (OSError, ValueError) as error:  # a connection that is closed without a word
            raise Defect(f"{what}: {type(error).__name__} {error}") from None
        found = judged(answer, what)
        for own in (f"/sheet/{self.sheet}/data", f"/stage/{self.stage}/data"):
            after = self.ask("GET", own, b"", "")
            if after.status != 200:
                self._begin()
                raise Defect(f"{what}: after it {own} is {after.status}: {after.body[:500]}")
        return found

    def opened(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A harmed file is opened, with what lies beside it."""
        kind = chance.choice(("sheet", "table", "stage", "netlist", "sheet"))
        made = FORMATS[kind]
        original = chance.choice(sorted(made.originals))
        files = [("files", made.name or original, made.befall(chance, made.originals[original]))]
        files += [("files", name, body) for name, body in made.beside.items() if "/" not in name]
        return "POST", "/sheets/open", *form(files, {})

    def saved(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A harmed sheet is saved."""
        told = json.loads(self.ask("GET", f"/sheet/{self.sheet}/data", b"", "").body)
        sent = {"sheet": told["sheet"], "revision": told["revision"]}
        if chance.random() < 0.2:
            sent = harmed(chance, sent)
        elif sent["sheet"]:
            for _ in range(chance.randint(1, 3)):
                sent["sheet"] = harmed(chance, sent["sheet"])
        body = json.dumps(sent).encode()
        body = befallen(chance, body) if chance.random() < 0.2 else body
        return "PUT", f"/sheet/{self.sheet}/data", body, "application/json"

    def stage_saved(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A harmed stage is saved, as a table or as a text."""
        told = json.loads(self.ask("GET", f"/stage/{self.stage}/data", b"", "").body)
        sent = {
            "sheet": told.get("sheet"),
            "revision": told.get("revision"),
            "base": told.get("base"),
        }
        if chance.random() < 0.2:
            sent = harmed(chance, sent)
        else:
            for _ in range(chance.randint(1, 3)):
                sent["sheet"] = harmed(chance, sent["sheet"])
        return "PUT", f"/stage/{self.stage}/data", json.dumps(sent).encode(), "application/json"

    def form_of_sheet(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A harmed file is put beside a sheet."""
        kind, way = chance.choice(
            (
                ("sweep", "sweep"),
                ("table", "table"),
                ("table", "table/look"),
                ("recording", "recording"),
                ("drawing", "photo"),
                ("stage", "beside"),
                ("sweep", "table/look"),
            )
        )
        made = FORMATS[kind]
        original = chance.choice(sorted(made.originals))
        name = (
            original
            if chance.random() < 0.7
            else chance.choice(
                (
                    "../x.csv",
                    "x" * 300 + ".csv",
                    "a\tb.wav",
                    ".csv",
                    "sheet.yaml",
                    "x.png",
                    "\u202ex.csv",
                )
            )
        )
        body = made.befall(chance, made.originals[original])
        asked = json.dumps(harmed(chance, {"sheet": {}, "own": "", "over": False}))
        sent = form(
            [("file", name, body), ("files", name, body)],
            {"asked": asked} if "table" in way else {"signal": "", "full_scale": "2 V"},
        )
        return "POST", f"/sheet/{self.sheet}/{way}", *sent

    def filled(self, chance: Random) -> tuple[str, str, bytes, str]:
        """Harmed data to the ways that take JSON."""
        way = chance.choice(("fill", "title", "reading", "record", "rank", "copy"))
        data: Any = {
            "sheet": {"readings": []},
            "own": "",
            "over": True,
            "title": "x",
            "value": "1 V",
            "revision": 1,
            "next": 0,
            "record": {"serial": "1"},
        }
        method = "PUT" if way == "record" else "POST"
        return (
            method,
            f"/sheet/{self.sheet}/{way}",
            json.dumps(harmed(chance, data)).encode(),
            "application/json",
        )

    def studied(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A study of what is not there."""
        data = {
            "part": "C1",
            "mode": "capacitance loss",
            "place": 0.5,
            "width": 500.0,
            "view": "",
            "number": 1,
        }
        return (
            "POST",
            f"/sheet/{self.sheet}/study",
            json.dumps(harmed(chance, data)).encode(),
            "application/json",
        )

    def asked(self, chance: Random) -> tuple[str, str, bytes, str]:
        """Something of a sheet, with words behind the question mark that mean nothing."""
        junk = chance.choice(JUNK + NUMBERS)
        words = "&".join(
            f"{chance.choice(('suspect', 'width', 'view', 'panel', 'key'))}={quoted(junk)}"
            for _ in range(chance.randrange(3))
        )
        return "GET", f"/sheet/{self.sheet}/{chance.choice(ASKING)}?{words}", b"", ""

    def bare(self, chance: Random) -> tuple[str, str, bytes, str]:
        """A path and a method that nobody would ask for."""
        junk = quoted(chance.choice(JUNK)[:200])
        path = chance.choice(
            (
                f"/sheet/{junk}/data",
                f"/stages/{junk}",
                f"/stage/{junk}",
                f"/static/{junk}",
                f"/static/../{junk}",
                f"/{junk}",
                "/sheet//data",
                f"/sheet/{self.sheet}/photo/{junk}",
                "/" + "a/" * 500,
            )
        )
        method = chance.choice(("GET", "HEAD", "PUT", "DELETE", "POST", "OPTIONS", "PATCH"))
        return method, path, b"" if chance.random() < 0.5 else chance.randbytes(50), ""


def quoted(junk: bytes) -> str:
    """Bytes as they may stand in an address."""
    return "".join(chr(one) if chr(one).isalnum() else f"%{one:02X}" for one in junk)


def judged(answer: Answered, what: str) -> str:
    """How an answer is to be taken.

    Raises
    ------
    Defect
        For a fault of the program (500), or a refusal without a word.
    """
    if answer.status < 400:
        return ANSWER
    if answer.status >= 500:
        raise Defect(f"{what}: {answer.status} {answer.body[-1500:]}")
    if "Traceback" in answer.body:
        raise Defect(f"{what}: {answer.status} {answer.body[-1500:]}")
    return MESSAGE
