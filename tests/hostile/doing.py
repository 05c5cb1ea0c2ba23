"""How each part of the campaign takes an input: a file read, a command run, a page asked."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from tests.hostile.campaign import KEPT

if TYPE_CHECKING:
    from tests.hostile.formats import Format

Doing = Callable[[Random], tuple[str, Callable[[], str]]]
"""The chance of an input → its kind, and what does it."""


@contextmanager
def _loaders(folder: Path) -> Iterator[Doing]:
    from tests.hostile.formats import FORMATS
    from tests.hostile.judge import ending

    def doing(chance: Random) -> tuple[str, Callable[[], str]]:
        kind = chance.choices([*FORMATS], [one.share for one in FORMATS.values()])[0]
        path = FORMATS[kind].make(chance, folder / "input")
        return kind, lambda: ending(lambda: FORMATS[kind].read(path))

    yield doing


@contextmanager
def _further(folder: Path) -> Iterator[Doing]:
    from tests.hostile.formats_more import further

    yield _read(further(), folder)


@contextmanager
def _cards(folder: Path) -> Iterator[Doing]:
    from tests.hostile.formats_more import cards

    yield _read(cards(), folder)


def _read(formats: Mapping[str, Format], folder: Path) -> Doing:
    from tests.hostile.judge import ending

    def doing(chance: Random) -> tuple[str, Callable[[], str]]:
        kind = chance.choice(sorted(formats))
        path = formats[kind].make(chance, folder / "input")
        return kind, lambda: ending(lambda: formats[kind].read(path))

    return doing


@contextmanager
def _commands(folder: Path) -> Iterator[Doing]:
    from tests.hostile import commands

    def doing(chance: Random) -> tuple[str, Callable[[], str]]:
        there = folder / "input"
        words = commands.words_of(chance, there)
        there.mkdir(exist_ok=True)
        kind = (
            words[0]
            if words[0] in ("rank", "next", "report", "stages", "sheet", "study", "measure")
            else "others"
        )
        return kind, lambda: commands.run(words, KEPT / "store", there)

    yield doing


@contextmanager
def _options(folder: Path) -> Iterator[Doing]:
    from tests.hostile import commands, options

    def doing(chance: Random) -> tuple[str, Callable[[], str]]:
        there = folder / "input"
        words = options.words_of(chance, there)
        kind = "cluster" if any(w.startswith("--cluster") for w in words) else words[0]
        return kind, lambda: commands.run(words, KEPT / "store", there)

    yield doing


@contextmanager
def _page(folder: Path) -> Iterator[Doing]:
    from diagnose.web.app import make_app
    from diagnose.web.desk import KEY
    from tests.hostile import page

    app = make_app(folder / "sheets", workers=0, cached=False)
    try:
        yield _visits(page.Visitor(page.in_process(app.test_client())))
    finally:
        app.extensions[KEY].close()


@contextmanager
def _served(folder: Path) -> Iterator[Doing]:
    from tests.hostile import page
    from tests.hostile.commands import environment

    command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser"]
    told = {**environment(KEPT / "store"), "AMP_DIAGNOSE_SHEETS": str(folder / "sheets")}
    with (
        subprocess.Popen(
            command, env=told, cwd=folder, stderr=subprocess.PIPE, text=True
        ) as server,
        ExitStack() as stack,
    ):
        stack.callback(server.terminate)
        assert server.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?key=(\w+)", server.stderr.readline())
        assert found
        visits = _visits(page.Visitor(page.served(int(found[1]), found[2])))

        def doing(chance: Random) -> tuple[str, Callable[[], str]]:
            assert server.poll() is None, "the server has ended"
            return visits(chance)

        yield doing


def _visits(visitor: object) -> Doing:
    from tests.hostile.page import Visitor

    assert isinstance(visitor, Visitor)
    return lambda chance: visitor.wish(chance)


DOING: dict[str, Callable[[Path], AbstractContextManager[Doing]]] = {
    "loaders": _loaders,
    "further": _further,
    "cards": _cards,
    "commands": _commands,
    "options": _options,
    "page": _page,
    "served": _served,
}
"""By the part of the campaign: in a folder, for as long as there are inputs."""
