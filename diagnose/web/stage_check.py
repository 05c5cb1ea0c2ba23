"""What is wrong with a stage as it is typed, field by field, and what of it can be drawn.

Parts are read one by one, so that each has its own mistake and what can be read is drawn; how they
are joined is looked at once all of them can be read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from circuits import unitfile, yamlfile
from circuits.errors import AmplifierError, InputError, Place
from circuits.load import stage_of_text
from circuits.mistakes import mistakes
from circuits.part import Part
from circuits.partfile import read_parts
from circuits.rail import Rail
from circuits.spice.own_devices import own_devices
from circuits.spliced import pieces
from circuits.stage import GROUND, Stage
from circuits.stagefile import read_rails
from circuits.textfile import LINE_END
from circuits.yamlfile import Mapping, Text
from diagnose.web.checked import keep_inside, sentence
from diagnose.web.stage_shelf import STAGE
from diagnose.web.stage_table import Table, spans, unreadable

MISTAKE, FINDING = "mistake", "finding"
"""What the loader refuses; what can be read and cannot work."""
_NO_PAIRS = "this is not understood; expected: key: value, with a comma before the next"
_EMPTY = ("a stage file has no 'parts'", "this stage has no parts")
"""What a stage that was just begun is told, in the loader's words."""
_EMPTY_UNIT = ("a unit file has no 'chain'", "this chain has no stages")
"""The same of a unit."""
_LACKS = re.compile(r"has no '?(kind|nodes|value|model|volts)\b")
"""What a row lacks is told at the field where it is to be typed."""


@dataclass(frozen=True)
class StageProblem:
    """What is wrong, and the field of the table that it stands in; empty for the whole file.

    Attributes
    ----------
    kind : {"mistake", "finding"}
    place : str
        Line and column in the file, for who types there.
    """

    field: str
    text: str
    kind: str = MISTAKE
    place: str = ""


@dataclass(frozen=True)
class CheckedStage:
    """A stage as it was understood.

    Attributes
    ----------
    stage : Stage or None
        None while something is refused.
    drawn : Stage or None
        The same, or what of it can be drawn meanwhile: parts that can be read.
    """

    stage: Stage | None
    drawn: Stage | None
    problems: tuple[StageProblem, ...]


def check_stage(text: str, folder: Path, table: Table | None) -> CheckedStage:
    """Read a stage as it is typed.

    Parameters
    ----------
    folder : Path
        Where files of devices lie that it names; nothing else is read.
    table : Table or None
        Whose rows the mistakes are told at; None where only the text is there.
    """
    found = [*_unnamed(table)]
    try:
        tree = yamlfile.tree(text, STAGE)
    except InputError as error:
        found.append(_problem(error, text, table))
        return CheckedStage(None, None, tuple(found))
    drawn, wrong = _drawn(tree, folder, found, text, table)
    try:
        if unitfile.is_unit(tree):
            keep_inside(tree, folder)
        stage = stage_of_text(text, STAGE, folder)
    except InputError as error:
        for one in (error, *error.also):
            told = _problem(one, text, table)
            # how parts are joined tells nothing while some of them cannot be read
            if not wrong and told not in found:
                found.append(told)
        return CheckedStage(None, drawn, tuple(found))
    except AmplifierError as error:
        return CheckedStage(None, drawn, (*found, StageProblem("", str(error))))
    rows = {} if table is None else {row["name"]: k for k, row in enumerate(table["parts"])}
    for state in mistakes(stage):
        field = f"parts/{rows[state.part]}" if state.part in rows else ""
        name = "" if field else f"{state.part}: "
        found.append(StageProblem(field, f"{name}{state.state}: {state.why}", FINDING))
    return CheckedStage(stage, stage, tuple(found))


def _unnamed(table: Table | None) -> list[StageProblem]:
    """Rows with no name, and pairs that are none: what a file cannot hold yet."""
    found = []
    for name, what in (("parts", "a reference, such as R1"), ("rails", "a node"),
                       ("points", "a node")):
        for k, row in enumerate(table[name] if table else ()):
            typed = any(text for word, text in row.items() if word not in ("was", "name"))
            if typed and not row["name"]:
                found.append(StageProblem(f"{name}/{k}/name", f"this row needs {what}"))
    return [*found, *(StageProblem(field, _NO_PAIRS) for field in unreadable(table or {}))]


