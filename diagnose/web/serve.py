"""The server: this machine only, until Ctrl-C."""

from __future__ import annotations

import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

from circuits.errors import InputError
from circuits.leftovers import sweep_folders
from diagnose.web.app import make_app
from diagnose.web.desk import KEY, Desk
from diagnose.web.guard import MOST_RECORDING
from diagnose.web.shelf import default_shelf

ADDRESS = "127.0.0.1"
PORT = 8426
"""Where the page is found unless another port is asked for (any free one would do)."""
_THREADS = 8
"""Requests answered at a time: a browser opens six connections (from memory), of which some wait
for progress."""


def serve(
    port: int = PORT,
    say: Callable[[str], None] = lambda text: None,
    browser: bool = True,
    cached: bool = True,
    folder: Path | None = None,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    port : int
        0 takes any that is free.
    say : callable
        Told the address once it can be asked for.
    browser : bool
        Whether the user's browser is opened.
    cached : bool
        Whether what was simulated is kept in the user's store.
    folder : Path, optional
        Where sheets are kept; by default `shelf.default_shelf`.

    Raises
    ------
    InputError
        For a port that cannot be had.
    """
    from waitress import create_server

    listening = _listening(port)
    sweep_folders()
    app = make_app(folder or default_shelf(), cached=cached)
    server = create_server(
        app, sockets=[listening], threads=_THREADS, ident="",
        max_request_body_size=MOST_RECORDING + (1 << 20), clear_untrusted_proxy_headers=True,
    )
    address = f"http://{ADDRESS}:{listening.getsockname()[1]}/"
    say(address)
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    desk = app.extensions[KEY]
    assert isinstance(desk, Desk)
    try:
        server.run()
    finally:
        server.close()
        desk.close()


def _listening(port: int) -> socket.socket:
    if not 0 <= port <= 65535:
        raise InputError(f"there is no port {port}", expected="0 to 65535")
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((ADDRESS, port))
    except OSError as error:
        listener.close()
        raise InputError(f"port {port} cannot be had: {error.strerror}",
                         expected="another one, such as --port 0 for any that is free"
                         ) from None
    return listener
