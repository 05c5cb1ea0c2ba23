"""Values of a netlist where they stand: parameters of an instance, names seen from an element."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from circuits.spice import numbers
from circuits.spice.deck import Assigned, Assignments, Deck, Definition
from circuits.spice.expression import evaluate, stripped
from circuits.spice.flat import Doubt
from circuits.spice.words import Word

MOST_DEEP = 30
"""Parameters that follow from each other in a row."""


class Scope:
    """Parameters of one instance; what it has not is looked for where it stands."""

    def __init__(self, own: Assignments, reader: Values, above: Scope | None,
                 values: Mapping[str, float] | None = None) -> None:
        self.own, self.reader, self.above = own, reader, above
        self.values: dict[str, float] = dict(values or {})
        self.busy: set[str] = set()

    def lookup(self, name: str) -> float | None:
        """The value of a parameter as seen from here; None where there is none."""
        if name in self.values:
            return self.values[name]
        if name in self.own:
            if name in self.busy or self.reader.deep >= MOST_DEEP:
                raise self.own[name].word.refuse(f"the parameter {name!r} follows from itself, or "
                                                 f"from more than {MOST_DEEP} others", "a value")
            self.busy.add(name)
            self.reader.deep += 1
            self.values[name] = self.reader.worked_out(self.own[name], self)
            self.reader.deep -= 1
            self.busy.discard(name)
            return self.values[name]
        return self.above.lookup(name) if self.above else None


@dataclass(frozen=True)
class Place:
    """Where an element stands: what is defined there, and what names become outside."""

    definition: Definition
    scope: Scope
    path: str
    pins: Mapping[str, str]
    label: str

    def node(self, name: str, deck: Deck) -> str:
        """The flat name of a node."""
        if name in ("0", "gnd"):
            return "0"
        if name in self.pins:
            return self.pins[name]
        return name if name in deck.common else f"{self.path}{name}"

    def element(self, name: str) -> str:
        """The flat name of an element."""
        return f"{name[0]}.{self.path}{name}" if self.path else name


class Values:
    """Works out values of one netlist, and keeps what may have been meant otherwise."""

    def __init__(self, deck: Deck) -> None:
        self.deck = deck
        self.doubts: list[Doubt] = []
        self.told: set[tuple[str, int]] = set()
        self.deep = 0

    def worked_out(self, given: Assigned, scope: Scope) -> float:
        """A value where expressions need no braces: of a parameter."""
        text = stripped(given.text)
        number = numbers.read(text)
        if number is not None and (not number.doubt or text.isalnum()):
            self.doubted(given.word.text, text, number, "", given.word)
            return number.value
        return evaluate(text, given.word, scope.lookup, self.deck.functions)

    def value(self, word: Word, scope: Scope, letter: str, label: str) -> float:
        """A value as an element has it: a number, or an expression in braces or quotes."""
        if word.text[0] in "{'\"":
            return evaluate(stripped(word.text), word, scope.lookup, self.deck.functions)
        number = numbers.read(word.text, letter)
        if number is None:
            raise word.refuse(f"{word.text!r} is no value",
                              "a number such as 4.7k, or {expression}")
        self.doubted(label, word.text, number, letter, word)
        return number.value

    def doubted(self, label: str, text: str, number: numbers.Number, letter: str,
                word: Word) -> None:
        """Note a number that may have been meant otherwise, once."""
        if not number.doubt or (word.source.name, word.line * 10_000 + word.column) in self.told:
            return
        self.told.add((word.source.name, word.line * 10_000 + word.column))
        self.doubts.append(
            Doubt(label, text, number.value, number.doubt, number.meant, letter, word)
        )
