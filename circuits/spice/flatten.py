"""A netlist without hierarchy: every element of every subcircuit, with its values worked out.

Names are those that ngspice gives when it does the same: ``r.x1.r2`` for R2 inside X1, ``x1.n`` for
a node, ``x1:name`` for a model. The tests hold this against what ngspice lists.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from circuits.errors import InputError, Place
from circuits.spice import controlled, numbers
from circuits.spice.deck import Assigned, Assignments, Deck, Definition, ModelCard, assigned
from circuits.spice.expression import evaluate, stripped
from circuits.spice.words import Card, Word, joined

MOST_ELEMENTS = 3000
"""Elements of a netlist that is taken at all (judgement: a large amplifier has some 300)."""
MOST_LEVELS = 20
"""Subcircuits inside each other."""
MOST_DEEP = 30
"""Parameters that follow from each other in a row."""

_NODES = {"r": 2, "c": 2, "l": 2, "v": 2, "i": 2, "d": 2, "q": 3, "j": 3, "m": 4, "b": 2,
          "e": 2, "g": 2, "f": 2, "h": 2}
_SCALED = ("m", "tc1", "tc2", "temp", "dtemp", "scale", "area", "l", "w", "ad", "as", "pd", "ps",
           "nrd", "nrs", "ic", "noisy", "ac", "areab", "areac", "off", "pj")
_WAVES = ("sin", "pulse", "exp", "pwl", "sffm", "am", "trnoise", "trrandom", "external")
_TYPES = {
    "r": ("r", "res"), "c": ("c", "cap"), "l": ("l", "ind"), "d": ("d",), "q": ("npn", "pnp"),
    "j": ("njf", "pjf"), "m": ("nmos", "pmos", "vdmos", "vdmosn", "vdmosp"),
}
"""Types of models by the letter of an element that can have them."""
_BEHAVING = "befgh"
"""Letters of elements that a stage has no part for, so that a subcircuit of them is one part."""


@dataclass(frozen=True)
class FlatModel:
    """A model with its parameters worked out.

    Attributes
    ----------
    name : str
        As ngspice names it, lower case.
    type : str
        SPICE's: npn, d, njf …
    """

    name: str
    type: str
    parameters: Mapping[str, float]
    word: Word
    flags: tuple[str, ...] = ()


@dataclass
class Flat:
    """One element.

    Attributes
    ----------
    letter : str
        What it is, lower case; ``x`` for a subcircuit that stays one part.
    name : str
        As ngspice names it.
    label : str
        As a person does: ``X1.R2``.
    value : float or None
        Ohm, farad, henry, volt or ampere at rest, gain or coupling.
    model : str
        Flat name of its model, or of the subcircuit.
    others : tuple of str
        Flat names of elements that it refers to: inductors of K, the source of F and H.
    text : str
        Template of a B source; what a V or I source does over time.
    magnitude : float
        AC magnitude of a source.
    """

    letter: str
    name: str
    label: str
    nodes: tuple[str, ...]
    word: Word
    value: float | None = None
    model: str = ""
    parameters: dict[str, float] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    text: str = ""
    magnitude: float = 0.0
    unknown: str = ""
    inside: Inside | None = None


@dataclass(frozen=True)
class Inside:
    """What a subcircuit that stays one part is made of, pins and inner nodes by its own names."""

    name: str
    pins: tuple[str, ...]
    elements: tuple[Flat, ...]
    models: Mapping[str, FlatModel]


@dataclass(frozen=True)
class Doubt:
    """A value that a person may have meant otherwise."""

    label: str
    text: str
    value: float
    why: str
    meant: float | None
    letter: str
    word: Word


@dataclass
class Netlist:
    """A flat netlist."""

    title: str
    elements: list[Flat]
    models: dict[str, FlatModel]
    doubts: list[Doubt]


class _Scope:
    """Parameters of one instance; what it has not is looked for where it stands."""

    def __init__(self, own: Assignments, flat: _Flattener, above: _Scope | None,
                 values: Mapping[str, float] | None = None) -> None:
        self.own, self.flat, self.above = own, flat, above
        self.values: dict[str, float] = dict(values or {})
        self.busy: set[str] = set()

    def lookup(self, name: str) -> float | None:
        if name in self.values:
            return self.values[name]
        if name in self.own:
            if name in self.busy or self.flat.deep >= MOST_DEEP:
                raise self.own[name].word.refuse(f"the parameter {name!r} follows from itself, or "
                                                 f"from more than {MOST_DEEP} others", "a value")
            self.busy.add(name)
            self.flat.deep += 1
            self.values[name] = self.flat.worked_out(self.own[name], self)
            self.flat.deep -= 1
            self.busy.discard(name)
            return self.values[name]
        return self.above.lookup(name) if self.above else None


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
    root = _Scope(deck.root.parameters, made, None)
    try:
        made.expand(deck.root, root, "", {}, 0)
    except RecursionError:
        # parameters that follow from each other through expressions as deep as they may be
        raise InputError("this netlist follows from itself too often", expected="plain values",
                         place=Place(deck.name)) from None
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
    scope = _Scope(deck.root.parameters, made, None)
    for name in deck.root.models:
        made.model(name, _Place(deck.root, scope, "", {}, ""))
    return made.models


def inside_of(deck: Deck, definition: Definition) -> Inside:
    """A subcircuit by itself, with the parameters that it has of its own.

    Raises
    ------
    InputError
        With the place.
    """
    made = _Flattener(deck, True)
    root = _Scope(deck.root.parameters, made, None)
    return made.inside(definition, _Scope(definition.parameters, made, root))


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
            if letter in _BEHAVING:
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


class _Flattener:
    """Collects the elements of one netlist."""

    def __init__(self, deck: Deck, whole: bool) -> None:
        self.deck, self.whole = deck, whole
        self.elements: list[Flat] = []
        self.models: dict[str, FlatModel] = {}
        self.doubts: list[Doubt] = []
        self.seen: dict[str, Word] = {}
        self.told: set[tuple[str, int]] = set()
        self.steps = 0
        self.deep = 0

    # -- values ----------------------------------------------------------------------------------

    def worked_out(self, given: Assigned, scope: _Scope) -> float:
        """A value where expressions need no braces: of a parameter."""
        text = stripped(given.text)
        number = numbers.read(text)
        if number is not None and (not number.doubt or text.isalnum()):
            self.doubted(given.word.text, text, number, "", given.word)
            return number.value
        return evaluate(text, given.word, scope.lookup, self.deck.functions)

    def value(self, word: Word, scope: _Scope, letter: str, label: str) -> float:
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
        if not number.doubt or (word.source.name, word.line * 10_000 + word.column) in self.told:
            return
        self.told.add((word.source.name, word.line * 10_000 + word.column))
        self.doubts.append(
            Doubt(label, text, number.value, number.doubt, number.meant, letter, word)
        )

    # -- hierarchy -------------------------------------------------------------------------------

    def expand(self, definition: Definition, scope: _Scope, path: str, pins: Mapping[str, str],
               depth: int, label: str = "") -> None:
        for card in definition.elements:
            place = _Place(definition, scope, path, pins, label)
            letter = card.head.low[0]
            if letter == "x":
                self.instance(card, place, depth)
                continue
            if len(self.elements) >= MOST_ELEMENTS:
                raise card.head.refuse("this netlist has too many elements",
                                       f"one amplifier, with at most {MOST_ELEMENTS}")
            made = self.element(letter, card, place)
            if made is not None:
                self.named(made)
                self.elements.append(made)

    def named(self, made: Flat) -> None:
        first = self.seen.setdefault(made.name, made.word)
        if first is not made.word:
            raise made.word.refuse(f"{made.label} stands twice; first in line {first.line}",
                                   "each name once")

    def instance(self, card: Card, place: _Place, depth: int) -> None:
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
        scope = _Scope(defaults, self, place.scope, given)
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

    def inside(self, inner: Definition, scope: _Scope) -> Inside:
        """A subcircuit by itself, its pins and nodes by their own names."""
        own = _Flattener(self.deck, whole=True)
        own.doubts, own.told = self.doubts, self.told
        pins = {pin.low: pin.low for pin in inner.pins}
        own.expand(inner, scope, "", pins, 1)
        own.used_models()
        return Inside(inner.name, tuple(pins), tuple(own.elements), own.models)

    # -- models ----------------------------------------------------------------------------------

    def model(self, name: str, place: _Place) -> str | None:
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

    def _model(self, card: ModelCard, full: str, place: _Place, where: Definition,
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

    def _model_value(self, given: Assigned, scope: _Scope) -> float:
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

    # -- elements --------------------------------------------------------------------------------

    def element(self, letter: str, card: Card, place: _Place) -> Flat | None:
        if letter == "k":
            return self.coupling(card, place)
        if letter not in _NODES:
            raise card.head.refuse(
                f"{card.head.text}: a stage has nothing like an element {letter.upper()}",
                "R C L K D Q J M V I X, and E F G H B inside a subcircuit",
            )
        words, pairs = assigned(card.plain if letter not in _BEHAVING else card.words)
        words = [w for w in words if w.text not in "(),"] if letter not in _BEHAVING else words
        count = _NODES[letter]
        if len(words) < count + 1:
            raise card.head.refuse(f"{card.head.text} has too few nodes", f"{count} nodes")
        made = Flat(letter, place.element(card.head.low), place.label + card.head.text, (),
                    card.head)
        if letter in _BEHAVING:
            return self.controlled(made, card, place)
        if letter in "vi":
            return self.independent(made, card, place)
        if letter == "m" and len(words) > 4 and self._known(words[4], place):
            count = 3  # a vertical transistor has no pin for its bulk
        if letter == "m" and len(words) <= count + 1 and not self._known(words[-1], place):
            count = 3 if len(words) == 5 else count
        if letter == "q" and len(words) > 5 and not self._known(words[4], place):
            count = 4
        made.nodes = tuple(place.node(w.low, self.deck) for w in words[1 : count + 1])
        self._rest(made, words[count + 1 :], pairs, place)
        return made

    def _known(self, word: Word, place: _Place) -> bool:
        return self.model(word.low, place) is not None

    def _rest(self, made: Flat, rest: Sequence[Word], pairs: Assignments, place: _Place) -> None:
        """What follows the nodes: a value, a model, and instance parameters."""
        for word in rest:
            model = self.model(word.low, place)
            if model is not None and not made.model:
                made.model = model
                if self.models[model].type not in _TYPES[made.letter]:
                    raise word.refuse(f"{word.text} is a model of {self.models[model].type}, which "
                                      f"{made.label} is not", " or ".join(_TYPES[made.letter]))
            elif numbers.is_number(word.text) or word.text[0] in "{'\"":
                if made.letter in "rcl" and made.value is None:
                    made.value = self.value(word, place.scope, made.letter, made.label)
                elif made.letter in "dqj":
                    made.parameters["area"] = self.value(word, place.scope, "", made.label)
                else:
                    raise word.refuse(f"{made.label} has a value already", "one value",)
            elif word.low == "off":
                continue
            elif not made.model and (
                made.value is None if made.letter in "rcl" else not made.unknown
            ):
                made.unknown = word.low
            else:
                raise word.refuse(f"{word.text!r} is nothing that {made.label} can have",
                                  "a value, a model or name=value")
        for name, given in pairs.items():
            self._pair(made, name, given, place)
        if made.letter in "rcl":
            self._valued(made)
        elif not made.model and not made.unknown:
            raise made.word.refuse(f"{made.label} has no model", ".model, and its name here")

    def _pair(self, made: Flat, name: str, given: Assigned, place: _Place) -> None:
        if name == made.letter and name in "rcl" and made.value is None:
            made.value = self._any(given, place, made)
        elif name == "tc" and made.letter in "rcl":
            for k, part in enumerate(stripped(given.text).split()[:2], 1):
                made.parameters[f"tc{k}"] = numbers.value_of(part) or 0.0
        elif name in _SCALED:
            if name not in ("ic", "off"):
                made.parameters[name] = self._any(given, place, made)
        else:
            raise given.word.refuse(f"{name!r} is nothing that {made.label} can have",
                                    "a parameter of the element", _SCALED, name)

    def _any(self, given: Assigned, place: _Place, made: Flat) -> float:
        if numbers.is_number(given.text) and given.text == given.word.text:
            letter = made.letter if made.value is None else ""
            return self.value(given.word, place.scope, letter, made.label)
        return evaluate(stripped(given.text), given.word, place.scope.lookup, self.deck.functions)

    def _valued(self, made: Flat) -> None:
        """The value of a resistor, capacitor or inductor, where a model has it."""
        if made.value is not None:
            return
        if made.model:
            model = self.models[made.model]
            for name in {"r": ("r", "res"), "c": ("cap", "c"), "l": ("ind", "l")}[made.letter]:
                if name in model.parameters:
                    made.value = model.parameters[name]
                    return
        raise made.word.refuse(
            f"{made.label} has no value" + (f": {made.unknown!r} is none" if made.unknown else ""),
            "a number such as 4.7k, or {expression}",
        )

    def coupling(self, card: Card, place: _Place) -> Flat:
        words, _ = assigned(card.plain)
        if len(words) < 4:
            raise card.head.refuse(f"{card.head.text} couples nothing", "K1 L1 L2 0.99")
        value = self.value(words[-1], place.scope, "k", card.head.text)
        return Flat("k", place.element(card.head.low), place.label + card.head.text, (), card.head,
                    value, others=tuple(place.element(w.low) for w in words[1:-1]))

    def independent(self, made: Flat, card: Card, place: _Place) -> Flat:
        words, pairs = assigned(card.plain)
        made.nodes = tuple(place.node(w.low, self.deck) for w in words[1:3])
        rest = [*words[3:]]
        for name, given in pairs.items():
            if name == "dc":
                made.value = self._any(given, place, made)
            elif name == "ac":
                made.magnitude = self._any(given, place, made)
        k = 0
        while k < len(rest):
            low = rest[k].low
            if low == "dc" and k + 1 < len(rest):
                made.value = self.value(rest[k + 1], place.scope, made.letter, made.label)
                k += 2
            elif low == "ac":
                made.magnitude = 1.0
                k += 1
                if k < len(rest) and _valuelike(rest[k]):
                    made.magnitude = self.value(rest[k], place.scope, "", made.label)
                    k += 1
                    if k < len(rest) and _valuelike(rest[k]):
                        k += 1
            elif low in _WAVES:
                made.text = joined(rest[k:])[:60]
                if made.value is None and k + 1 < len(rest) and _valuelike(rest[k + 1]):
                    start = self.value(rest[k + 1], place.scope, made.letter, made.label)
                    made.value = start if low in ("sin", "exp", "pulse") else None
                break
            elif k == 0 and _valuelike(rest[k]):
                made.value = self.value(rest[k], place.scope, made.letter, made.label)
                k += 1
            else:
                k += 1
        made.value = made.value or 0.0
        return made

    def controlled(self, made: Flat, card: Card, place: _Place) -> Flat:
        """A source that follows something: linear ones keep their letter, all others become B."""
        words = list(card.words)
        made.nodes = tuple(place.node(w.low, self.deck) for w in words[1:3])
        rest, scope, letter = words[3:], place.scope, made.letter
        if not rest:
            raise card.head.refuse(f"{made.label} follows nothing", "an expression or a gain")
        first, gives = rest[0].low, "v" if letter in "eh" else "i"

        def template(text: str, word: Word) -> str:
            return controlled.template(
                text, word, scope.lookup, self.deck.functions,
                lambda name: place.node(name.lower(), self.deck),
                lambda name: place.element(name.lower()),
            )

        if letter == "b":
            if len(rest) < 3 or first not in "vi" or rest[1].text != "=":
                raise rest[0].refuse(f"{made.label} follows nothing", "v=… or i=…")
            made.text = f"{first}={template(joined(rest[2:]), rest[2])}"
            return made
        if first in ("value", "vol", "cur") and letter in "eg":
            skip = 2 if len(rest) > 1 and rest[1].text == "=" else 1
            if len(rest) <= skip:
                raise rest[0].refuse(f"{made.label} follows nothing", "value={expression}")
            made.text = f"{gives}={template(joined(rest[skip:]), rest[skip])}"
        elif first == "table" and letter in "eg":
            points = [self.value(w, scope, "", made.label) for w in rest[2:]
                      if w.text not in "(),="]
            text = controlled.table(template(rest[1].text, rest[1]), points, rest[0])
            made.text = f"{gives}={text}"
        elif first.startswith("poly"):
            made.text = f"{gives}={self._polynomial(made, rest, place)}"
        elif first in ("laplace", "freq"):
            raise rest[0].refuse(f"a source of the kind {first} cannot be read", "another model")
        else:
            return self._linear(made, [w for w in rest if w.text not in "(),"], place)
        made.letter = "b"
        return made

    def _linear(self, made: Flat, rest: list[Word], place: _Place) -> Flat:
        count = 2 if made.letter in "eg" else 1
        if len(rest) < count + 1:
            raise made.word.refuse(f"{made.label} has no gain", "what it follows, and a gain")
        if made.letter in "eg":
            made.nodes += tuple(place.node(w.low, self.deck) for w in rest[:2])
        else:
            made.others = (place.element(rest[0].low),)
        made.value = self.value(rest[count], place.scope, "", made.label)
        for k, word in enumerate(rest[count + 1 :], count + 1):
            if word.text == "=" and rest[k - 1].low == "m" and k + 1 < len(rest):
                made.value *= self.value(rest[k + 1], place.scope, "", made.label)
        return made

    def _polynomial(self, made: Flat, rest: Sequence[Word], place: _Place) -> str:
        words = [w for w in rest if w.text not in "(),"]
        number = numbers.value_of(words[1].text) if len(words) > 1 else None
        inputs = int(number or 0)
        each = 2 if made.letter in "eg" else 1
        given = words[2 : 2 + each * inputs]
        coefficients = [
            self.value(w, place.scope, "", made.label) for w in words[2 + each * inputs :]
        ]
        controlled.terms(made.word, inputs, coefficients)
        if each == 2:
            nodes = [place.node(w.low, self.deck) for w in given]
            what = [f"v({{{a}}},{{{b}}})" for a, b in zip(nodes[::2], nodes[1::2], strict=True)]
        else:
            what = [f"i({{~{place.element(w.low)}}})" for w in given]
        return controlled.polynomial(what, coefficients)


def _valuelike(word: Word) -> bool:
    return numbers.is_number(word.text) or word.text[0] in "{'\""


@dataclass(frozen=True)
class _Place:
    """Where an element stands: what is defined there, and what names become outside."""

    definition: Definition
    scope: _Scope
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


def instances(elements: Sequence[Flat]) -> Iterator[Flat]:
    """Those that stay one part though a netlist makes them of many."""
    return (element for element in elements if element.letter == "x")


__all__ = ["Doubt", "Flat", "FlatModel", "InputError", "Inside", "Netlist", "flat", "instances"]
