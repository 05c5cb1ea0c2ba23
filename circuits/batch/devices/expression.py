"""Sources that follow an expression, in many units at once: what ngspice calls a B source.

An expression is read once for all units whose texts differ in numbers alone: numbers are lifted out
and become constants, which each unit has of its own, and the rest is the `signature` by which two
texts are known to be one formula. Grammar and meaning are ngspice's (its manual, chapter 5.1, and
its published sources): ``^``, ``**`` and ``pow`` take the size of their base, ``^`` goes from left
to right, a sign binds less than a power.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from circuits.batch.devices.card import Floats
from circuits.batch.devices.tape import Line, Played, Tape, played

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)(?![\w.])"
    r"|(?P<probe>[vi]\s*\([^()]*\))"
    r"|(?P<name>[a-z_]\w*)"
    r"|(?P<sign>\*\*|&&|\|\||[<>=!]=|<>|[-+*/^()?:,<>!]))"
)
_HEAD = re.compile(r"\s*([vi])\s*=")
_BINDING = {
    "||": 1, "&&": 2, "==": 3, "!=": 3, "<>": 3, "<": 4, ">": 4, "<=": 4, ">=": 4, "+": 5, "-": 5,
    "*": 6, "/": 6, "^": 8, "**": 8,
}
"""How strongly each operator binds."""
_UNARY = 7
"""Binding of a sign before a number: below a power."""
_OPERATION = {"||": "or", "&&": "and", "<>": "!=", "^": "pow", "**": "pow"}
"""Operators whose operation has another name."""
_CALLS = {
    "abs": 1, "acos": 1, "acosh": 1, "asin": 1, "asinh": 1, "atan": 1, "atanh": 1, "cos": 1,
    "cosh": 1, "exp": 1, "ln": 1, "log": 1, "log10": 1, "sgn": 1, "sin": 1, "sinh": 1, "sqrt": 1,
    "tan": 1, "tanh": 1, "u": 1, "u2": 1, "uramp": 1, "floor": 1, "ceil": 1, "nint": 1, "min": 2,
    "max": 2, "pow": 2, "pwr": 2, "ternary_fcn": 3,
}
"""What a source may call besides ``pwl``, with how many arguments (ngspice's manual)."""
_NAMED = {"log": "ln", "ternary_fcn": "?"}
"""Functions whose operation has another name."""
_NUMBERS = {"e": math.e, "pi": math.pi}
"""Names that stand for a number."""
_DEEPEST = 60
"""Brackets within each other (judgement)."""


class Unsupported(Exception):
    """An expression that ngspice must work out."""


@dataclass(frozen=True)
class Expression:
    """A formula without its numbers.

    Attributes
    ----------
    kind : str
        ``v``, a source of voltage, or ``i``, one of current.
    branches : tuple of (str, str)
        The voltages that it takes, as pairs of nodes.
    currents : tuple of str
        The sources whose currents it takes, in lower case; they stand after the voltages in x.
    signature : str
        The same for formulas that differ in numbers and names alone; these may be evaluated
        together, with a further axis for constants and x.
    """

    kind: str
    branches: tuple[tuple[str, str], ...]
    currents: tuple[str, ...]
    signature: str
    tape: Played

    def evaluate(self, constants: Floats, x: Floats) -> tuple[Floats, Floats]:
        """The value (..., u), V or A, and its derivatives (k, ..., u).

        Parameters
        ----------
        constants : ndarray (n, ..., u)
            The numbers of each unit's text, in the order that `parsed` gives.
        x : ndarray (k, ..., u)
            Voltages of `branches` and then `currents`.

        Returns
        -------
        Not a number where ngspice would refuse a value, as of a negative number's logarithm.
        """
        return self.tape.play(constants, x)


def unsupported(text: str) -> str:
    """Why ngspice must work out the text of a B source; empty where it need not."""
    try:
        parsed(text)
    except Unsupported as reason:
        return str(reason)
    return ""


def parsed(text: str) -> tuple[Expression, Floats]:
    """The formula of a B source's text, ``v=…`` or ``i=…``, and its constants (n,).

    Raises
    ------
    Unsupported
        For what only ngspice works out: time and temperature, and what is no expression.
    """
    formula, numbers = _parsed(text)
    return formula, np.array(numbers, dtype=float)


@lru_cache(maxsize=4096)
def _parsed(text: str) -> tuple[Expression, tuple[float, ...]]:
    head = _HEAD.match(text.lower())
    if head is None:
        raise Unsupported(f"a source that is neither v= nor i=: {text[:40]!r}")
    tokens = _tokens(text.lower()[head.end():])
    probes = [word for kind, word in tokens if kind == "probe"]
    branches = tuple(dict.fromkeys(_nodes(word) for word in probes if word[0] == "v"))
    currents = tuple(dict.fromkeys(_source(word) for word in probes if word[0] == "i"))
    numbers: list[float] = []
    formula: list[tuple[str, str]] = []
    for kind, word in tokens:
        if kind == "number" or word in _NUMBERS:
            numbers.append(_NUMBERS[word] if word in _NUMBERS else float(word))
            formula.append(("constant", "c"))
        elif kind == "probe" and word[0] == "v":
            formula.append(("variable", str(branches.index(_nodes(word)))))
        elif kind == "probe":
            formula.append(("variable", str(len(branches) + currents.index(_source(word)))))
        else:
            formula.append((kind, word))
    signature = " ".join(
        f"x{word}" if kind == "variable" else word for kind, word in formula
    )
    return Expression(
        head[1], branches, currents, f"{head[1]}={signature}", _written(tuple(formula))
    ), tuple(numbers)


@lru_cache(maxsize=512)
def _written(formula: tuple[tuple[str, str], ...]) -> Played:
    """The tape of a formula, one for all texts that have it."""
    reader = _Reader(formula)
    return played(reader.tape, reader.whole())


def _tokens(text: str) -> list[tuple[str, str]]:
    found, at, text = [], 0, text.rstrip()
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise Unsupported(f"{text[at:].strip()[:20]!r} in an expression")
        found.append((str(match.lastgroup), match[str(match.lastgroup)]))
        at = match.end()
    return found


class _Reader:
    """Writes the tape of one formula, by precedence."""

    def __init__(self, tokens: Sequence[tuple[str, str]]) -> None:
        self.tokens, self.at, self.depth, self.constants = tokens, 0, 0, 0
        self.tape = Tape()

    def whole(self) -> Line:
        value = self.choice()
        if self.at < len(self.tokens):
            raise self.refused()
        return value

    def refused(self) -> Unsupported:
        here = self.tokens[self.at][1] if self.at < len(self.tokens) else "its end"
        return Unsupported(f"an expression cannot be read at {here!r}")

    def sign(self) -> str:
        """The sign that stands next; empty for anything else."""
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "sign":
            return self.tokens[self.at][1]
        return ""

    def took(self, sign: str) -> bool:
        if self.sign() != sign:
            return False
        self.at += 1
        return True

    def need(self, sign: str) -> None:
        if not self.took(sign):
            raise self.refused()

    def choice(self) -> Line:
        self.depth += 1
        if self.depth > _DEEPEST:
            raise Unsupported("an expression that is nested too deeply")
        value = self.binary(1)
        if self.took("?"):
            yes = self.choice()
            self.need(":")
            value = self.tape.apply("?", value, yes, self.choice())
        self.depth -= 1
        return value

    def binary(self, least: int) -> Line:
        value = self.unary()
        while (strength := _BINDING.get(sign := self.sign(), 0)) >= least:
            self.need(sign)
            other = self.binary(strength + 1)
            value = self.tape.apply(_OPERATION.get(sign, sign), value, other)
        return value

    def unary(self) -> Line:
        sign = self.sign()
        if sign not in ("-", "+", "!"):
            return self.primary()
        self.need(sign)
        value = self.binary(_UNARY)
        return value if sign == "+" else self.tape.apply("neg" if sign == "-" else "not", value)

    def primary(self) -> Line:
        if self.took("("):
            value = self.choice()
            self.need(")")
            return value
        if self.at >= len(self.tokens) or self.sign():
            raise self.refused()
        kind, word = self.tokens[self.at]
        self.at += 1
        if kind == "constant":
            self.constants += 1
            return self.tape.constant(self.constants - 1)
        if kind == "variable":
            return self.tape.variable(int(word))
        if self.took("("):
            return self.called(word)
        raise Unsupported(f"{word!r} in an expression")

    def called(self, name: str) -> Line:
        given = [self.choice()]
        while self.took(","):
            given.append(self.choice())
        self.need(")")
        if name == "pwl":
            if len(given) < 5 or len(given) % 2 == 0 or any(map(self.tape.varies, given[1:])):
                raise Unsupported("a pwl that is not of pairs of points")
            return self.tape.apply("pwl", *given)
        if _CALLS.get(name) != len(given):
            raise Unsupported(f"{name} of {len(given)} arguments in an expression")
        return self.tape.apply(_NAMED.get(name, name), *given)


def _nodes(probe: str) -> tuple[str, str]:
    """The pair of nodes whose voltage a probe takes."""
    names = [name for name in re.split(r"[\s,]+", probe[probe.index("(") + 1 : -1]) if name]
    if not 1 <= len(names) <= 2:
        raise Unsupported(f"{probe!r} in an expression")
    return names[0], names[1] if len(names) == 2 else "0"


def _source(probe: str) -> str:
    """The source whose current a probe takes."""
    return probe[probe.index("(") + 1 : -1].strip()
