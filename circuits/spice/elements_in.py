"""Elements of a netlist, a statement each: nodes, values, models and what they follow."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

from circuits.spice import controlled, numbers
from circuits.spice.deck import Assigned, Assignments, Deck, assigned
from circuits.spice.expression import evaluate, stripped
from circuits.spice.flat import Flat, FlatModel
from circuits.spice.values import Place, Values
from circuits.spice.words import Card, Word, joined

_NODES = {"r": 2, "c": 2, "l": 2, "v": 2, "i": 2, "d": 2, "q": 3, "j": 3, "m": 4, "b": 2,
          "e": 2, "g": 2, "f": 2, "h": 2}
"""How many nodes stand behind the name of an element, by its letter (SPICE)."""
_SCALED = ("m", "tc1", "tc2", "temp", "dtemp", "scale", "area", "l", "w", "ad", "as", "pd", "ps",
           "nrd", "nrs", "ic", "noisy", "ac", "areab", "areac", "off", "pj")
_OF_PARTS = ("rser", "v", "tol", "pwr")
_PRINTED = (*_OF_PARTS, "irms", "ipk", "mfg", "pn", "type", "lser", "rpar", "cpar", "vendor")
"""What some simulators print beside a part: series resistance, voltage, tolerance in per cent and
power are what a stage file has words for; of the rest only ngspice would complain."""
_WAVES = ("sin", "pulse", "exp", "pwl", "sffm", "am", "trnoise", "trrandom", "external")
_TYPES = {
    "r": ("r", "res"), "c": ("c", "cap"), "l": ("l", "ind"), "d": ("d",), "q": ("npn", "pnp"),
    "j": ("njf", "pjf"), "m": ("nmos", "pmos", "vdmos", "vdmosn", "vdmosp"),
}
"""Types of models by the letter of an element that can have them."""
BEHAVING = "befgh"
"""Letters of elements that a stage has no part for, so that a subcircuit of them is one part."""


class Elements(Values, ABC):
    """Reads the elements of one netlist."""

    def __init__(self, deck: Deck) -> None:
        super().__init__(deck)
        self.models: dict[str, FlatModel] = {}

    @abstractmethod
    def model(self, name: str, place: Place) -> str | None:
        """The flat name of a model as seen from an element; None where there is none."""

    def element(self, letter: str, card: Card, place: Place) -> Flat:
        """One statement as an element; subcircuits are not among them."""
        if letter == "k":
            return self._coupling(card, place)
        if letter not in _NODES:
            raise card.head.refuse(
                f"{card.head.text}: a stage has nothing like an element {letter.upper()}",
                "R C L K D Q J M V I X, and E F G H B inside a subcircuit",
            )
        words, pairs = assigned(card.plain if letter not in BEHAVING else card.words)
        words = [w for w in words if w.text not in "(),"] if letter not in BEHAVING else words
        count = _NODES[letter]
        if len(words) < count + 1:
            raise card.head.refuse(f"{card.head.text} has too few nodes", f"{count} nodes")
        made = Flat(letter, place.element(card.head.low), place.label + card.head.text, (),
                    card.head)
        if letter in BEHAVING:
            return self._controlled(made, card, place)
        if letter in "vi":
            return self._independent(made, card, place)
        if letter == "m" and len(words) > 4 and self._known(words[4], place):
            count = 3  # a vertical transistor has no pin for its bulk
        if letter == "m" and len(words) <= count + 1 and not self._known(words[-1], place):
            count = 3 if len(words) == 5 else count
        if letter == "q" and len(words) > 5 and not self._known(words[4], place):
            count = 4
        made.nodes = tuple(place.node(w.low, self.deck) for w in words[1 : count + 1])
        self._rest(made, words[count + 1 :], pairs, place)
        return made

    def _known(self, word: Word, place: Place) -> bool:
        return self.model(word.low, place) is not None

    def _rest(self, made: Flat, rest: Sequence[Word], pairs: Assignments, place: Place) -> None:
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

    def _pair(self, made: Flat, name: str, given: Assigned, place: Place) -> None:
        if name == made.letter and name in "rcl" and made.value is None:
            made.value = self._any(given, place, made)
        elif name == "tc" and made.letter in "rcl":
            for k, part in enumerate(stripped(given.text).split()[:2], 1):
                made.parameters[f"tc{k}"] = numbers.value_of(part) or 0.0
        elif name in _PRINTED:
            if name in _OF_PARTS:
                made.parameters[name] = self._any(given, place, made)
        elif name in _SCALED:
            if name not in ("ic", "off"):
                made.parameters[name] = self._any(given, place, made)
        else:
            raise given.word.refuse(f"{name!r} is nothing that {made.label} can have",
                                    "a parameter of the element", _SCALED, name)

    def _any(self, given: Assigned, place: Place, made: Flat) -> float:
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

    def _coupling(self, card: Card, place: Place) -> Flat:
        words, _ = assigned(card.plain)
        if len(words) < 4:
            raise card.head.refuse(f"{card.head.text} couples nothing", "K1 L1 L2 0.99")
        value = self.value(words[-1], place.scope, "k", card.head.text)
        return Flat("k", place.element(card.head.low), place.label + card.head.text, (), card.head,
                    value, others=tuple(place.element(w.low) for w in words[1:-1]))

    def _independent(self, made: Flat, card: Card, place: Place) -> Flat:
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

    def _controlled(self, made: Flat, card: Card, place: Place) -> Flat:
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

    def _linear(self, made: Flat, rest: list[Word], place: Place) -> Flat:
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

    def _polynomial(self, made: Flat, rest: Sequence[Word], place: Place) -> str:
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
