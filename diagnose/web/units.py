"""Units of several stages among one's own: a unit file and the stages of its chain beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from circuits.errors import AmplifierError, InputError, Place
from circuits.load import load_stage, stage_names
from circuits.spliced import Piece, Splices, pieces
from circuits.textfile import place_at
from circuits.unitfile import KEY
from circuits.yamlfile import Mapping as Tree
from circuits.yamlfile import Text, quoted
from diagnose.web.checked import keep_inside
from diagnose.web.desk import desk
from diagnose.web.shelf import DEVICES
from diagnose.web.stage_shelf import DRAWING, MEMBER, STAGE, KeptStage, label_of

_YAML = (".yaml", ".yml")
BLANK_UNIT = """\
unit: my-unit
title: A unit of my own
chain:                # in the order of the signal
"""


@dataclass(frozen=True)
class Link:
    """One stage of a chain, as the page lists it.

    Attributes
    ----------
    name, stage : str
        What the unit calls it, and the stage file or the stage that ships.
    title : str
    parts : int
    problem : str
        Why it cannot be read; empty where it can.
    """

    name: str
    stage: str
    title: str = ""
    parts: int = 0
    problem: str = ""


def is_unit(text: str) -> bool:
    """Whether a text is a unit file, however wrong: `unit` is its first key."""
    try:
        top = pieces(text)
    except InputError:
        return False
    return top.shape == "map" and bool(top.pairs) and top.pairs[0][0].value == KEY


def chain_of(text: str, folder: Path) -> list[dict[str, object]] | None:
    """The stages of a unit in their order, as data for the page; None for what is no unit."""
    if not is_unit(text):
        return None
    return [asdict(_link(member, folder)) for member in _members(text)]


def _members(text: str) -> tuple[Piece, ...]:
    chain = pieces(text).get("chain")
    return () if chain is None or chain.shape != "list" else tuple(
        item for item in chain.items if item.shape == "map")


def _word(member: Piece, key: str) -> str:
    value = member.get(key)
    return value.value if value is not None and value.shape == "text" else ""


def _link(member: Piece, folder: Path) -> Link:
    name, word = _word(member, "name"), _word(member, "stage")
    try:
        here = Place(STAGE)
        keep_inside(Tree({"stage": Text(word, here)}, {}, here), folder)
        stage = load_stage(word, folder)
    except InputError as error:
        return Link(name, word, problem=error.message)
    except AmplifierError as error:
        return Link(name, word, problem=str(error))
    return Link(name, word, stage.title, len(stage.parts))


def keep_unit(name: str, body: bytes, others: Mapping[str, bytes]) -> KeptStage:
    """Keep a unit file that somebody has, with its stages and the devices that these name.

    Raises
    ------
    InputError
        For what is no text, and for all stages of the chain that are not among the files.
    """
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{name} is not plain text", expected="UTF-8") from None
    called = {_base(given): _kept_as(_base(given)) for given in others
              if given.lower().endswith(_YAML) and not given.endswith(DRAWING)}
    edit, missing = Splices(text), []
    for member in _members(text):
        value = member.get("stage")
        if value is None or value.shape != "text" or value.value in stage_names():
            continue
        base = _base(value.value)
        if base not in called:
            missing.append(InputError(
                f"the stage {value.value!r} of this unit is not among the files",
                place=place_at(text, value.start, _base(name)),
                expected="the unit file together with all stage files of its chain",
                choices=called, given=base))
        elif value.value != called[base]:
            edit.value(value, quoted(called[base]))
    if missing:
        raise InputError.together(missing)
    files = {called[_base(given)]: content for given, content in others.items()
             if _base(given) in called}
    for given, content in others.items():  # the drawings of its stages
        drawn = called.get(_base(given).removesuffix(DRAWING) + MEMBER)
        if given.endswith(DRAWING) and drawn is not None:
            files[drawing_of(drawn)] = content
    files |= {given: content for given, content in others.items()
              if given.lower().endswith(DEVICES)}
    return desk().stages.add(edit.done(), label_of(Path(name).stem, text).stage or "unit", files)


def _base(given: str) -> str:
    return re.split(r"[/\\]", given)[-1]


def drawing_of(member: str) -> str:
    """The name of the drawing that lies beside the file of a stage."""
    return Path(member).stem + DRAWING


def _kept_as(base: str) -> str:
    """The name that a stage of a chain is kept under; never that of the unit file itself."""
    path = Path(base)
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).strip("-")[:60] or "member"
    return f"{stem}-1.yaml" if f"{stem}.yaml" == STAGE else f"{stem}.yaml"


def with_member(kept: KeptStage, source: str) -> tuple[str, dict[str, bytes]]:
    """A unit file with one more stage at the end of its chain, and the files that come with it.

    Parameters
    ----------
    source : str
        A stage that ships, or the name of one of one's own, of which a copy is taken.

    Raises
    ------
    InputError
        For a unit, and for what is no stage.
    """
    if not is_unit(kept.text):
        raise InputError("this is no unit of several stages", expected="a unit file")
    files: dict[str, bytes] = {}
    if source in stage_names():
        word = base = source
    else:
        other = desk().stages.load(source)
        if is_unit(other.text):
            raise InputError("this is a unit itself", expected="a stage")
        base = label_of(source, other.text).stage or source
        word = _kept_as(f"{_slug(base)}.yaml")
        here = {path.name: path for path in desk().stages.files(kept.name)}
        while word in here and here[word].read_bytes() != other.text.encode():
            word = f"{Path(word).stem}-2.yaml"
        files[word] = other.text.encode()
        if other.drawing.is_file():
            files[drawing_of(word)] = other.drawing.read_bytes()
        files |= {path.name: path.read_bytes() for path in desk().stages.files(source)
                  if path.suffix in DEVICES}
    names = {_word(member, "name") for member in _members(kept.text)}
    name, count = _slug(base), 1
    # none may begin as another does, see `circuits.unitfile`
    while any(name.startswith(other) or other.startswith(name) for other in names):
        count += 1
        name = f"s{count}-{_slug(base)}"
    return _appended(kept.text, f"{{name: {quoted(name)}, stage: {quoted(word)}}}"), files


def _slug(word: str) -> str:
    slug = re.sub(r"[^A-Za-z0-9-]+", "-", word).strip("-")
    return slug if slug[:1].isalpha() else f"stage-{slug}"


def _appended(text: str, member: str) -> str:
    """The text of a unit with one more member at the end of its chain."""
    edit = Splices(text)
    pair = next((pair for pair in pieces(text).pairs if pair[0].value == "chain"), None)
    if pair is None:
        edit.put(len(edit.text), len(edit.text), f"chain:\n  - {member}\n")
        return edit.done()
    key, chain = pair
    if chain.shape == "list" and chain.flow:
        stop = chain.items[-1].stop if chain.items else chain.start + 1
        edit.put(stop, stop, f"{', ' if chain.items else ''}{member}")
        return edit.done()
    indent, last = "  ", max(key.stop, chain.stop)
    if chain.shape == "list" and chain.items:
        first, last = chain.items[0].start, chain.items[-1].stop
        row = edit.text.rfind("\n", 0, first) + 1
        indent = edit.text[row : edit.text.find("-", row)]
    end = edit.text.find("\n", last - 1)
    at = len(edit.text) if end < 0 else end + 1
    edit.put(at, at, f"{indent}- {member}\n")
    return edit.done()
