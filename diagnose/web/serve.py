"""The server: this machine only unless it is told otherwise, until Ctrl-C."""

from __future__ import annotations

import ctypes
import socket
import ssl
import threading
import webbrowser
from collections.abc import Callable
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path

from circuits.errors import InputError
from circuits.leftovers import sweep_folders
from diagnose.web import lan as local
from diagnose.web import secret as secrets
from diagnose.web.app import make_app
from diagnose.web.connections import servers
from diagnose.web.desk import KEY, Desk
from diagnose.web.guard import HOSTS, MOST_RECORDING, knows
from diagnose.web.shelf import default_shelf

ADDRESS = "127.0.0.1"
PORT = 8426
"""Where the page is found unless another port is asked for (any free one would do)."""
_CERTIFICATES = ".certificates"
_MOST_HEAPS = -8
"""The word for that in glibc (M_ARENA_MAX of malloc.h)."""


def serve(
    port: int = PORT,
    say: Callable[[str], None] = lambda text: None,
    browser: bool = True,
    cached: bool = True,
    folder: Path | None = None,
    lan: str | None = None,
    say_lan: Callable[[str, str], None] = lambda text, fingerprint: None,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    port : int
        0 takes any that is free.
    say : callable
        Told the address once it can be asked for; whoever has it may ask.
    browser : bool
        Whether the user's browser is opened.
    cached : bool
        Whether what was simulated is kept in the user's store.
    folder : Path, optional
        Where sheets are kept; by default `shelf.default_shelf`.
    lan : str or None
        None serves this machine only; else the address of this machine on a local network where
        it is served as well, over TLS, or empty for the usual one.
    say_lan : callable
        Told the address there and the fingerprint of the certificate.

    Raises
    ------
    InputError
        For a port or an address that cannot be had.
    """
    _few_heaps()
    sheets = folder or default_shelf()
    with ExitStack() as stack:
        listening: list[tuple[socket.socket, ssl.SSLContext | None]] = []
        listening.append((stack.enter_context(_listening(ADDRESS, port)), None))
        hosts, fingerprint = list(HOSTS), ""
        if lan is not None:
            there = local.own_address(lan)
            shown = local.certificate(sheets / _CERTIFICATES, there)
            bound = stack.enter_context(_listening(there, port))
            listening.append((bound, shown.context()))
            hosts.append(there)
            fingerprint = shown.fingerprint
        secret = secrets.made(sheets)
        sweep_folders()
        app = make_app(sheets, cached=cached, secret=secret, hosts=hosts)
        server = servers(app, listening, partial(knows, secret), MOST_RECORDING + (1 << 20))
        desk = app.extensions[KEY]
        assert isinstance(desk, Desk)
        stack.callback(server.close)
        stack.callback(desk.close)  # first, so that what waits for it is answered and ends
        where = secrets.address(_origin("http", listening[0][0]), secret)
        say(where)
        if lan is not None:
            say_lan(secrets.address(_origin("https", listening[1][0]), secret), fingerprint)
        if browser:
            _open(stack, sheets, where)
        desk.warm()
        with suppress(KeyboardInterrupt, SystemExit):
            server.run()


def _few_heaps() -> None:
    """Have all threads take memory from two heaps, where the C library is glibc.

    It would give each of a dozen threads one of its own, and none gives back what it once needed.
    Python lets one thread at a time take memory anyway.
    """
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_MOST_HEAPS, 2)


def _origin(scheme: str, bound: socket.socket) -> str:
    host, port = bound.getsockname()[:2]
    return f"{scheme}://{host}:{port}"


def _open(stack: ExitStack, sheets: Path, where: str) -> None:
    """Open the user's browser; where its file cannot be written, the address has been told."""
    with suppress(OSError):
        file = stack.enter_context(secrets.opening(sheets, where))
        threading.Thread(target=webbrowser.open, args=(file,), daemon=True).start()


def _listening(address: str, port: int) -> socket.socket:
    if not 0 <= port <= 65535:
        raise InputError(f"there is no port {port}", expected="0 to 65535")
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((address, port))
    except OSError as error:
        listener.close()
        raise InputError(f"port {port} of {address} cannot be had: {error.strerror}",
                         expected="another one, such as --port 0 for any that is free"
                         ) from None
    return listener
