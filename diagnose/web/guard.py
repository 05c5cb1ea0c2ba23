"""What keeps other machines, other users, other pages and other frames out.

The server listens on the loopback address, and for a tablet on one of the local network. Who asks
has the secret (`diagnose.web.secret`) in a cookie, which the address that is opened sets; nobody
else reads a sheet, a script or a style. A page of another site that the same browser shows could
still send requests here: it is told apart by the headers that a browser sets itself.

A cookie knows no port. A server of another user of this machine that the user's browser is led to,
under the same name as this one, is sent it as well: open no pages of this machine's other ports.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence

from flask import Flask, Request, Response, abort, current_app, request

from diagnose.web.secret import WORD

HOSTS = ("127.0.0.1", "localhost")
"""Names under which this machine may be asked for; another one is a name that was bent here."""
MOST_BYTES = 4 << 20
"""Bytes of a request with a sheet or a sweep."""
MOST_RECORDING = 128 << 20
"""Bytes of a request with a recording."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
"""A report carries its style in itself and runs nothing."""
_SAFE = ("GET", "HEAD", "OPTIONS")
_SECRET = "SECRET_OF_THE_ADDRESS"
STRANGER = ("this page is open to whoever started it: use the address that stands in the terminal "
             "where it was started, with all of it that follows the question mark")


def protect(app: Flask, secret: str | None = None, hosts: Sequence[str] = HOSTS) -> None:
    """Check every request and mark every answer of an application.

    Parameters
    ----------
    secret : str or None
        Who may ask has it; None lets everybody ask who reaches the application.
    hosts : sequence of str
        Names under which the server may be asked for.
    """
    app.config["TRUSTED_HOSTS"] = list(hosts)
    app.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app.config[_SECRET] = secret
    app.before_request(_check)
    app.after_request(_mark)


def cookie_name(host: str) -> str:
    """The cookie of a server: servers on two ports of one machine share a browser's cookies."""
    return f"bench-{host.rpartition(':')[2]}"


def knows(secret: str, host: str, cookies: str, query: str) -> bool:
    """Whether a request has the secret, by the text of its head.

    Parameters
    ----------
    host, cookies : str
        Its headers.
    query : str
        What follows the question mark of its address.
    """
    # by hand, as every byte may come in a cookie of another port, and readers stumble over some
    pairs = [(cookie_name(host), pair.strip(" ")) for pair in cookies.split(";")]
    pairs += [(WORD, pair) for pair in query.split("&")]
    return any(pair.startswith(f"{word}=") and _same(pair.removeprefix(f"{word}="), secret)
               for word, pair in pairs)


def _same(given: str, secret: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "replace"), secret.encode("ascii"))


def _check() -> None:
    if not own_page(request):
        abort(403, "this request comes from another page")
    secret = current_app.config[_SECRET]
    if secret is not None and not knows(
        secret, request.host, request.headers.get("Cookie", ""),
        request.query_string.decode("latin-1"),
    ):
        abort(403, STRANGER)


def own_page(asked: Request) -> bool:
    """Whether a request comes from a page of this server, from the address line, or a program."""
    site = asked.headers.get("Sec-Fetch-Site")
    origin = asked.headers.get("Origin")
    if origin is not None and origin != f"{asked.scheme}://{asked.host}":
        return False
    if site in (None, "same-origin"):
        # a browser that sends neither header with a post is older than both
        return True
    opens = asked.headers.get("Sec-Fetch-Mode") == "navigate"
    whole = asked.headers.get("Sec-Fetch-Dest") == "document"
    return asked.method in _SAFE and opens and whole


def _mark(answer: Response) -> Response:
    headers = answer.headers
    headers.setdefault("Content-Security-Policy", POLICY)
    headers["X-Frame-Options"] = "DENY"
    headers["X-Content-Type-Options"] = "nosniff"
    headers["Referrer-Policy"] = "no-referrer"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    headers["Cross-Origin-Opener-Policy"] = "same-origin"
    if not answer.cache_control.immutable:
        headers["Cache-Control"] = "no-store"
    secret, stated = current_app.config[_SECRET], request.args.get(WORD)
    if secret and stated and answer.status_code < 400 and _same(stated, secret):
        answer.set_cookie(cookie_name(request.host), secret, httponly=True, samesite="Strict",
                          secure=request.is_secure)
    return answer
