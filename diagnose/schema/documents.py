"""The number of the format of all JSON documents, the schema that ships, and the names in them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from circuits.errors import InputError

FORMAT = 9
"""Rises by one whenever a key is added to any document. No key is ever taken away or given another
meaning, so a script that knows a number reads all higher ones."""

_FILE = Path(__file__).with_name("documents.schema.json")
KINDS = ("stages", "rank", "next", "coverage", "score", "study", "signal", "measure", "take",
         "report")
"""The commands that print a document; `stages` that of a healthy unit."""
NETLIST = "netlist"
"""The document of ``diagnose stages --from``, which has no command of its own."""
LOG = "log"
"""The documents of ``diagnose log``, of which each thing that it is asked has its own keys."""


@cache
def _shipped() -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(_FILE.read_text(encoding="utf-8"))
    return schema


def json_schema(kind: str = "") -> dict[str, Any]:
    """The JSON Schema (2020-12) of the documents.

    Parameters
    ----------
    kind : str
        One of `KINDS`, `NETLIST` or `LOG`: the schema of that document alone. Empty for any.

    Raises
    ------
    InputError
        For a command that prints none.

    Examples
    --------
    >>> from diagnose import json_schema
    >>> json_schema("rank")["$ref"]
    '#/$defs/rank'
    """
    if not kind:
        return dict(_shipped())
    if kind not in (*KINDS, NETLIST, LOG):
        raise InputError(f"no document is called {kind!r}", choices=(*KINDS, NETLIST, LOG),
                         given=kind)
    kept = {key: value for key, value in _shipped().items() if key not in ("anyOf", "title")}
    return {**kept, "title": f"diagnose {kind} --json", "$ref": f"#/$defs/{kind}"}


def named_roles(roles: Mapping[str, str], document: object) -> dict[str, str]:
    """What the parts do that a document names anywhere, in its sentences too.

    Parameters
    ----------
    roles : mapping of part to role
        Of the whole stage.
    document : object
        Plain data.
    """
    text = json.dumps(document, ensure_ascii=False)
    # longest first, or C1 would be found in C10 and "mixer" in "mixer reservoir"
    names = sorted(roles, key=len, reverse=True)
    if not names:
        return {}
    one = re.compile(rf"(?<![\w.])(?:{'|'.join(map(re.escape, names))})(?![\w.]*\w)")
    there = set(one.findall(text))
    return {name: role for name, role in roles.items() if name in there}
