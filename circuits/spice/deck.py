"""A netlist taken apart: its definitions, what it includes, and what is left out of it.

Nothing in it is run. Files are included from its own folder alone, whatever a path says.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from circuits.errors import InputError, Place
from circuits.spice.expression import Function, stripped, tokens
from circuits.spice.words import Card, Source, Word, cards, joined, notes, source
from circuits.textfile import contents

MOST_INCLUDED = 20
"""Files that a netlist and what it includes may name, and levels that they may be nested."""

_ANALYSES = (
    "tran", "ac", "dc", "op", "noise", "four", "fourier", "tf", "sens", "pz", "disto", "sp", "hb",
)
_OUTPUT = (
    "plot", "print", "probe", "meas", "measure", "save", "width", "wave", "backanno", "view",
    "graphical_window", "net",
)
_SETTINGS = ("options", "option", "opt", "ic", "nodeset", "title", "csparam", "tnom")
_CHOICES = (".subckt", ".model", ".param", ".include", ".lib", ".func", ".global", ".end")


@dataclass(frozen=True)
class Left:
    """What a netlist says that a stage has no use for."""

    what: str
    why: str
    place: Place


@dataclass(frozen=True)
class Assigned:
    """The text of a value, and where it stands."""

    text: str
    word: Word


Assignments = dict[str, Assigned]


@dataclass
class ModelCard:
    """A `.model` as written: its parameters are not worked out yet."""

    name: str
    type: str
    word: Word
    parameters: Assignments
    flags: tuple[str, ...] = ()
    base: str = ""


@dataclass
class Definition:
    """A subcircuit, or the netlist itself: what is written between its first and last line."""

    name: str
    word: Word | None = None
    pins: tuple[Word, ...] = ()
    parameters: Assignments = field(default_factory=dict)
    elements: list[Card] = field(default_factory=list)
    models: dict[str, ModelCard] = field(default_factory=dict)
    inner: dict[str, Definition] = field(default_factory=dict)
    outer: Definition | None = None

    def definition(self, name: str) -> Definition | None:
        """The subcircuit of that name as seen from here."""
        here: Definition | None = self
        while here is not None:
            if name in here.inner:
                return here.inner[name]
            here = here.outer
        return None

    def names(self) -> list[str]:
        """The subcircuits that can be seen from here."""
        above = self.outer.names() if self.outer else []
        return [*self.inner, *above]


@dataclass
class Deck:
    """A whole netlist."""

    title: str
    root: Definition
    name: str = ""
    functions: dict[str, Function] = field(default_factory=dict)
    common: set[str] = field(default_factory=lambda: {"0"})
    left: list[Left] = field(default_factory=list)
    notes: list[Word] = field(default_factory=list)
    temperature: float | None = None
    sources: int = 0


Include = Callable[[str, Word], str]
"""The text of a file that is included, by its name as written."""


def read(text: str, name: str, folder: Path | None, title: bool = True) -> Deck:
    """A netlist taken apart.

    Parameters
    ----------
    text : str
        Of the netlist.
    name : str
        Of its file, in messages.
    folder : Path or None
        Where included files lie; None refuses them.
    title : bool
        Whether the first line is a title.

    Raises
    ------
    InputError
        With the place.
    """
    top = source(text, name)
    deck = Deck(top.rows[0].strip() if title and top.rows else "", Definition(""), name)
    deck.notes = notes(top)
    _Builder(deck, folder).take(top, title)
    return deck


def assigned(words: Sequence[Word]) -> tuple[list[Word], Assignments]:
    """Words apart from ``name=value`` pairs; a value may be several words up to the next pair.

    Raises
    ------
    InputError
        For an equals sign without a name or a value.
    """
    marks = [k for k, word in enumerate(words) if word.text == "="]
    if not marks:
        return list(words), {}
    pairs: Assignments = {}
    for k, mark in enumerate(marks):
        stop = marks[k + 1] - 1 if k + 1 < len(marks) else len(words)
        if mark == 0 or mark + 1 >= stop or words[mark - 1].text in "(),":
            raise words[mark].refuse("this = has no name or no value", "name=value")
        value = [w for w in words[mark + 1 : stop] if w.text not in ","] or [words[mark]]
        pairs[words[mark - 1].low] = Assigned(joined(value), value[0])
    return list(words[: marks[0] - 1]), pairs


class _Builder:
    """Sorts the cards of one netlist and of what it includes."""

    def __init__(self, deck: Deck, folder: Path | None) -> None:
        self.deck = deck
        self.folder = folder
        self.here = deck.root
        self.control = False
        self.ended = False
        self.rows = 0

    def take(self, text: Source, title: bool, section: str = "", depth: int = 0) -> None:
        self.rows += len(text.rows)
        self.deck.sources += 1
        if self.deck.sources > MOST_INCLUDED or depth > MOST_INCLUDED:
            raise InputError("this netlist includes too many files", place=Place(text.name, 1, 1),
                             expected=f"at most {MOST_INCLUDED}")
        inside = not section
        found = not section
        for card in cards(text, title):
            low = card.head.low
            if section:
                if low == ".lib" and len(card.words) == 2:
                    inside = card.words[1].low == section
                    found |= inside
                    continue
                if low == ".endl":
                    inside = False
                    continue
            if inside:
                self.card(card, depth)
            if self.ended and depth == 0:
                break
        self.ended = False
        if not found:
            raise InputError(f"there is no section {section!r}", place=Place(text.name),
                             expected=f".lib {section}")
        if depth == 0:
            self.closed()

    def closed(self) -> None:
        if self.here is not self.deck.root:
            assert self.here.word is not None
            raise self.here.word.refuse(f"the subcircuit {self.here.name} does not end", ".ends")

    def card(self, card: Card, depth: int) -> None:
        low = card.head.low
        if self.control:
            self.control = low != ".endc"
        elif not low.startswith("."):
            self.here.elements.append(card)
        else:
            self.dot(low[1:], card, depth)

    def dot(self, word: str, card: Card, depth: int) -> None:
        if word == "control":
            self.control = True
            self.leave(card, "commands of a simulator are never run")
        elif word in ("include", "inc", "incl"):
            self.include(card, depth)
        elif word == "lib":
            self.library(card, depth)
        elif word == "subckt":
            self.open(card)
        elif word == "ends":
            self.close(card)
        elif word == "end":
            self.ended = True
        elif word == "model":
            made = model(card)
            self.here.models[made.name] = made
        elif word in ("param", "params", "parameter"):
            self.parameters(card)
        elif word == "func":
            self.function(card)
        elif word == "global":
            self.deck.common.update(w.low for w in card.plain[1:])
        elif word in ("temp", "temperature"):
            self.leave(card, "a stage is simulated at 27 °C")
        elif word in _ANALYSES:
            self.leave(card, "an analysis")
        elif word in _OUTPUT:
            self.leave(card, "output of a simulation")
        elif word in _SETTINGS:
            self.leave(card, "a setting of the simulation")
        elif word in ("if", "elseif", "else", "endif"):
            raise card.head.refuse("a netlist with branches cannot be read",
                                   "the branch that is meant, without .if", )
        elif word in ("endc", "endl"):
            pass
        elif word in ("system", "shell", "exec"):
            self.leave(card, "commands are never run")
        else:
            raise card.head.refuse(f"{card.head.text!r} is no statement that is known here",
                                   "a statement of SPICE", _CHOICES, low_choice(card.head))

    def leave(self, card: Card, why: str) -> None:
        self.deck.left.append(Left(card.text()[:60], why, card.head.place))

    def open(self, card: Card) -> None:
        words = [w for w in card.words if w.text not in "(),"]
        if len(words) < 2:
            raise card.head.refuse("a subcircuit has a name and pins", ".subckt NAME pin pin")
        words = [w for w in words if w.low not in ("params:", "params", ":")]
        pins, pairs = assigned(words[2:])
        if not pins:
            raise words[1].refuse(f"the subcircuit {words[1].text} has no pins", "at least one")
        made = Definition(words[1].low, words[1], tuple(pins), pairs, outer=self.here)
        self.here.inner[made.name] = made
        depth, above = 0, self.here.outer
        while above is not None:
            depth, above = depth + 1, above.outer
        if depth >= MOST_INCLUDED:
            raise words[1].refuse("subcircuits are nested too deeply", f"{MOST_INCLUDED} levels")
        self.here = made

    def close(self, card: Card) -> None:
        if self.here.outer is None:
            raise card.head.refuse("no subcircuit is open here", ".subckt above it")
        self.here = self.here.outer

    def parameters(self, card: Card) -> None:
        rest, pairs = assigned(card.words[1:])
        if rest or not pairs:
            raise (rest or [card.head])[0].refuse("this is no parameter", ".param name=value")
        self.here.parameters.update(pairs)

    def function(self, card: Card) -> None:
        match = re.fullmatch(r"\.func\s+(\w+)\s*\(([^)]*)\)\s*=?\s*(.+)", card.text(),
                             re.IGNORECASE)
        if match is None:
            raise card.head.refuse("this is no function", ".func name(x) {x*2}")
        given = tuple(name.strip().lower() for name in match[2].split(",") if name.strip())
        body = tuple(tokens(stripped(match[3].strip()), card.head))
        self.deck.functions[match[1].lower()] = Function(given, body)

    # -- files -----------------------------------------------------------------------------------

    def include(self, card: Card, depth: int) -> None:
        if len(card.words) < 2:
            raise card.head.refuse("this includes nothing", '.include "file"')
        word = card.words[1]
        name = stripped(joined(card.words[1:]))
        self.take(self.file(name, word), False, depth=depth + 1)

    def library(self, card: Card, depth: int) -> None:
        if len(card.words) < 2:
            raise card.head.refuse("this names no library", '.lib "file" section')
        word = card.words[1]
        section = card.words[2].low if len(card.words) > 2 else ""
        self.take(self.file(stripped(word.text), word), False, section, depth + 1)

    def file(self, name: str, word: Word) -> Source:
        """A file inside the folder of the netlist."""
        if self.folder is None:
            raise word.refuse("nothing can be included here", "its text in the netlist itself")
        home = self.folder.resolve()
        outside = "a file in the folder of the netlist, by its name"
        if "\\" in name or name.startswith(("~", "/", "$")) or re.match(r"[A-Za-z]:", name):
            raise word.refuse(f"{name!r} leads out of the folder of the netlist", outside)
        try:
            path = (home / name).resolve()
        except (OSError, ValueError, RuntimeError):
            raise word.refuse(f"{name!r} is no file", outside) from None
        if not path.is_relative_to(home):
            raise word.refuse(f"{name!r} leads out of the folder of the netlist", outside)
        if not path.is_file():
            raise word.refuse(f"there is no file {name!r} beside the netlist", outside)
        return source(contents(path, name), name)


def low_choice(word: Word) -> str:
    """A word as it is compared with the known ones."""
    return word.low


def model(card: Card) -> ModelCard:
    """A `.model` statement.

    Raises
    ------
    InputError
        Without a name and a type.
    """
    words = list(card.plain)
    if len(words) < 3 or words[1].text == "=" or words[2].text == "=":
        raise card.head.refuse("a model has a name and a type", ".model NAME npn(BF=200)")
    name, kind, base, rest = words[1], words[2], "", words[3:]
    if kind.low.startswith("ako"):
        base = kind.low.removeprefix("ako").removeprefix(":")
        if not base and rest:
            base, rest = rest[0].low, rest[1:]
        kind = rest[0] if rest and rest[0].text != "=" and (
            len(rest) < 2 or rest[1].text != "=") else kind
        rest = rest[1:] if rest and rest[0] is kind else rest
    flags, pairs = _model_pairs(rest)
    type_ = "" if kind.low.startswith("ako") else kind.low
    return ModelCard(name.low, type_, name, pairs, flags, base)


def _model_pairs(words: Sequence[Word]) -> tuple[tuple[str, ...], Assignments]:
    """Parameters of a model, and words that stand without a value, such as ``pchan``."""
    flags: list[str] = []
    pairs: Assignments = {}
    k = 0
    while k < len(words):
        if k + 2 < len(words) and words[k + 1].text == "=":
            pairs[words[k].low] = Assigned(words[k + 2].text, words[k + 2])
            k += 3
        elif words[k].text == "=" or (k + 1 < len(words) and words[k + 1].text == "="):
            raise words[k].refuse("this parameter has no value", "name=value")
        else:
            flags.append(words[k].low)
            k += 1
    return tuple(flags), pairs


Models = Mapping[str, ModelCard]
