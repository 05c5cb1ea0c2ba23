"""The limits of a sheet, and the published standards that may stand in their place.

One file a standard stands in ``standards/``: its name, title, source, how far the source was read
(``read``, ``extracts`` or ``from memory``), and limits in the words of the sheet. Conditions that
a limit does not state are open: a distortion of at most 1 % holds at every level read. A file may
say besides ``from power``, from which power up a limit holds, and for units of how many
``channels``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.stage import Stage
from circuits.yamlfile import Items, Mapping, Node
from diagnose.sheet.limits import Limit, read_limit

FOLDER = Path(__file__).with_name("standards")
STATUS = ("read", "extracts", "from memory")
_KEYS = ("standard", "title", "source", "status", "limits")


@dataclass(frozen=True)
class Standard:
    """A published standard.

    Attributes
    ----------
    status : str
        One of `STATUS`.
    limits : Items
        As they stand in its file; they become limits of a stage by `limits_of`.
    """

    name: str
    title: str
    source: str
    status: str
    limits: Items


@cache
def standards() -> dict[str, Standard]:
    """Every standard that ships, by its name."""
    by_name = {}
    for path in sorted(FOLDER.glob("*.yaml")):
        one = read_standard(path)
        by_name[one.name] = one
    return by_name


def read_standard(path: Path) -> Standard:
    """The standard of one file.

    Raises
    ------
    InputError
        With the place.
    """
    top = yamlfile.mapping(yamlfile.read(path), "a standard", _KEYS, _KEYS)
    name, title, source = (
        yamlfile.text(top.entries[key], key) for key in ("standard", "title", "source")
    )
    limits = top.entries["limits"]
    yamlfile.items(limits, "limits")
    assert isinstance(limits, Items)
    status = yamlfile.choice(top.entries["status"], "status", STATUS)
    return Standard(name, title, source, status, limits)


def read_limits(node: Node | None, stage: Stage) -> tuple[Limit, ...]:
    """The limits of a case file.

    ``max`` and ``min`` are values of the quantity; ``within`` is the distance from ``value``, or
    from zero for levels in dB, angles and voltages. Where the quantity has a frequency, ``band``
    may stand in its place (``frequencies`` where ``band`` is that of the meter); a response
    without a reference is relative to any. A ``standard`` stands for its typical figures. A limit
    without a figure is passed over.

    Raises
    ------
    InputError
        With the place.
    """
    if node is None:
        return ()
    limits: list[Limit] = []
    for item in yamlfile.items(node, "limits"):
        if isinstance(item, Mapping) and "standard" in item.keys:
            entry = yamlfile.mapping(item, "a limit by its standard", ("standard",), ("standard",))
            limits += limits_of(entry.entries["standard"], stage)
            continue
        limit = read_limit(item, stage)
        if limit is not None:
            limits.append(limit)
    return tuple(limits)


def limits_of(node: Node, stage: Stage) -> tuple[Limit, ...]:
    """The limits that a sheet means by naming a standard.

    Parameters
    ----------
    node : Node
        The name as it stands on the sheet; case, spaces and signs between words do not matter.
    stage : Stage
        A figure in watts is left out where the stage has no load to give them to.

    Raises
    ------
    InputError
        For a name that is none, with the nearest ones.
    """
    word = yamlfile.text(node, "a standard")
    known = standards()
    plain = {_plain(name): one for name, one in known.items()}
    one = plain.get(_plain(word))
    if one is None:
        raise InputError(
            f"{word!r} is no standard that is known here", place=node.place,
            expected="a standard, or the limits themselves", choices=known, given=word,
        )
    limits = (read_limit(item, stage, one.name) for item in one.limits.items if _fits(item, stage))
    return tuple(limit for limit in limits if limit is not None)


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "", name.lower())


def _fits(item: Node, stage: Stage) -> bool:
    entry = yamlfile.mapping(item, "a limit")
    quantity = yamlfile.text(entry.entries["quantity"], "quantity")
    return quantity not in ("maximum output", "damping factor") or stage.load > 0.0
