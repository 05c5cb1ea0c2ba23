"""Where the parts of a stage stand on its drawing: one YAML file a stage, on a grid.

A drawing holds geometry only: which pin meets which stands in the stage file, and
`circuits.drawing_nets` says whether the two agree. ``circuits/drawings/README.md`` explains
every key.
"""

from __future__ import annotations

import re
from collections.abc import Mapping as Table
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.stage import Stage
from circuits.yamlfile import Mapping, Node, Text

FOLDER = Path(__file__).with_name("drawings")

Point = tuple[float, float]
"""Grid steps to the right and downwards."""

DIRECTIONS: Table[str, Point] = {
    "right": (1.0, 0.0), "left": (-1.0, 0.0), "up": (0.0, -1.0), "down": (0.0, 1.0),
}
"""Words for a way, as drawings have them, and its step of one."""
LABELS = tuple(f"label {side}" for side in (*DIRECTIONS, "split"))
LENGTH = 3.0
"""Grid steps between the pins of a part with two, unless the drawing says otherwise."""

_KEYS = ("drawing", "parts", "wires", "grounds", "rails", "ports", "test points")
_NUMBER = re.compile(r"-?[0-9]{1,3}(\.5)?")
_POINT = re.compile(rf"({_NUMBER.pattern}),({_NUMBER.pattern})")


@dataclass(frozen=True)
class Placement:
    """Where one part stands.

    Attributes
    ----------
    at : Point
        Of the first pin; of the base, gate or grid of a device, and of the non-inverting input
        of an op-amp.
    along : str
        Direction from there into the part.
    length : float
        Grid steps between the first and the last pin of a part in a line.
    across : str
        Direction, at a right angle, of a device's collector, drain or anode, of the wiper of a
        potentiometer, or of an op-amp's inverting input; empty where the part has none.
    label : str
        Where name and value stand: ``right``, ``left``, ``up``, ``down``, or ``split``, which is
        the name on one side and the value on the other.
    """

    at: Point
    along: str
    length: float = LENGTH
    across: str = ""
    label: str = ""


@dataclass(frozen=True)
class Flag:
    """A named mark at a point; `side` is where it points and its name stands."""

    name: str
    at: Point
    side: str


@dataclass(frozen=True)
class Layout:
    """The drawing of one stage.

    Attributes
    ----------
    stage : str
        Name of the stage that it draws.
    parts : tuple of (part, Placement)
    wires : tuple of tuple of Point
        Corners of each wire, every stretch level or upright.
    rails, ports : tuple of Flag
        Marks of the same name are one node.
    test_points : tuple of Flag
        Those that are neither a rail nor a port.
    """

    stage: str
    parts: tuple[tuple[str, Placement], ...]
    wires: tuple[tuple[Point, ...], ...] = ()
    grounds: tuple[Point, ...] = ()
    rails: tuple[Flag, ...] = ()
    ports: tuple[Flag, ...] = ()
    test_points: tuple[Flag, ...] = ()


