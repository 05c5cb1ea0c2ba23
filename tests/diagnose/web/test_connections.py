"""Connections that never finish a request, that are too many, that speak no TLS: on real sockets.

What a page needs beside them is asked by the http client of Python's own library.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from diagnose.web import connections, lan
from diagnose.web.connections import A_CLIENT, servers
from diagnose.web.guard import knows

SECRET = "abcdefghjkmnpqrstuvwxyz2"
HALF = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"
"""A head that the empty line is missing of."""
SECONDS = 20.0


def application(environ: dict[str, Any], start: Callable[..., Any]) -> list[bytes]:
    start("200 OK", [("Content-Type", "text/plain")])
    size = len(environ["wsgi.input"].read())
    return [f"{environ['wsgi.url_scheme']} {size}".encode()]


class Running:
    """A server in a thread."""

    def __init__(self, secure: ssl.SSLContext | None = None) -> None:
        bound = socket.socket()
        bound.bind(("127.0.0.1", 0))
        self.port = int(bound.getsockname()[1])
        self._server = servers(application, [(bound, secure)], partial(knows, SECRET), 1 << 26)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        with suppress(OSError):  # closed under it
            self._server.run()

    def connect(self, sent: bytes = b"") -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), timeout=SECONDS)
        made.sendall(sent)
        return made

    def ask(self, **how: Any) -> tuple[int, bytes]:
        page = http.client.HTTPConnection("127.0.0.1", self.port, timeout=SECONDS)
        page.request("GET", "/", headers=self.cookie, **how)
        answer = page.getresponse()
        told = answer.status, answer.read()
        page.close()
        return told

    @property
    def cookie(self) -> dict[str, str]:
        return {"Cookie": f"bench-{self.port}={SECRET}"}

    def answered(self) -> None:
        """Wait until nothing is being answered: a client has its answer a moment before."""
        until = time.monotonic() + SECONDS
        while any(getattr(one, "busy", False) for one in list(self._server.map.values())):
            assert time.monotonic() < until
            time.sleep(0.001)

    def close(self) -> None:
        self._server.close()
        self._thread.join(SECONDS)


@pytest.fixture(scope="module")
def running() -> Iterator[Running]:
    made = Running()
    yield made
    made.close()


@pytest.fixture
def fresh() -> Iterator[Running]:
    """One that nobody has asked yet, where connections are counted."""
    made = Running()
    yield made
    made.close()


def closed(held: socket.socket) -> bool:
    """Whether the other end has closed it."""
    held.settimeout(0.05)
    try:
        return held.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_a_hundred_and_twenty_that_never_finish_lock_nobody_out(running: Running) -> None:
    held = [running.connect(HALF) for _ in range(120)]
    began = time.monotonic()
    for _ in range(5):
        assert running.ask() == (200, b"http 0")
    assert time.monotonic() - began < 5.0
    assert sum(not closed(one) for one in held) <= A_CLIENT
    for one in held:
        one.close()


def test_a_page_that_is_open_stays_so_among_them(running: Running) -> None:
    page = http.client.HTTPConnection("127.0.0.1", running.port, timeout=SECONDS)
    page.request("GET", "/", headers=running.cookie)
    page.getresponse().read()
    kept, held = page.sock, [running.connect(HALF) for _ in range(120)]
    page.request("GET", "/", headers=running.cookie)
    assert page.getresponse().read() == b"http 0"
    assert page.sock is kept  # the client opens another by itself where it was closed
    page.close()
    for one in held:
        one.close()


def test_who_has_the_secret_cannot_hold_more_either(fresh: Running) -> None:
    with ExitStack() as open_ones:
        pages = []
        for _ in range(A_CLIENT + 5):
            page = http.client.HTTPConnection("127.0.0.1", fresh.port, timeout=SECONDS)
            open_ones.callback(page.close)
            page.request("GET", "/", headers=fresh.cookie)
            page.getresponse().read()
            fresh.answered()  # so that they are as old as their order says
            pages.append(page)
        until = time.monotonic() + 5.0  # what gives way is closed by the loop, a turn later
        gone = [closed(page.sock) for page in pages]
        while sum(gone) < 5 and time.monotonic() < until:
            time.sleep(0.05)
            gone = [closed(page.sock) for page in pages]
        assert gone == [True] * 5 + [False] * A_CLIENT  # the oldest give way


@pytest.mark.slow
@pytest.mark.parametrize("sent", [
    b"", b"GET", HALF, b"POST / HTTP/1.1\r\nHost: h\r\nContent-Length: 9\r\nCookie: C\r\n\r\nab",
])
def test_what_does_not_finish_is_dropped(
    running: Running, sent: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert connections.SECONDS == 10.0
    monkeypatch.setattr(connections, "SECONDS", 1.0)
    cookie = f"bench-{running.port}={SECRET}".encode()
    held = running.connect(sent.replace(b"C\r\n\r\n", cookie + b"\r\n\r\n").replace(
        b"Host: h\r", f"Host: h:{running.port}\r".encode()))
    began = time.monotonic()
    assert held.recv(1) == b""  # without an answer: it waits for none
    assert 0.9 < time.monotonic() - began < 8.0
    held.close()


@pytest.mark.slow
def test_what_comes_drop_by_drop_is_dropped_and_what_comes_slowly_is_not(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "SECONDS", 1.0)
    drops = running.connect(HALF)
    large = 400_000  # over 6 s at the slowest
    slow = running.connect(
        f"POST / HTTP/1.1\r\nHost: h:{running.port}\r\nConnection: close\r\n"
        f"Cookie: bench-{running.port}={SECRET}\r\nContent-Length: {large}\r\n\r\n".encode())
    began, dropped = time.monotonic(), 0.0
    for k in range(8):
        slow.sendall(b" " * (large // 8))
        if not dropped:
            try:
                drops.sendall(f"X-{k}: 1\r\n".encode())
                if closed(drops):
                    dropped = time.monotonic() - began
            except ConnectionError:
                dropped = time.monotonic() - began
        time.sleep(0.4)
    assert dropped > 0.9
    told = b""
    while more := slow.recv(1 << 12):
        told += more
    assert told.endswith(f"http {large}".encode())
    slow.close()
    drops.close()


def test_a_stranger_s_body_is_refused_before_it_comes(running: Running) -> None:
    held = running.connect(b"POST /sheets HTTP/1.1\r\nHost: h\r\nContent-Length: 60000000\r\n\r\n")
    told = b""
    while more := held.recv(1 << 12):
        told += more
    assert told.startswith(b"HTTP/1.1 403 Forbidden\r\n")
    held.close()


# Over TLS


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> lan.Certificate:
    if not lan.shutil.which("openssl"):
        pytest.skip("no openssl command")
    return lan.certificate(tmp_path_factory.mktemp("lan") / "kept", "127.0.0.1")


@pytest.fixture(scope="module")
def secured(made: lan.Certificate) -> Iterator[Running]:
    running = Running(made.context())
    yield running
    running.close()


def trusting(made: lan.Certificate) -> ssl.SSLContext:
    """A client that takes this certificate and no other, and holds the name in it too."""
    return ssl.create_default_context(cafile=str(made.path))


def test_the_certificate_is_what_the_terminal_says(made: lan.Certificate) -> None:
    # openssl prints what it reads in the certificate itself
    text = subprocess.run(
        ["openssl", "x509", "-in", made.path, "-noout", "-fingerprint", "-sha256", "-text"],
        check=True, capture_output=True, text=True).stdout
    assert f"Fingerprint={made.fingerprint}" in text
    assert "IP Address:127.0.0.1" in text
    assert "CA:FALSE" in text
    assert made.key.stat().st_mode & 0o077 == 0
    assert made.path.parent.stat().st_mode & 0o077 == 0


def test_it_is_kept_for_the_next_start_and_every_address_has_its_own(
    made: lan.Certificate
) -> None:
    folder = made.path.parent
    assert lan.certificate(folder, "127.0.0.1") == made
    assert lan.certificate(folder, "127.0.0.2").fingerprint != made.fingerprint


def test_pages_and_large_bodies_go_over_tls(secured: Running, made: lan.Certificate) -> None:
    page = http.client.HTTPSConnection("127.0.0.1", secured.port, timeout=SECONDS,
                                       context=trusting(made))
    for size in (0, 3_000_000, 10):  # one connection for all
        page.request("POST", "/", body=b" " * size, headers=secured.cookie)
        assert page.getresponse().read() == f"https {size}".encode()
    page.close()


@pytest.mark.slow
def test_without_a_handshake_nobody_is_locked_out(
    secured: Running, made: lan.Certificate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "SECONDS", 2.0)
    silent = [secured.connect() for _ in range(60)]
    noisy = [secured.connect(HALF + b"\r\n") for _ in range(60)]  # no TLS at all
    page = http.client.HTTPSConnection("127.0.0.1", secured.port, timeout=SECONDS,
                                       context=trusting(made))
    page.request("GET", "/", headers=secured.cookie)
    assert page.getresponse().read() == b"https 0"
    for one in (*silent, *noisy):
        one.settimeout(SECONDS)
        with suppress(ConnectionError):
            assert not one.recv(1 << 12).startswith(b"HTTP")
        one.close()
    page.request("GET", "/", headers=secured.cookie)
    assert page.getresponse().read() == b"https 0"
    page.close()


def test_what_is_older_than_tls_1_2_is_not_spoken(made: lan.Certificate) -> None:
    # RFC 8996 forbids TLS 1.0 and 1.1
    assert made.context().minimum_version >= ssl.TLSVersion.TLSv1_2


# Where


@pytest.mark.parametrize("given", ["8.8.8.8", "0.0.0.0", "224.0.0.1", "here", "::1", "1.2.3"])
def test_what_the_whole_world_reaches_is_not_served(given: str) -> None:
    with pytest.raises(lan.InputError, match="address"):
        lan.own_address(given)


@pytest.mark.parametrize("given", ["192.168.1.20", "10.0.0.7", "172.16.3.4", "169.254.1.1"])
def test_addresses_of_local_networks_are_taken(given: str) -> None:  # RFC 1918, RFC 3927
    assert lan.own_address(given) == given


def test_without_openssl_it_is_said_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(lan.InputError, match="openssl"):
        lan.certificate(tmp_path / "kept", "192.168.1.20")
