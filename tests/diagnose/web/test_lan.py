"""The page for a tablet: off unless asked for, over TLS, with the certificate that is shown."""

from __future__ import annotations

import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not shutil.which("openssl"), reason="no openssl command"),
]
ROOT = Path(__file__).resolve().parents[3]
SECONDS = 60.0
LINES = 6
"""The address, and five of what is said for a tablet."""


@contextmanager
def serving(folder: Path, *words: str) -> Iterator[str]:
    """What the command says on the terminal."""
    environment = {**os.environ, "AMP_DIAGNOSE_SHEETS": str(folder / "sheets"),
                   "AMP_DIAGNOSE_CACHE": str(folder / "cache"), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser", *words]
    with subprocess.Popen(command, env=environment, cwd=folder, text=True,
                          stderr=subprocess.PIPE) as server:
        assert server.stderr is not None
        try:
            yield "".join(server.stderr.readline() for _ in range(LINES if words else 1))
        finally:
            server.terminate()
            server.wait(SECONDS)


def asked(address: str, context: ssl.SSLContext | None = None) -> int:
    try:
        with urllib.request.urlopen(address, timeout=SECONDS, context=context) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return int(error.code)


def test_a_tablet_is_served_over_tls_with_the_certificate_that_the_terminal_shows(
    tmp_path: Path,
) -> None:
    with serving(tmp_path, "--lan", "127.0.0.1") as said:
        plain, secure = re.findall(r"https?://127\.0\.0\.1:\d+/\?key=\w+", said)
        assert (plain[:5], secure[:6]) == ("http:", "https:")
        shown = "".join(re.findall(r"^ +((?:[0-9A-F]{2}:?){16})$", said, re.MULTILINE))
        port = int(re.findall(r":(\d+)/", secure)[0])
        text = ssl.get_server_certificate(("127.0.0.1", port), timeout=SECONDS)
        # what a browser shows: SHA-256 over the certificate as it is sent
        assert sha256(ssl.PEM_cert_to_DER_cert(text)).hexdigest() == shown.replace(":", "").lower()
        knowing: Any = ssl.create_default_context(cadata=text)
        assert asked(secure, knowing) == 200
        assert asked(secure.partition("?")[0], knowing) == 403
        assert asked(plain) == 200
        assert asked(plain.partition("?")[0]) == 403
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            asked(secure)
        # without TLS nothing is said there at all
        with (socket.create_connection(("127.0.0.1", port), timeout=SECONDS) as bare,
              suppress(ConnectionError)):
            bare.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert not bare.recv(100).startswith(b"HTTP")


def test_only_this_machine_is_served_otherwise_and_an_open_page_finds_the_next_server(
    tmp_path: Path,
) -> None:
    with serving(tmp_path) as said:
        ((port, key),) = re.findall(r"http://127\.0\.0\.1:(\d+)/\?key=(\w+)", said)
        assert "https" not in said
        # 127.0.0.2 stands for any other address of this machine (RFC 1122: all of 127 is the host)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.2", int(port)), timeout=SECONDS)
    assert not (tmp_path / "sheets" / ".certificates").exists()
    with serving(tmp_path) as said:
        assert f"?key={key}" in said
