"""Expressions of a netlist: worked out to a number, or rewritten for a source that follows one.

The grammar is that of ngspice's parameters (its manual, chapters 2.9 and 5.1). Nothing is handed to
an interpreter: an expression is a list of tokens, and all that it can call stands in `_FUNCTIONS`.
"""

from __future__ import annotations

import math
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from circuits.errors import InputError
from circuits.spice.numbers import value_of
from circuits.spice.words import Word

MOST_SIGNS = 4000
"""Length of an expression, and `MOST_DEPTH` of its nesting (judgement)."""
MOST_DEPTH = 40
"""Brackets within each other (judgement)."""
MOST_STEPS = 20_000
"""Calls and numbers of one expression with all functions that it calls; a few that double each
other would take for ever."""

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?[a-z\u00b5\u03bc]*)"
    r"|(?P<name>[a-z_][\w.#]*)"
    r"|(?P<sign>\*\*|&&|\|\||[<>=!]=|<>|[-+*/\\%^()?:,<>!=]))",
    re.IGNORECASE,
)

Lookup = Callable[[str], "float | None"]
"""The value of a parameter by its name in lower case; None where there is none."""


@dataclass(frozen=True, slots=True)
class Token:
    """A number, name or sign of an expression."""

    kind: str
    text: str


def stripped(text: str) -> str:
    """An expression without its braces or quotes."""
    return text[1:-1] if len(text) > 1 and text[0] in "{'\"" else text


def tokens(text: str, word: Word) -> list[Token]:
    """The tokens of an expression; names in lower case.

    Raises
    ------
    InputError
        For what is no expression, at `word`.
    """
    if len(text) > MOST_SIGNS:
        raise word.refuse("this expression is too long", f"at most {MOST_SIGNS} signs")
    found, at, text = [], 0, text.rstrip()
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise word.refuse(f"{text[at:].strip()[:20]!r} cannot stand in an expression",
                              "numbers, names of parameters and + - * / ^ ( )")
        found.append(Token(str(match.lastgroup), match[match.lastgroup or 0].lower()))
        at = match.end()
    return found


def _sign(x: float) -> float:
    return float((x > 0) - (x < 0))


def _power(x: float, y: float) -> float:
    result = x**y
    if isinstance(result, complex):
        raise ValueError("a root of a negative number")
    return float(result)


def _divided(x: float, y: float) -> float:
    return x / y


_FUNCTIONS: Mapping[str, tuple[int, Callable[..., float]]] = {
    "sqr": (1, lambda x: x * x), "sqrt": (1, math.sqrt), "sin": (1, math.sin),
    "cos": (1, math.cos), "tan": (1, math.tan), "exp": (1, math.exp), "ln": (1, math.log),
    "log": (1, math.log), "log10": (1, math.log10), "abs": (1, abs), "asin": (1, math.asin),
    "acos": (1, math.acos), "atan": (1, math.atan), "arctan": (1, math.atan),
    "sinh": (1, math.sinh), "cosh": (1, math.cosh), "tanh": (1, math.tanh),
    "asinh": (1, math.asinh), "acosh": (1, math.acosh), "atanh": (1, math.atanh),
    "int": (1, lambda x: float(math.trunc(x))), "nint": (1, lambda x: float(round(x))),
    "floor": (1, lambda x: float(math.floor(x))), "ceil": (1, lambda x: float(math.ceil(x))),
    "sgn": (1, _sign), "pow": (2, _power), "min": (2, min), "max": (2, max),
    "pwr": (2, lambda x, y: _sign(x) * _power(abs(x), y)),
    "ternary_fcn": (3, lambda c, a, b: a if c else b),
    # nominal values: what a good part is made to
    "gauss": (3, lambda x, *_: x), "agauss": (3, lambda x, *_: x), "unif": (2, lambda x, *_: x),
    "aunif": (2, lambda x, *_: x), "limit": (2, lambda x, *_: x),
}
_CONSTANTS = {"pi": math.pi, "e": math.e, "true": 1.0, "false": 0.0}
"""Names that stand for a number of their own."""

_BINARY: Mapping[str, tuple[int, Callable[[float, float], float]]] = {
    "||": (1, lambda a, b: float(bool(a) or bool(b))),
    "&&": (2, lambda a, b: float(bool(a) and bool(b))),
    "==": (3, lambda a, b: float(a == b)), "!=": (3, lambda a, b: float(a != b)),
    "<>": (3, lambda a, b: float(a != b)),
    "<": (4, lambda a, b: float(a < b)), ">": (4, lambda a, b: float(a > b)),
    "<=": (4, lambda a, b: float(a <= b)), ">=": (4, lambda a, b: float(a >= b)),
    "+": (5, operator.add), "-": (5, operator.sub),
    "*": (6, operator.mul), "/": (6, _divided), "%": (6, math.fmod),
    "\\": (6, lambda a, b: float(math.trunc(a / b))),
    "^": (8, _power), "**": (8, _power),
}
"""How strongly each operator binds, and what it does."""
_UNARY = 7
"""Binding of a sign before a number: below a power, as in mathematics."""


@dataclass(frozen=True)
class Function:
    """A `.func` of a netlist: its arguments, and its body as tokens."""

    arguments: tuple[str, ...]
    body: tuple[Token, ...]


