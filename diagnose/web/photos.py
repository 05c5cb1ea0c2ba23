"""Photos of readings: kept beside their sheet and shown by it, never read."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify, request

from circuits.errors import InputError
from diagnose.web.desk import desk

photos = Blueprint("photos", __name__)
KINDS = {".jpg": ("image/jpeg", b"\xff\xd8\xff"), ".png": ("image/png", b"\x89PNG\r\n\x1a\n")}
"""Kinds of pictures by the end of their names, each with what such a file begins with."""


@photos.post("/sheet/<name>/photo")
def keep(name: str) -> Response:
    """Keep a photo beside a sheet; the page then names it in a reading."""
    file = request.files.get("file")
    if file is None or not file.filename:
        raise InputError("no photo came", expected="one picture")
    body = file.read()
    end = next((end for end, (_, mark) in KINDS.items() if body.startswith(mark)), None)
    if end is None:
        raise InputError(f"{file.filename!r} is no photo", expected="a picture as JPEG or PNG")
    stem = file.filename.rpartition(".")[0] or "photo"
    return jsonify(photo=desk().shelf.keep_photo(name, f"{stem}{end}", body))


@photos.get("/sheet/<name>/photo/<file>")
def show(name: str, file: str) -> Response:
    """A photo that lies beside a sheet."""
    found = next((path for path in desk().shelf.files(name)
                  if path.name == file and path.suffix in KINDS), None)
    if found is None:
        raise InputError("there is no such photo beside this sheet", expected="one of its photos")
    return Response(found.read_bytes(), mimetype=KINDS[found.suffix][0])
