"""What keeps other machines, other pages and other frames out.

The server listens on the loopback address only. A page of another site that the same browser shows
could still send requests there: it is told apart by the headers that a browser sets itself.
"""

from __future__ import annotations

from flask import Flask, Request, Response, abort, request

HOSTS = ["127.0.0.1", "localhost"]
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


def protect(app: Flask) -> None:
    """Check every request and mark every answer of an application."""
    app.config["TRUSTED_HOSTS"] = HOSTS
    app.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app.before_request(_check)
    app.after_request(_mark)


def _check() -> None:
    if not own_page(request):
        abort(403, "this request comes from another page")


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
    headers["Cache-Control"] = "no-store"
    return answer
