"""A netlist without hierarchy: every element of every subcircuit, with its values worked out.

Names are those that ngspice gives when it does the same: ``r.x1.r2`` for R2 inside X1, ``x1.n`` for
a node, ``x1:name`` for a model. The tests hold this against what ngspice lists.
"""

from __future__ import annotations

from collections.abc import Mapping

from circuits.errors import InputError
from circuits.errors import Place as FilePlace
from circuits.spice import numbers
from circuits.spice.deck import Assigned, Assignments, Deck, Definition, ModelCard, assigned
from circuits.spice.elements_in import BEHAVING, Elements
from circuits.spice.expression import evaluate, stripped
from circuits.spice.flat import Flat, FlatModel, Inside, Netlist
from circuits.spice.values import Place, Scope
from circuits.spice.words import Card, Word

MOST_ELEMENTS = 3000
"""Elements of a netlist that is taken at all (judgement: a large amplifier has some 300)."""
MOST_LEVELS = 20
"""Subcircuits inside each other."""


def flat(deck: Deck, whole: bool = False) -> Netlist:
    """A netlist without hierarchy.

    Parameters
    ----------
    whole : bool
        Also without the subcircuits that would stay one part.

    Raises
    ------
    InputError
        With the place.
    """
    made = _Flattener(deck, whole)
    root = Scope(deck.root.parameters, made, None)
    try:
        made.expand(deck.root, root, "", {}, 0)
    except RecursionError:
        # parameters that follow from each other through expressions as deep as they may be
        raise InputError("this netlist follows from itself too often", expected="plain values",
                         place=FilePlace(deck.name)) from None
    made.used_models()
    return Netlist(deck.title, made.elements, made.models, made.doubts)


def models_of(deck: Deck) -> dict[str, FlatModel]:
    """Every model that stands in no subcircuit, used or not.

    Raises
    ------
    InputError
        With the place.
    """
    made = _Flattener(deck, True)
    scope = Scope(deck.root.parameters, made, None)
    for name in deck.root.models:
        made.model(name, Place(deck.root, scope, "", {}, ""))
    return made.models


def inside_of(deck: Deck, definition: Definition) -> Inside:
    """A subcircuit by itself, with the parameters that it has of its own.

    Raises
    ------
    InputError
        With the place.
    """
    made = _Flattener(deck, True)
    root = Scope(deck.root.parameters, made, None)
    return made.inside(definition, Scope(definition.parameters, made, root))


def behaves(definition: Definition) -> bool:
    """Whether a subcircuit holds sources that follow something, and so is one part's behaviour."""
    seen: set[int] = set()
    waiting = [definition]
    while waiting:
        here = waiting.pop()
        if id(here) in seen:
            continue
        seen.add(id(here))
        for card in here.elements:
            letter = card.head.low[0]
            if letter in BEHAVING:
                return True
            inner = here.definition(_called(card)[1].low) if letter == "x" else None
            if inner is not None:
                waiting.append(inner)
    return False


def _called(card: Card) -> tuple[list[Word], Word, Assignments]:
    """Nodes, subcircuit and parameters of an X element."""
    words = [w for w in card.words if w.text not in "(),"]
    words = [w for w in words if w.low not in ("params:", "params", ":")]
    plain, pairs = assigned(words)
    if len(plain) < 3:
        raise card.head.refuse(f"{card.head.text} names no subcircuit", "X1 node … NAME")
    return plain[1:-1], plain[-1], pairs