def evaluate(
    text: str, word: Word, lookup: Lookup, functions: Mapping[str, Function]
) -> float:
    """An expression worked out.

    Parameters
    ----------
    text : str
        Without braces.
    word : Word
        Where it stands, for messages.
    lookup : callable
        Values of parameters.
    functions : mapping of name to Function
        Those that the netlist defines.

    Raises
    ------
    InputError
        For what cannot be worked out, or gives no finite number.
    """
    reader = _Reader(tokens(text, word), word, lookup, functions)
    try:
        value = reader.whole()
    except (ValueError, OverflowError, ZeroDivisionError) as error:
        raise word.refuse(f"this expression has no value: {error}", "a number") from None
    if not math.isfinite(value):
        raise word.refuse(f"this expression is {value}", "a number")
    return value


class _Reader:
    """Works one list of tokens out, by precedence."""

    def __init__(
        self, given: Sequence[Token], word: Word, lookup: Lookup,
        functions: Mapping[str, Function], depth: int = 0, steps: list[int] | None = None,
    ) -> None:
        self.given, self.word, self.lookup, self.functions = given, word, lookup, functions
        self.at, self.depth = 0, depth
        self.steps = [0] if steps is None else steps

    def whole(self) -> float:
        value = self.choice()
        if self.at < len(self.given):
            raise self.refuse("an operator")
        return value

    def refuse(self, expected: str) -> InputError:
        here = self.given[self.at].text if self.at < len(self.given) else "its end"
        return self.word.refuse(f"this expression cannot be read at {here}", expected)

    def next(self, sign: str = "") -> bool:
        if self.at < len(self.given) and (self.given[self.at].kind, self.given[self.at].text) == (
            "sign", sign
        ):
            self.at += 1
            return True
        return False

    def need(self, sign: str) -> None:
        if not self.next(sign):
            raise self.refuse(sign)

    def choice(self) -> float:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise self.word.refuse("this expression is nested too deeply", f"{MOST_DEPTH} levels")
        value = self.binary(0)
        if self.next("?"):
            yes = self.choice()
            self.need(":")
            no = self.choice()
            value = yes if value else no
        self.depth -= 1
        return value

    def binary(self, least: int) -> float:
        value = self.unary()
        while self.at < len(self.given):
            found = _BINARY.get(self.given[self.at].text)
            if found is None or self.given[self.at].kind != "sign" or found[0] < max(least, 1):
                break
            self.at += 1
            value = self.combined(found[1], value, self.binary(found[0] + 1))
        return value

    def combined(self, operation: Callable[[float, float], float], a: float, b: float) -> float:
        return operation(a, b)

    def unary(self) -> float:
        signs = 0
        minus = inverted = False
        while self.at < len(self.given) and self.given[self.at].text in ("-", "+", "!"):
            minus ^= self.given[self.at].text == "-"
            inverted ^= self.given[self.at].text == "!"
            self.at += 1
            signs += 1
        if not signs:
            return self.primary()
        value = self.binary(_UNARY)
        if inverted:
            value = float(not value)
        return -value if minus else value

    def primary(self) -> float:
        if self.at >= len(self.given):
            raise self.refuse("a number")
        token = self.given[self.at]
        self.at += 1
        self.steps[0] += 1
        if self.steps[0] > MOST_STEPS:
            raise self.word.refuse("this expression takes too long", "fewer calls of functions")
        if token.kind == "number":
            value = value_of(token.text)
            assert value is not None
            return value
        if token.kind == "name":
            return self.named(token.text)
        if token.text == "(":
            value = self.choice()
            self.need(")")
            return value
        self.at -= 1
        raise self.refuse("a number, a parameter or (")

    def named(self, name: str) -> float:
        if self.next("("):
            return self.called(name, self.arguments())
        value = self.lookup(name)
        if value is None:
            value = _CONSTANTS.get(name)
        if value is None:
            raise self.word.refuse(f"there is no parameter {name!r}", f".param {name} = …",
                                   given=name)
        return value

    def arguments(self) -> list[float]:
        found: list[float] = []
        if self.next(")"):
            return found
        while True:
            found.append(self.choice())
            if self.next(")"):
                return found
            self.need(",")

    def called(self, name: str, given: list[float]) -> float:
        own = self.functions.get(name)
        count = len(own.arguments) if own else _FUNCTIONS.get(name, (-1, abs))[0]
        if count < 0:
            raise self.word.refuse(f"there is no function {name!r}", "a function",
                                   [*_FUNCTIONS, *self.functions], name)
        if len(given) < count or (len(given) > count and name not in ("gauss", "agauss", "limit")):
            raise self.word.refuse(f"{name} is given {len(given)} arguments", f"{count}")
        if own is None:
            return float(_FUNCTIONS[name][1](*given))
        local = dict(zip(own.arguments, given, strict=True))

        def lookup(wanted: str) -> float | None:
            return local[wanted] if wanted in local else self.lookup(wanted)

        inner = _Reader(own.body, self.word, lookup, self.functions, self.depth + 1, self.steps)
        return inner.whole()


class _Grammar(_Reader):
    """Reads a list of tokens for its form alone: every value is one."""

    def combined(self, operation: Callable[[float, float], float], a: float, b: float) -> float:
        return 1.0

    def named(self, name: str) -> float:
        if self.next("(") and not self.arguments():
            raise self.word.refuse(f"{name} is given nothing", "an argument")
        return 1.0


def well_formed(given: Sequence[Token], word: Word) -> None:
    """Whether tokens are an expression at all, whatever stands for its names.

    Raises
    ------
    InputError
        At `word`.
    """
    _Grammar(given, word, lambda name: 1.0, {}).whole()