def _drawn(
    tree: yamlfile.Node, folder: Path, found: list[StageProblem], text: str, table: Table | None
) -> tuple[Stage | None, bool]:
    """What can be drawn of a stage with mistakes; notes those of its parts."""
    if not isinstance(tree, Mapping) or not isinstance(tree.get("parts"), Mapping):
        return None, False
    node = tree.entries["parts"]
    assert isinstance(node, Mapping)
    named = tree.get("devices")
    try:
        own = None if named is None else own_devices(
            yamlfile.scalar(named, "devices"), folder)
    except InputError:
        own = None
    parts: list[Part] = []
    before = len(found)
    for name, entry in node.entries.items():
        one = Mapping({name: entry}, {name: node.keys[name]}, node.place)
        try:
            parts += read_parts(one, own)[0]
        except InputError as error:
            found.append(_problem(error, text, table))
    wrong = len(found) > before
    if not parts:
        return None, wrong
    ports = tree.get("ports")
    ends = {key: value.value for key, value in ports.entries.items()
            if isinstance(value, Text)} if isinstance(ports, Mapping) else {}
    nodes = [node for part in parts for node in part.nodes if node != GROUND] or [GROUND]
    name, title = (node.value if isinstance(node, Text) and node.value else "stage"
                   for node in (tree.get("stage"), tree.get("title")))
    return Stage(
        name, tuple(parts), title, rails=_rails(tree, parts), input=ends.get("input") or nodes[0],
        output=ends.get("output") or nodes[-1],
        input_return=ends.get("return") or GROUND,
    ), wrong


def _rails(tree: Mapping, parts: list[Part]) -> tuple[Rail, ...]:
    used = {node for part in parts for node in part.nodes}
    try:
        return tuple(rail for rail in read_rails(tree.get("rails"))[1] if rail.name in used)
    except InputError:
        return ()


def _problem(error: InputError, text: str, table: Table | None) -> StageProblem:
    if error.message.startswith(_EMPTY):
        return StageProblem("parts", "there are no parts yet")
    if error.message.startswith(_EMPTY_UNIT):
        return StageProblem("", "there are no stages in the chain yet")
    place = error.place
    if place is None or not place.line or Path(place.file).name != STAGE:
        where = f" ({Path(place.file).name}, line {place.line})" if place and place.line else ""
        return StageProblem("", sentence(error) + where)
    field = "" if table is None else _field(place, text, table)
    lacks = _LACKS.search(error.message)
    if lacks and field.startswith(("parts/", "rails/")) and field.endswith("/name"):
        field = field.removesuffix("name") + lacks[1]
    return StageProblem(field, sentence(error), place=f"line {place.line}, column {place.column}")


def _field(place: Place, text: str, table: Table) -> str:
    """The narrowest field at a place, or the last that begins before it in its row."""
    at = sum(len(row) for row in _rows(text)[: place.line - 1]) + place.column - 1
    try:
        fields = spans(text, table)
    except InputError:
        return ""
    around = [span for span in fields if span.start <= at < span.stop]
    if not around:
        return _missing(at, text)
    inner = min(around, key=lambda span: span.stop - span.start)
    if inner.field.count("/") == 1 and not inner.field.startswith("head"):
        before = [s for s in fields if s.field.startswith(inner.field + "/") and s.start <= at]
        return max(before, key=lambda span: span.start).field if before else inner.field
    return inner.field


def _missing(at: int, text: str) -> str:
    """A section that is told of as a whole."""
    for key, value in pieces(text).pairs:
        if key.start <= at < max(value.stop, key.stop + 1):
            return {"ports": "head/input", "parts": "parts", "rails": "rails",
                    "test points": "points"}.get(key.value, "")
    return ""


def _rows(text: str) -> list[str]:
    """The lines with their ends."""
    ends = [found.end() for found in LINE_END.finditer(text)]
    return [text[a:b] for a, b in zip([0, *ends], [*ends, len(text)], strict=True)]


