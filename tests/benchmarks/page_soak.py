"""An hour of a shop on the page: 2,000 requests an hour, as benches make them, at a real server.

    python tests/benchmarks/page_soak.py [--minutes 60] [--rate 2000] [--seed 1] [-o FILE]

Requests come at random moments (exponential intervals, seeded) whether the last one was answered
or not, and a delay counts from the moment when a request was due. Sheets are opened, typed on,
looked at, ranked, studied, reported, copied and deleted; one in twelve requests is wrong and must
be refused with its status. Memory is the proportional share (PSS) of the server and of all
processes below it, read twice a minute: of the server alone, whose flatness is the goal (5 % from
the second sixth of the time to the last, when all of its parts have been used), and of all.
"""

from __future__ import annotations

import argparse
import http.client
import io
import json
import os
import random
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import uuid
import wave
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "tests" / "data"
OPEN = 10
"""Sheets that a shop has open at a time; the oldest of more is deleted."""
SAMPLE_S = 30.0
PATIENCE_S = 120.0
ASKERS = 8
"""Requests under way at a time: less than what one client may hold."""
SHARES = {
    "revision": 30, "sheet": 6, "data": 10, "save": 14, "list": 6, "style": 4, "drawing": 4,
    "rank": 2, "progress": 6, "answer": 3, "curves": 3, "report": 1, "study": 3, "open": 2,
    "blank": 1, "copy": 1, "stage": 2, "healthy": 0.3, "paper": 0.5, "recording": 0.5,
    "no sheet": 2, "no body": 2, "stale save": 2, "stranger": 1, "no stage": 1,
}
"""How often what is asked. Pages ask for the revision by themselves, so it is most of it."""


@dataclass
class Told:
    """An answer of the server."""

    status: int
    body: bytes
    cookie: str = ""


@dataclass
class Server:
    """A server, by its address and process."""

    port: int
    key: str
    process: int

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "",
            key: bool = True) -> Told:
        """One request, on a connection of its own."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        headers = {"Cookie": f"bench-{self.port}={self.key}"} if key else {}
        if kind:
            headers["Content-Type"] = kind
        try:
            connection.request(method, path, body or None, headers)
            answer = connection.getresponse()
            return Told(answer.status, answer.read())
        finally:
            connection.close()

    def send(self, path: str, data: object, method: str = "POST") -> Told:
        """A request with JSON."""
        return self.ask(method, path, json.dumps(data).encode(), "application/json")

    def form(self, path: str, fields: dict[str, str], files: list[tuple[str, str, bytes]]) -> Told:
        """A request as a form sends it."""
        mark = uuid.uuid4().hex
        parts = [f'--{mark}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n'
                 .encode() for name, text in fields.items()]
        parts += [(f'--{mark}\r\nContent-Disposition: form-data; name="{name}"; '
                   f'filename="{file}"\r\n\r\n').encode() + body + b"\r\n"
                  for name, file, body in files]
        return self.ask("POST", path, b"".join(parts) + f"--{mark}--\r\n".encode(),
                        f"multipart/form-data; boundary={mark}")


@contextmanager
def served() -> Iterator[Server]:
    """A server with folders of its own."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "AMP_DIAGNOSE_SHEETS": f"{folder}/sheets",
                       "AMP_DIAGNOSE_CACHE": f"{folder}/cache", "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser"]
        with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, cwd=folder,
                              text=True) as server:
            assert server.stderr is not None
            found = re.search(r"http://127\.0\.0\.1:(\d+)/\?key=(\w+)", server.stderr.readline())
            assert found
            drain = threading.Thread(target=server.stderr.read, daemon=True)
            drain.start()
            try:
                yield Server(int(found[1]), found[2], server.pid)
            finally:
                server.terminate()