class _Flattener(Elements):
    """Collects the elements of one netlist."""

    def __init__(self, deck: Deck, whole: bool) -> None:
        super().__init__(deck)
        self.whole = whole
        self.elements: list[Flat] = []
        self.seen: dict[str, Word] = {}
        self.steps = 0

    def expand(self, definition: Definition, scope: Scope, path: str, pins: Mapping[str, str],
               depth: int, label: str = "") -> None:
        for card in definition.elements:
            place = Place(definition, scope, path, pins, label)
            letter = card.head.low[0]
            if letter == "x":
                self.instance(card, place, depth)
                continue
            if len(self.elements) >= MOST_ELEMENTS:
                raise card.head.refuse("this netlist has too many elements",
                                       f"one amplifier, with at most {MOST_ELEMENTS}")
            made = self.element(letter, card, place)
            self.named(made)
            self.elements.append(made)

    def named(self, made: Flat) -> None:
        first = self.seen.setdefault(made.name, made.word)
        if first is not made.word:
            raise made.word.refuse(f"{made.label} stands twice; first in line {first.line}",
                                   "each name once")

    def instance(self, card: Card, place: Place, depth: int) -> None:
        words, called, pairs = _called(card)
        inner = place.definition.definition(called.low)
        if inner is None:
            raise called.refuse(f"there is no subcircuit {called.text!r} here",
                                ".subckt, or .include of a file that has it",
                                place.definition.names(), called.low)
        if len(words) != len(inner.pins):
            raise called.refuse(
                f"{inner.name} has {len(inner.pins)} pins, and {card.head.text} has {len(words)}",
                "as many: " + " ".join(pin.text for pin in inner.pins))
        if depth >= MOST_LEVELS:
            raise called.refuse("subcircuits are nested too deeply, or hold themselves",
                                f"at most {MOST_LEVELS} levels")
        if len(self.elements) + len(inner.elements) > MOST_ELEMENTS * 2:
            raise called.refuse("this netlist has too many elements", f"at most {MOST_ELEMENTS}")
        self.steps += 1
        if self.steps > MOST_ELEMENTS:
            raise called.refuse("this netlist has too many subcircuits", f"at most {MOST_ELEMENTS}")
        given = {name: self.worked_out(value, place.scope) for name, value in pairs.items()}
        defaults = {k: v for k, v in inner.parameters.items() if k not in given}
        scope = Scope(defaults, self, place.scope, given)
        nodes = tuple(place.node(word.low, self.deck) for word in words)
        name = f"{place.path}{card.head.low}"
        label = f"{place.label}{card.head.text}"
        if not self.whole and behaves(inner):
            made = Flat("x", f"x.{name}" if place.path else name, label, nodes, card.head,
                        model=inner.name, inside=self.inside(inner, scope))
            self.named(made)
            self.elements.append(made)
            return
        outer = dict(zip((pin.low for pin in inner.pins), nodes, strict=True))
        self.expand(inner, scope, f"{name}.", outer, depth + 1, f"{label}.")

    def inside(self, inner: Definition, scope: Scope) -> Inside:
        """A subcircuit by itself, its pins and nodes by their own names."""
        own = _Flattener(self.deck, whole=True)
        own.doubts, own.told = self.doubts, self.told
        pins = {pin.low: pin.low for pin in inner.pins}
        own.expand(inner, scope, "", pins, 1)
        own.used_models()
        return Inside(inner.name, tuple(pins), tuple(own.elements), own.models)

    # -- models ----------------------------------------------------------------------------------

    def model(self, name: str, place: Place) -> str | None:
        """The flat name of a model as seen from an element; None where there is none."""
        here: Definition | None = place.definition
        path = place.path
        while here is not None:
            if name in here.models:
                full = f"{path[:-1]}:{name}" if path else name
                if full not in self.models:
                    self.models[full] = self._model(here.models[name], full, place, here, 0)
                return full
            here = here.outer
            path = "" if here is None or here.outer is None else path.rpartition(".")[0].rpartition(
                ".")[0] + "."
        return None

    def _model(self, card: ModelCard, full: str, place: Place, where: Definition,
               depth: int) -> FlatModel:
        parameters = {
            name: self._model_value(given, place.scope) for name, given in card.parameters.items()
        }
        type_ = card.type
        if card.base:
            base = where.models.get(card.base) or self.deck.root.models.get(card.base)
            if base is None or depth > MOST_LEVELS:
                raise card.word.refuse(f"there is no model {card.base!r} to start from",
                                       "a model that does not follow from itself",
                                       where.models, card.base)
            below = self._model(base, full, place, where, depth + 1)
            parameters = {**below.parameters, **parameters}
            type_ = type_ or below.type
        return FlatModel(full, type_, parameters, card.word, card.flags)

    def _model_value(self, given: Assigned, scope: Scope) -> float:
        word = given.word
        if given.text[0] in "{'\"":
            return evaluate(stripped(given.text), word, scope.lookup, self.deck.functions)
        number = numbers.read(given.text)
        if number is None:
            # such as mfg=name: of no use to a simulator, and looked at nowhere
            return float("nan")
        return number.value

    def used_models(self) -> None:
        """Keep the models that elements refer to."""
        used = {element.model for element in self.elements}
        self.models = {name: one for name, one in self.models.items() if name in used}
