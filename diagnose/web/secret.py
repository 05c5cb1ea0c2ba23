"""The secret by which the page's server knows who may ask.

It stands in the address that is opened and is a cookie from then on. Other users of the machine
reach the port as well, but cannot read it: it lies beside the sheets, whose files they cannot read
either, and it never stands in the arguments of a process, which everybody may list.
"""

from __future__ import annotations

import html
import os
import re
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from circuits.errors import InputError

WORD = "key"
"""What the secret is called in an address."""
_FILE = ".secret"
_OPEN = ".open.html"
_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
"""None that is mistaken for another: it may have to be typed on a tablet."""
_LENGTH = 24
"""Signs: 118 bits, where 64 are asked for of what is guessed over a network (OWASP, Session
Management Cheat Sheet, from memory)."""
_LIFE = 12 * 3600.0
"""s: a server that is started again within an evening's work goes on with the secret of before,
so that pages that are open, and a tablet, find it again."""


def made(folder: Path) -> str:
    """A secret for a server of the sheets in a folder: a new one, or that of a short while ago.

    Raises
    ------
    InputError
        Where it cannot be kept.
    """
    path = folder / _FILE
    with suppress(OSError, UnicodeDecodeError):
        about = path.lstat()
        kept = path.read_text(encoding="ascii").strip()
        fresh = 0.0 <= time.time() - about.st_mtime < _LIFE
        own = about.st_uid == os.getuid() and about.st_mode & 0o077 == 0
        if fresh and own and re.fullmatch(f"[{_SIGNS}]{{{_LENGTH}}}", kept):
            return kept
    secret = "".join(secrets.choice(_SIGNS) for _ in range(_LENGTH))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _private(path, secret)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected="a folder of sheets of one's own") from None
    return secret


def address(origin: str, secret: str) -> str:
    """The address that is opened, such as ``http://127.0.0.1:8426/?key=…``."""
    return f"{origin}/?{WORD}={secret}"


@contextmanager
def opening(folder: Path, where: str) -> Iterator[str]:
    """A file of one's own that leads to an address, as long as the block lasts.

    A browser is given the file: what it is started with, everybody on the machine can read.
    """
    path = folder / _OPEN
    quoted = html.escape(where, quote=True)
    _private(path, f'<!doctype html><meta charset="utf-8"><title>Bench page</title>'
                   f'<meta http-equiv="refresh" content="0; url={quoted}">'
                   f'<a href="{quoted}">To the bench page</a>\n')
    try:
        yield path.absolute().as_uri()
    finally:
        path.unlink(missing_ok=True)


def _private(path: Path, text: str) -> None:
    """Write a file that nobody else can read, not even for a moment."""
    path.unlink(missing_ok=True)
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(number, "w", encoding="utf-8") as file:
        file.write(text)