@dataclass
class Shop:
    """What is open at the benches, and how each kind of request is made.

    Attributes
    ----------
    sheets : list
        Names of those that are open.
    locks : dict
        One typist a sheet: two would be told of each other, which is another test.
    """

    server: Server
    chance: random.Random
    sheets: list[str] = field(default_factory=list)
    locks: dict[str, threading.Lock] = field(default_factory=dict)
    ranked: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self) -> None:
        """Open the first sheets."""
        for _ in range(OPEN):
            self.opened()

    def some(self) -> str:
        with self.lock:
            return self.chance.choice(self.sheets)

    def number(self) -> float:
        with self.lock:
            return self.chance.random()

    def kept(self, name: str) -> None:
        """One more sheet is open, and the oldest is put away."""
        with self.lock:
            self.sheets.append(name)
            self.locks[name] = threading.Lock()
            old = self.sheets.pop(0) if len(self.sheets) > OPEN else ""
        if old:
            with self.locks.pop(old):
                assert self.server.send(f"/sheet/{old}/delete", {}).status == 200
            with self.lock:
                self.ranked = [one for one in self.ranked if one != old]

    def opened(self) -> Told:
        files = [("files", name, (DATA / name).read_bytes())
                 for name in ("coupling-dry.yaml", "coupling.yaml")]
        told = self.server.form("/sheets/open", {}, files)
        self.kept(json.loads(told.body)["sheet"])
        return told

    def blank(self) -> Told:
        told = self.server.form("/sheets", {"stage": "phono-opamp", "case": "a blank one"}, [])
        self.kept(json.loads(told.body)["sheet"])
        return told

    def copied(self) -> Told:
        told = self.server.ask("POST", f"/sheet/{self.some()}/copy")
        if told.status == 200:
            self.kept(json.loads(told.body)["sheet"])
        return told

    def saved(self, stale: bool = False) -> Told:
        """Type another value, from the revision that is kept, or from an older one."""
        with self.lock:  # what was ranked is being looked at
            others = [one for one in self.sheets if one not in self.ranked]
            name = self.chance.choice(others or self.sheets)
        lock = self.locks.get(name)
        if lock is None:
            return Told(404, b"")
        with lock:
            told = self.server.ask("GET", f"/sheet/{name}/data")
            if told.status != 200:
                return told
            data = json.loads(told.body)
            values = data["sheet"]["readings"][0]["values"]
            if values:
                values[0] = f"{-6.0 * self.number():.2f} dB"
            sent = {"sheet": data["sheet"], "revision": data["revision"] - stale}
            return self.server.send(f"/sheet/{name}/data", sent, "PUT")

    def ranking(self) -> Told:
        name = self.some()
        told = self.server.ask("POST", f"/sheet/{name}/rank")
        with self.lock:
            self.ranked.append(name)
            del self.ranked[:-4]
        return told

    def of_ranked(self, tail: str) -> Told:
        """Something of a sheet that was ranked; it may have been typed on since."""
        with self.lock:
            name = self.chance.choice(self.ranked) if self.ranked else self.sheets[0]
        return self.server.ask("GET", f"/sheet/{name}/{tail}")

    def studied(self) -> Told:
        sent = {"part": "C1", "mode": "capacitance loss", "place": self.number(), "width": 600.0,
                "number": 1}
        return self.server.send(f"/sheet/{self.some()}/study", sent)

    def recorded(self) -> Told:
        return self.server.form(f"/sheet/{self.some()}/recording",
                                {"signal": "", "full_scale": "1 V", "driven": ""},
                                [("file", "tone.wav", tone())])


def tone() -> bytes:
    """A second of a square wave of 500 Hz at 48 kHz, 16 bit."""
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(48000)
        one = b"\x00\x20" * 48 + b"\x00\xe0" * 48
        out.writeframes(one * 500)
    return file.getvalue()


def asked(shop: Shop, kind: str) -> tuple[Told, tuple[int, ...]]:
    """Make one request of a kind; its answer and the statuses that are right."""
    server, get = shop.server, lambda path: shop.server.ask("GET", path)
    gone = (200, 404)  # a sheet may have been put away meanwhile
    answered = (200, 404, 422)  # and an answer may be of an older revision, or not there yet
    ways: dict[str, tuple[Callable[[], Told], tuple[int, ...]]] = {
        "revision": (lambda: get(f"/sheet/{shop.some()}/revision"), gone),
        "sheet": (lambda: get(f"/sheet/{shop.some()}"), gone),
        "data": (lambda: get(f"/sheet/{shop.some()}/data"), gone),
        "save": (shop.saved, gone),
        "list": (lambda: get("/"), (200,)),
        "style": (lambda: get("/drawn.css"), (200,)),
        "drawing": (lambda: get(f"/sheet/{shop.some()}/drawing"), gone),
        "rank": (shop.ranking, answered),
        "progress": (lambda: shop.of_ranked("rank"), answered),
        "answer": (lambda: shop.of_ranked("answer"), answered),
        "curves": (lambda: shop.of_ranked("curves?suspect=0"), answered),
        "report": (lambda: shop.of_ranked("report.html"), answered),
        "study": (shop.studied, answered),
        "open": (shop.opened, (200,)),
        "blank": (shop.blank, (200,)),
        "copy": (shop.copied, gone),
        "stage": (lambda: get("/stages/phono-opamp"), (200,)),
        "healthy": (lambda: get("/stages/phono-opamp/healthy"), (200,)),
        "paper": (lambda: get(f"/sheet/{shop.some()}/paper"), gone),
        "recording": (shop.recorded, answered),
        "no sheet": (lambda: get("/sheet/nothing-of-it/data"), (404,)),
        "no body": (lambda: server.ask("PUT", f"/sheet/{shop.some()}/data", b"{",
                                       "application/json"), (400, 422)),
        "stale save": (lambda: shop.saved(stale=True), (404, 409)),
        "stranger": (lambda: server.ask("GET", "/", key=False), (403,)),
        "no stage": (lambda: server.form("/sheets", {"stage": "\x00../x"}, []), (404, 422)),
    }
    way, right = ways[kind]
    return way(), right


