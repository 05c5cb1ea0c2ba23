"""A formula as a list of numpy's operations, its derivatives among them.

A `Tape` is written once for a formula and played for many units: each line is an operation and the
numbers of the lines that it takes. Derivatives are written by the chain rule while the formula is
(forward mode), so that what a value and its slope share is worked out once.

The operations are those of ngspice's sources as measured of ngspice 39: a power is one of the
size, ``log`` is natural, and at a corner the slope is that of the second branch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np

from circuits.batch.devices.card import Floats

Line: TypeAlias = int
"""The number of a line of a tape."""
Slopes: TypeAlias = dict[int, Line]
"""Derivatives of a line by the numbers of its variables; what is missing is zero."""
Operation: TypeAlias = Callable[..., Any]

_LOG10E = 0.4342944819032518
"""The derivative of log10 at one."""


def _power(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.power(np.abs(a), b))


def _signed_power(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.sign(a) * np.power(np.abs(a), b))


def _step(a: Floats) -> Floats:
    return np.asarray(np.heaviside(a, 0.5))


def _truth(test: Operation) -> Operation:
    return lambda a, b: np.where(test(a, b), 1.0, 0.0)


def _both(a: Floats, b: Floats) -> Floats:
    return np.where((a != 0.0) & (b != 0.0), 1.0, 0.0)


def _either(a: Floats, b: Floats) -> Floats:
    return np.where((a != 0.0) | (b != 0.0), 1.0, 0.0)


def _choice(test: Floats, a: Floats, b: Floats) -> Floats:
    return np.where(test != 0.0, a, b)


def _log_sum(a: Floats, b: Floats) -> Floats:
    """ln(a + exp(b)), which does not overflow with b where a is positive."""
    if np.min(a) > 0.0:
        return np.asarray(np.logaddexp(np.log(a), b))
    return np.asarray(np.log(a + np.exp(b)))


def _segment(x: Floats, points: Sequence[Floats]) -> tuple[Floats, ...]:
    """The ends of the piece of a line that a point is on; the outer pieces go on for ever."""
    shape = np.broadcast_shapes(np.shape(x), *(np.shape(p) for p in points))
    stacked = np.stack([np.broadcast_to(p, shape) for p in points])
    at, up = stacked[0::2], stacked[1::2]
    k = (np.broadcast_to(x, shape) >= at[1:-1]).sum(0)[None]
    pick = np.take_along_axis
    return (
        pick(at, k, 0)[0], pick(up, k, 0)[0], pick(at, k + 1, 0)[0], pick(up, k + 1, 0)[0]
    )


def _lines(x: Floats, *points: Floats) -> Floats:
    x0, y0, x1, y1 = _segment(x, points)
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def _lines_slope(x: Floats, *points: Floats) -> Floats:
    x0, y0, x1, y1 = _segment(x, points)
    return (y1 - y0) / (x1 - x0)


_NUMPY: dict[str, Operation] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "neg": np.negative,
    "pow": _power, "pwr": _signed_power, "min": np.minimum, "max": np.maximum, "abs": np.abs,
    "sgn": np.sign, "exp": np.exp, "ln": np.log, "log10": np.log10, "sqrt": np.sqrt,
    "sin": np.sin, "cos": np.cos, "tan": np.tan, "asin": np.arcsin, "acos": np.arccos,
    "atan": np.arctan, "sinh": np.sinh, "cosh": np.cosh, "tanh": np.tanh, "asinh": np.arcsinh,
    "acosh": np.arccosh, "atanh": np.arctanh, "floor": np.floor, "ceil": np.ceil, "nint": np.rint,
    "u": _step, "uramp": lambda a: np.maximum(a, 0.0), "u2": lambda a: np.clip(a, 0.0, 1.0),
    "not": lambda a: np.where(a == 0.0, 1.0, 0.0), "and": _both, "or": _either,
    "<": _truth(np.less), ">": _truth(np.greater), "<=": _truth(np.less_equal),
    ">=": _truth(np.greater_equal), "==": _truth(np.equal), "!=": _truth(np.not_equal),
    "?": _choice, "ln sum": _log_sum, "pwl": _lines, "pwl slope": _lines_slope,
}
"""What each operation of a tape does."""
_FLAT = frozenset((
    "sgn", "floor", "ceil", "nint", "u", "not", "and", "or", "<", ">", "<=", ">=", "==", "!=",
))
"""Operations whose slope is taken as zero everywhere."""


@dataclass
class Tape:
    """A list of operations that grows while a formula is read.

    Attributes
    ----------
    lines : list of (str, tuple of int)
        Operations and the lines that they take. ``x`` and ``c`` are a variable and a constant by
        their number; a float's own text stands for itself.
    slopes : list of dict
        Of each line, by variable.
    """

    lines: list[tuple[str, tuple[int, ...]]] = field(default_factory=list)
    slopes: list[Slopes] = field(default_factory=list)
    _known: dict[tuple[str, tuple[int, ...]], Line] = field(default_factory=dict)
    _sloped: set[Line] = field(default_factory=set)

    def put(self, name: str, *at: int) -> Line:
        """A line without its slopes; the one that is there already, if it is."""
        key = (name, at)
        if key not in self._known:
            self._known[key] = len(self.lines)
            self.lines.append(key)
            self.slopes.append({})
        return self._known[key]

    def variable(self, number: int) -> Line:
        """The line of a variable."""
        line = self.put("x", number)
        self.slopes[line] = {number: self.fixed(1.0)}
        return line

    def constant(self, number: int) -> Line:
        """The line of a constant, whose value each unit has of its own."""
        return self.put("c", number)

    def fixed(self, value: float) -> Line:
        """The line of a number that is the same in all units."""
        return self.put(repr(value))

    def varies(self, line: Line) -> bool:
        """Whether a line moves with any variable."""
        return bool(self.slopes[line])

    def apply(self, name: str, *at: Line) -> Line:
        """The line of an operation, with its slopes by the chain rule."""
        if name == "ln":
            inner, taken = self.lines[at[0]]
            if inner == "+" and self.lines[taken[1]][0] == "exp" and not self.varies(taken[0]):
                # the soft corner of a valve's law, on the far side of which exp overflows
                return self.apply("ln sum", taken[0], self.lines[taken[1]][1][0])
        line = self.put(name, *at)
        if line not in self._sloped and name not in _FLAT:
            # a line may stand there already as part of a slope, without any of its own
            self._sloped.add(line)
            self.slopes[line] = self._chain(name, line, at)
        return line

    def _is_one(self, line: Line) -> bool:
        return self.lines[line][0] == "1.0"

    def _times(self, a: Line, b: Line) -> Line:
        if self._is_one(a):
            return b
        return a if self._is_one(b) else self.put("*", a, b)

    def _chain(self, name: str, line: Line, at: tuple[Line, ...]) -> Slopes:
        if name in ("min", "max", "?"):
            return self._branches(name, at)
        if name == "neg":
            return {v: self.put("neg", slope) for v, slope in self.slopes[at[0]].items()}
        inner = [self.slopes[k] for k in (at[:1] if name == "pwl" else at)]
        variables = sorted({v for slopes in inner for v in slopes})
        if not variables:
            return {}
        if name in ("+", "-"):
            return {v: self._sum(name, *(slopes.get(v) for slopes in inner)) for v in variables}
        partial = [self._partial(name, line, at, k) if inner[k] else None
                   for k in range(len(inner))]
        found: Slopes = {}
        for v in variables:
            terms = [
                self._times(part, slopes[v])
                for part, slopes in zip(partial, inner, strict=True)
                if part is not None and v in slopes
            ]
            found[v] = terms[0] if len(terms) == 1 else self.put("+", *terms)
        return found

    def _sum(self, name: str, a: Line | None, b: Line | None) -> Line:
        if a is None:
            assert b is not None
            return b if name == "+" else self.put("neg", b)
        return a if b is None else self.put(name, a, b)

    def _branches(self, name: str, at: tuple[Line, ...]) -> Slopes:
        """At a corner the slope is that of the second branch."""
        first, second = at[-2:]
        sides = self.slopes[first], self.slopes[second]
        variables = sorted({*sides[0], *sides[1]})
        if not variables:
            return {}
        test = at[0] if name == "?" else self.put("<" if name == "min" else ">", first, second)
        zero = self.fixed(0.0)
        return {
            v: self.put("?", test, sides[0].get(v, zero), sides[1].get(v, zero)) for v in variables
        }

    def _partial(self, name: str, line: Line, at: tuple[Line, ...], k: int) -> Line:
        """The derivative of an operation by the k-th of what it takes."""
        put, one = self.put, self.fixed(1.0)
        a, b = at[0], at[-1]
        square = put("*", a, a)
        match name, k:
            case "*", _:
                return b if k == 0 else a
            case "/", 0:
                return put("/", one, b)
            case "/", _:
                return put("neg", put("/", line, b))
            case "pow", 0:
                return put("*", b, put("pwr", a, put("-", b, one)))
            case "pwr", 0:
                return put("*", b, put("pow", a, put("-", b, one)))
            case ("pow" | "pwr"), _:
                return put("*", line, put("ln", put("abs", a)))
            case "ln sum", 1:
                return put("exp", put("-", b, line))
            case "pwl", _:
                return put("pwl slope", *at)
            case "abs", _:
                return put("sgn", a)
            case "exp", _:
                return line
            case "ln", _:
                return put("/", one, a)
            case "log10", _:
                return put("/", self.fixed(_LOG10E), a)
            case "sqrt", _:
                return put("/", self.fixed(0.5), line)
            case "sin", _:
                return put("cos", a)
            case "cos", _:
                return put("neg", put("sin", a))
            case "tan", _:
                return put("+", one, put("*", line, line))
            case "asin", _:
                return put("/", one, put("sqrt", put("-", one, square)))
            case "acos", _:
                return put("/", self.fixed(-1.0), put("sqrt", put("-", one, square)))
            case "atan", _:
                return put("/", one, put("+", one, square))
            case "sinh", _:
                return put("cosh", a)
            case "cosh", _:
                return put("sinh", a)
            case "tanh", _:
                return put("-", one, put("*", line, line))
            case "asinh", _:
                return put("/", one, put("sqrt", put("+", square, one)))
            case "acosh", _:
                return put("/", one, put("sqrt", put("-", square, one)))
            case "atanh", _:
                return put("/", one, put("-", one, square))
            case "uramp", _:
                return put("u", a)
            case "u2", _:
                return put("-", put("u", a), put("u", put("-", a, one)))
        raise ValueError(f"no slope of {name!r} is known")


@dataclass(frozen=True)
class Played:
    """A tape as it is played: only what the value or a slope needs, numbered anew.

    Attributes
    ----------
    fixed : tuple of (place, number)
    sources : tuple of (place, whether a variable, its number)
        Variables and constants.
    steps : tuple of (operation, place, places taken)
    slopes : tuple of (variable, place)
    """

    fixed: tuple[tuple[int, float], ...]
    sources: tuple[tuple[int, bool, int], ...]
    steps: tuple[tuple[Operation, int, tuple[int, ...]], ...]
    places: int
    value: int
    slopes: tuple[tuple[int, int], ...]

    def play(self, constants: Floats, x: Floats) -> tuple[Floats, Floats]:
        """The value (..., u) and its slopes (k, ..., u), of constants (n, u) and x (k, ..., u).

        Where a formula has no value, such as the logarithm of a negative number, it is no number.
        """
        shape = np.broadcast_shapes(x.shape[1:], constants.shape[1:])
        at: list[Any] = [None] * self.places
        for place, number in self.fixed:
            at[place] = number
        for place, variable, number in self.sources:
            at[place] = x[number] if variable else constants[number]
        with np.errstate(all="ignore"):
            for operation, place, taken in self.steps:
                at[place] = operation(*[at[k] for k in taken])
        value = np.broadcast_to(np.asarray(at[self.value], dtype=float), shape)
        derivatives = np.zeros((x.shape[0], *shape))
        for variable_, place in self.slopes:
            derivatives[variable_] = at[place]
        return value, derivatives


def played(tape: Tape, value: Line) -> Played:
    """A tape made ready, of which `value` is the line that is asked for."""
    slopes = tape.slopes[value]
    needed: set[Line] = set()
    waiting = [value, *slopes.values()]
    while waiting:
        line = waiting.pop()
        if line not in needed:
            needed.add(line)
            name, taken = tape.lines[line]
            waiting += taken if name in _NUMPY else ()
    place = {line: k for k, line in enumerate(sorted(needed))}
    fixed, sources, steps = [], [], []
    for line in sorted(needed):
        name, taken = tape.lines[line]
        if name in _NUMPY:
            steps.append((_NUMPY[name], place[line], tuple(place[k] for k in taken)))
        elif name in ("x", "c"):
            sources.append((place[line], name == "x", taken[0]))
        else:
            fixed.append((place[line], float(name)))
    return Played(
        tuple(fixed), tuple(sources), tuple(steps), len(place), place[value],
        tuple((v, place[k]) for v, k in slopes.items()),
    )
