"""One mistake a file: each gives one message that shows the place and says what was expected.

The first line of each file in ``bad/`` says what its message must hold (words apart by ``;``) and
where it must point: ``# expect: words; words @ line:column``, ``*`` for wherever, ``-`` for the
file as a whole. Of a netlist it is a remark, which begins with ``*``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.spice.importing import imported
from circuits.spice.reading_in import text_of
from diagnose.sheet.case import load_case

BAD = sorted(path for path in Path(__file__).with_name("bad").iterdir() if path.is_file())


def expectation(path: Path) -> tuple[list[str], str]:
    first = path.read_bytes().split(b"\n")[0].decode("utf-8")
    words, where = first.lstrip("#*").removeprefix(" expect:").rsplit("@", 1)
    return [word.strip() for word in words.split(";")], where.strip()


def read_netlist(path: Path) -> object:
    return imported(text_of(path), str(path), path.parent)


def refusal(path: Path) -> InputError:
    loaders = {"case": load_case, "stage": load_stage, "unit": load_stage, "netlist": read_netlist}
    load = loaders[path.name.partition("-")[0]]
    with pytest.raises(InputError) as caught:
        load(path)
    return caught.value


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_one_mistake_gives_one_message(path: Path) -> None:
    words, where = expectation(path)
    error = refusal(path)
    text = error.render()
    for word in words:
        assert word in text
    assert error.__cause__ is None
    assert error.__suppress_context__ or error.__context__ is None
    place = error.place
    assert place is not None
    assert Path(place.file) == path
    if where == "-":
        assert place.line == 0
        return
    if where != "*":
        assert f"{place.line}:{place.column}" == where
    head, row, caret, *rest = text.split("\n")
    assert head.startswith(f"{path}:{place.line}:{place.column}: ")
    line = path.read_bytes().decode("utf-8", "replace").split("\n")[place.line - 1]
    assert len(row) - 4 <= len(line)
    assert row[4:9] == "".join(c if c.isprintable() else "?" for c in line.replace("\t", " "))[:5]
    assert caret == " " * (place.column + 3) + "^"
    assert place.column <= len(line) + 1
    assert rest[0].startswith("expected: ")
    assert len(rest) <= 2


def test_there_are_enough_of_them() -> None:
    assert len(BAD) >= 100