@cache
def drawn_stages() -> tuple[str, ...]:
    """The stages whose drawing ships, in alphabetic order."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.yaml")))


def own_drawing(stage: Stage) -> Path | None:
    """The drawing that lies beside a stage's file.

    Returns
    -------
    Path or None
        ``my.drawing.yaml`` beside ``my.yaml``, or ``drawings/my.yaml``; None where there is
        neither, or the stage is not from a file.
    """
    if not stage.file:
        return None
    path = Path(stage.file)
    for one in (path.with_suffix(".drawing.yaml"), path.parent / "drawings" / path.name):
        try:
            if one.is_file():
                return one
        except OSError:  # nothing that can be looked at
            continue
    return None


def load_layout(stage: Stage, path: Path | None = None) -> Layout | None:
    """The drawing of a stage.

    Parameters
    ----------
    stage : Stage
        Says of which kind each part is, and so how it may be placed.
    path : Path, optional
        By default the file that ships under the stage's name.

    Returns
    -------
    Layout or None
        None where no drawing ships, or where the one that ships places other parts: then the
        stage is somebody's own that happens to have this name.

    Raises
    ------
    InputError
        With the place, for a mistake in the file.
    """
    if path is None:
        if stage.name not in drawn_stages():
            return None
        path = FOLDER / f"{stage.name}.yaml"
        top = _top(path, path.name)
        parts = yamlfile.mapping(top.entries["parts"], "parts")
        if set(parts.entries) != {part.name for part in stage.parts}:
            return None
        return _layout(top, stage)
    return _layout(_top(path), stage)


def parts_of(path: Path) -> tuple[str, ...]:
    """The names of the parts that a drawing file places, in its order.

    Raises
    ------
    InputError
        With the place, for a mistake in the file.
    """
    return tuple(yamlfile.mapping(_top(path).entries["parts"], "parts").entries)


def load_what_fits(stage: Stage, path: Path) -> Layout:
    """What of a drawing can still stand, of a stage that has changed since.

    Parts that the stage has no more, or that are of another kind now, are left out, and so are
    marks that name nothing; wires are as they were, and may join what they should not.

    Raises
    ------
    InputError
        With the place, for a mistake in the file.
    """
    top = _top(path)
    known = {part.name: part for part in stage.parts}
    parts = yamlfile.mapping(top.entries["parts"], "parts")
    kept: dict[str, Node] = {}
    for name, node in parts.entries.items():
        if name in known:
            try:
                _placement(node, known[name].kind, len(known[name].nodes))
            except InputError:  # it was of another kind, and has to be placed anew
                continue
            kept[name] = node
    fits = Mapping(kept, {name: parts.keys[name] for name in kept}, parts.place)
    entries: dict[str, Node] = {**top.entries, "parts": fits}
    layout = _layout(replace(top, entries=entries), stage)
    rails = {rail.name for rail in stage.rails}
    ports = {stage.input, stage.output, stage.input_return}
    return replace(
        layout, stage=stage.name, rails=tuple(f for f in layout.rails if f.name in rails),
        ports=tuple(f for f in layout.ports if f.name in ports and f.name not in rails),
    )


def _top(path: Path, shown: str = "") -> Mapping:
    return yamlfile.mapping(yamlfile.read(path, shown), "a drawing", _KEYS, ("drawing", "parts"))


def _layout(top: Mapping, stage: Stage) -> Layout:
    parts = yamlfile.mapping(
        top.entries["parts"], "parts", [part.name for part in stage.parts]
    )
    wires = top.get("wires")
    grounds = top.get("grounds")
    return Layout(
        stage=yamlfile.text(top.entries["drawing"], "the stage's name"),
        parts=tuple(
            (name, _placement(node, stage.part(name).kind, len(stage.part(name).nodes)))
            for name, node in parts.entries.items()
        ),
        wires=() if wires is None else tuple(_wire(x) for x in yamlfile.items(wires, "wires")),
        grounds=() if grounds is None else _points(grounds),
        rails=_flags(top.get("rails")),
        ports=_flags(top.get("ports")),
        test_points=_flags(top.get("test points")),
    )


def _placement(node: Node, kind_name: str, pins: int) -> Placement:
    words = [yamlfile.scalar(word, "a word of a placement") for word in
             yamlfile.items(node, "a placement")]
    if len(words) < 3:
        raise InputError(
            "this places no part", place=node.place, expected="[across, down, direction, …]"
        )
    at = (_number(words[0]), _number(words[1]))
    along = yamlfile.choice(words[2], "direction", DIRECTIONS)
    length, across, label = LENGTH, "", ""
    for word in words[3:]:
        if _NUMBER.fullmatch(word.value):
            length = _number(word)
        elif word.value in DIRECTIONS:
            across = word.value
        else:
            label = yamlfile.choice(word, "side of a label", LABELS).removeprefix("label ")
    wants = _bent(kind_name, pins)
    if wants != bool(across) or (across and _axis(across) == _axis(along)):
        raise InputError(
            f"a {kind_name} of {pins} pins is placed by {'two directions' if wants else 'one'}",
            place=node.place,
            expected="up or down beside left or right" if wants else "one direction",
        )
    if length < 2.0:
        raise InputError("a symbol is longer than this", place=node.place, expected="2 or more")
    return Placement(at, along, length, across, label)


def _bent(kind_name: str, pins: int) -> bool:
    """Whether a placement needs a second direction: all but parts in a line and transformers."""
    return pins > 2 and kind(kind_name).family != "transformer"


def _axis(direction: str) -> bool:
    return direction in ("left", "right")


def _number(word: Text) -> float:
    if not _NUMBER.fullmatch(word.value):
        raise InputError(
            f"{word.value!r} is no place on the grid", place=word.place, expected="12 or 12.5"
        )
    return float(word.value)


def _points(node: Node) -> tuple[Point, ...]:
    written = yamlfile.scalar(node, "points")
    points = []
    for word in written.value.split():
        match = _POINT.fullmatch(word)
        if match is None:
            raise InputError(
                f"{word!r} is no point", place=written.place, expected="across,down such as 12,4.5"
            )
        points.append((float(match[1]), float(match[3])))
    return tuple(points)


def _wire(node: Node) -> tuple[Point, ...]:
    corners = _points(node)
    if len(corners) < 2:
        raise InputError("a wire has two ends", place=node.place, expected="two points or more")
    for (x0, y0), (x1, y1) in pairwise(corners):
        if (x0 == x1) == (y0 == y1):
            raise InputError(
                f"this wire is not level or upright from {x0:g},{y0:g} to {x1:g},{y1:g}",
                place=node.place,
                expected="stretches that change one number",
            )
    return corners


def _flags(node: Node | None) -> tuple[Flag, ...]:
    """Marks by name; a name with several stands as a list of them."""
    if node is None:
        return ()
    flags = []
    for name, entry in yamlfile.mapping(node, "marks").entries.items():
        members = yamlfile.items(entry, "a mark")
        several = members and isinstance(members[0], yamlfile.Items)
        for mark in members if several else (entry,):
            words = [yamlfile.scalar(w, "a word of a mark") for w in yamlfile.items(mark, "a mark")]
            if len(words) != 3:
                raise InputError(
                    "this is no mark", place=mark.place, expected="[across, down, direction]"
                )
            side = yamlfile.choice(words[2], "direction", DIRECTIONS)
            flags.append(Flag(name, (_number(words[0]), _number(words[1])), side))
    return tuple(flags)