def memory(process: int) -> tuple[float, float, int]:
    """MB of a process, MB of it and all below it, and how many those are."""
    below: dict[int, list[int]] = {}
    for path in Path("/proc").iterdir():
        if path.name.isdecimal():
            try:
                words = (path / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            below.setdefault(int(words[1]), []).append(int(path.name))
    family, last = [process], [process]
    while last:
        last = [child for one in last for child in below.get(one, [])]
        family += last
    shares = []
    for one in family:
        try:
            text = Path(f"/proc/{one}/smaps_rollup").read_text()
        except OSError:
            continue
        found = re.search(r"^Pss:\s+(\d+)", text, re.MULTILINE)
        shares.append(int(found[1]) / 1024.0 if found else 0.0)
    return shares[0], sum(shares), len(shares)


def run(minutes: float, rate: float, seed: int, note: Path | None) -> str:
    """The table."""
    delays: dict[str, list[float]] = {kind: [] for kind in SHARES}
    wrong: list[str] = []
    statuses: Counter[int] = Counter()
    samples: list[tuple[float, float, float, int]] = []
    with served() as server, ThreadPoolExecutor(ASKERS) as askers:
        shop = Shop(server, random.Random(seed))
        shop.begin()
        began, end = time.monotonic(), time.monotonic() + 60.0 * minutes

        def one(kind: str, due: float) -> None:
            try:
                told, right = asked(shop, kind)
            except Exception as error:  # noqa: BLE001 - whatever went wrong is the finding
                wrong.append(f"{kind}: {type(error).__name__} {error}")
                return
            delays[kind].append(time.monotonic() - due)
            statuses[told.status] += 1
            if told.status not in right:
                wrong.append(f"{kind}: {told.status} {told.body[:300]!r}")

        moments = random.Random(seed + 1)
        due, looked = began, 0.0
        while due < end:
            time.sleep(max(0.0, due - time.monotonic()))
            askers.submit(one, moments.choices([*SHARES], [*SHARES.values()])[0], due)
            if time.monotonic() > looked + SAMPLE_S:
                looked = time.monotonic()
                samples.append((looked - began, *memory(server.process)))
                if note is not None:
                    with note.open("a") as file:
                        file.write(json.dumps([*samples[-1], len(wrong), wrong[-1:]]) + "\n")
            due += moments.expovariate(rate / 3600.0)
        askers.shutdown(wait=True)
    return table(minutes, rate, delays, statuses, samples, wrong)


def table(minutes: float, rate: float, delays: dict[str, list[float]], statuses: Counter[int],
          samples: list[tuple[float, float, float, int]], wrong: list[str]) -> str:
    """What came of it, as Markdown."""
    every = sorted(one for row in delays.values() for one in row)
    sixth = max(1, len(samples) // 6)
    early, late = samples[sixth:2 * sixth] or samples, samples[-sixth:]
    lines = [
        "# An hour of a shop on the page", "",
        "`tests/benchmarks/page_soak.py`; the machine had other work to do at the same time.", "",
        f"{len(every)} requests in {minutes:g} minutes ({rate:g} an hour were meant), "
        f"{len(wrong)} wrong answers.",
        f"Delays of all: half within {1e3 * statistics.median(every):.0f} ms, 95 % within "
        f"{1e3 * every[int(0.95 * len(every))]:.0f} ms, all within {every[-1]:.1f} s.", "",
        "Statuses: " + ", ".join(f"{code} {count}" for code, count in sorted(statuses.items()))
        + ".", "", "| memory, MB (PSS) | second sixth | last sixth | change |", "|---|---|---|---|",
    ]
    for k, name in ((1, "the server"), (2, "with all processes below")):
        one, other = (statistics.fmean(row[k] for row in rows) for rows in (early, late))
        lines.append(f"| {name} | {one:.1f} | {other:.1f} | {100 * (other / one - 1):+.1f} % |")
    lines += ["", "| asked | times | half within, ms | 95 % within, ms |", "|---|---|---|---|"]
    for kind, row in delays.items():
        if row:
            row = sorted(row)
            lines.append(f"| {kind} | {len(row)} | {1e3 * statistics.median(row):.0f} | "
                         f"{1e3 * row[int(0.95 * len(row))]:.0f} |")
    if wrong:
        lines += ["", "Wrong answers:", "", *(f"- {text}" for text in wrong[:40])]
    return "\n".join(lines) + "\n"


def main() -> None:
    words = argparse.ArgumentParser(description="an hour of a shop on the page")
    words.add_argument("--minutes", type=float, default=60.0)
    words.add_argument("--rate", type=float, default=2000.0, help="requests an hour")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--note", type=Path, help="a file for memory as it comes")
    words.add_argument("-o", "--output", type=Path)
    values = words.parse_args()
    text = run(values.minutes, values.rate, values.seed, values.note)
    print(text)
    if values.output is not None:
        values.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
