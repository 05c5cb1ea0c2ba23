"""Pages that are seen soon: scripts and styles that the browser keeps, and what it fetches ahead.

A page that is opened asks for its scripts, those for the scripts that they import, and these for
the sheet, each only once the one before has come. So a page says with its own answer what it will
need. Scripts and styles stand under an address that holds a digest of all of them: the browser may
keep them for as long as it likes, and asks anew as soon as one has changed.
"""

from __future__ import annotations

import re
from hashlib import blake2b
from pathlib import Path

from flask import Flask, Response, request, send_from_directory

from diagnose.show.embedded import STYLES

_IMPORT = re.compile(r'^(?:import|export)\b[^;]*?from "\./([\w-]+\.js)"', re.MULTILINE)
_SCRIPT = re.compile(r'<script type="module" src="/static/([\w-]+\.js)"')
_PLACES = re.compile(r'((?:src|href)="/)(static/|drawn\.css)')
_YEAR = 31_536_000
"""s, the longest that caches are asked to keep anything (RFC 9111, from memory)."""
_SHEET = re.compile(r"/sheet/[a-z0-9-]+")
"""A page that asks for its sheet first."""


def make_swift(app: Flask) -> None:
    """Let the pages of an application say what they need, and browsers keep what does not change.

    To be called after `guard.protect`, whose word on what may be kept is the last.
    """
    folder = Path(app.static_folder or "")
    texts = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
    mark = blake2b(b"\0".join((STYLES.encode(), *texts.values())), digest_size=6).hexdigest()
    needs = {name: _needs(name, texts) for name in texts if name.endswith(".js")}

    def kept(name: str) -> Response:
        return keep(send_from_directory(folder, name))

    def point(answer: Response) -> Response:
        if request.path == "/drawn.css" and request.query_string.decode("latin-1") == mark:
            return keep(answer)
        if answer.mimetype != "text/html" or answer.direct_passthrough:
            return answer
        text = answer.get_data(as_text=True)
        if "<script" not in text:  # a piece of a page
            return answer
        for name in dict.fromkeys(n for script in _SCRIPT.findall(text) for n in needs[script]):
            answer.headers.add("Link", f"</static/{mark}/{name}>; rel=modulepreload")
        if _SHEET.fullmatch(request.path):
            answer.headers.add("Link", f"<{request.path}/data>; rel=preload; as=fetch; crossorigin")
        answer.set_data(_PLACES.sub(
            lambda found: found[1] + (f"static/{mark}/" if found[2] == "static/"
                                      else f"drawn.css?{mark}"), text))
        return answer

    app.add_url_rule(f"/static/{mark}/<path:name>", "kept", kept)
    app.after_request(point)


def keep(answer: Response) -> Response:
    """Mark an answer as one that never changes."""
    answer.cache_control.no_cache = None
    answer.cache_control.private = True
    answer.cache_control.max_age = _YEAR
    answer.cache_control.immutable = True
    return answer


def _needs(name: str, texts: dict[str, bytes]) -> list[str]:
    """A module and all that it imports, itself first."""
    found, k = [name], 0
    while k < len(found):
        text = texts.get(found[k], b"").decode("utf-8")
        found += [other for other in _IMPORT.findall(text) if other not in found]
        k += 1
    return found
