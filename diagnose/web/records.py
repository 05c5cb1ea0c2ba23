"""The record of a job, which is typed on the page of the report and kept in the case file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from flask import Blueprint, Response, jsonify, request

from circuits import yamlfile
from circuits.errors import InputError
from diagnose.log.book import Log
from diagnose.log.close import follow
from diagnose.log.folder import log_in
from diagnose.sheet.record import CLOSED, FIELDS, NO_RECORD, PARTS, Record, read_record, record_text
from diagnose.web.desk import desk
from diagnose.web.sheet import Typed
from diagnose.web.shelf import Kept

records = Blueprint("records", __name__)
_MOST_TEXT = 2000
"""Signs of one field."""
_MOST_PARTS = 100
"""Parts that were fitted."""
_SECTION = re.compile(r"^record:.*\n?(?:^(?:[ #].*)?\n?)*", re.MULTILINE)
"""The section among those that the page keeps as they stand, to the beginning of the next one."""


@records.put("/sheet/<name>/record")
def save(name: str) -> Response:
    """Keep what was typed into the record; the readings stay as they are."""
    sent = request.get_json()
    if not isinstance(sent, dict):
        raise InputError("this is not a record", expected="its fields")
    kept = desk().shelf.amend(name, lambda sheet: with_record(sheet, sent))
    _followed(kept)
    return jsonify(revision=kept.revision)


def _followed(kept: Kept) -> None:
    """Let the log of closed jobs say what the record of a closed job says now."""
    path = log_in(desk().shelf.folder)
    if not record_of(kept.sheet).of("job") or not path.exists():
        return
    case = desk().checked(kept).case
    if case is not None:
        with Log(path) as log:
            follow(log, case)


def with_record(sheet: Typed, sent: Mapping[str, object]) -> Typed:
    """A sheet with another record.

    Parameters
    ----------
    sent : mapping
        Text by the words of the fields; of the parts one a line. What closing the job wrote
        stays where it is not among them.

    Raises
    ------
    InputError
        For what is no text, or too much of it.
    """
    fields = {f.word: _plain(sent.get(f.word)) for f in FIELDS}
    before = record_of(sheet)
    fields |= {f.word: _plain(sent.get(f.word, before.of(f.word))) for f in CLOSED}
    listed = sent.get(PARTS.word) or ""
    if not isinstance(listed, str) or len(listed) > _MOST_TEXT * 5:
        raise InputError("these are no parts of a record", expected="one a line")
    parts = tuple(text for line in listed.splitlines() if (text := _plain(line)))
    if len(parts) > _MOST_PARTS:
        raise InputError(f"{len(parts)} parts stand here", expected=f"up to {_MOST_PARTS}")
    rest = _SECTION.sub("", sheet.extra).rstrip()
    return replace(sheet, extra="\n".join(filter(None, (rest, record_text(fields, parts)))))


def record_of(sheet: Typed) -> Record:
    """The record of a sheet, right or wrong as the rest of it may be.

    Raises
    ------
    InputError
        For one that was damaged by hand.
    """
    found = _SECTION.search(sheet.extra)
    if found is None:
        return NO_RECORD
    top = yamlfile.mapping(yamlfile.tree(found[0], "the record"), "a case file")
    return read_record(top.get("record"))


def _plain(text: object) -> str:
    """A text in one line, without signs that nobody sees."""
    if text is None:
        return ""
    if not isinstance(text, str) or len(text) > _MOST_TEXT:
        raise InputError("this is not a text of a record", expected=f"up to {_MOST_TEXT} signs")
    kept = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(kept.encode("utf-8", "replace").decode("utf-8").split())
