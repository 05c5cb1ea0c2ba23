"""Sources that follow an expression, as one template each: B, and E, G, F and H in all their forms.

A template is the text of a B source in which nodes stand as ``{name}`` and sources whose current is
meant as ``{~name}``, so that either can be renamed without reading the expression again. Braces
never reach the simulator.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from itertools import combinations_with_replacement

from circuits.spice.expression import Function, Lookup, stripped, tokens, well_formed
from circuits.spice.numbers import value_of
from circuits.spice.words import Word

_PROBE = re.compile(r"\b([vi])\s*\(\s*([^()]*?)\s*\)", re.IGNORECASE)
_HIDDEN = re.compile(r"__probe(\d+)")
REFERENCE = re.compile(r"\{([~%]?)([^{}]*)\}")
"""A name in a template: of a node, with ~ of a source, with % of a model."""

_CALLS = frozenset((
    "abs", "acos", "acosh", "asin", "asinh", "atan", "atanh", "cos", "cosh", "exp", "ln", "log",
    "log10", "sgn", "sin", "sinh", "sqrt", "tan", "tanh", "min", "max", "pow", "pwr", "u", "u2",
    "uramp", "floor", "ceil", "int", "nint", "pwl", "ternary_fcn",
))
"""What a B source of ngspice may call (its manual, chapter 5.1)."""
_STRANGE = ("%", "\\", "<>")
"""Signs that parameters may have and sources not."""
_WORDS = ("time", "temper", "hertz", "pi", "e")
_MOST_TERMS = 200
"""Terms of a polynomial (judgement)."""

Name = Callable[[str], str]


def template(
    text: str, word: Word, lookup: Lookup, functions: Mapping[str, Function],
    node: Name, element: Name,
) -> str:
    """An expression of voltages and currents with parameters put in.

    Parameters
    ----------
    node, element : callable
        The flat name of a node, or of the source whose current is meant.

    Raises
    ------
    InputError
        For what a source cannot follow.
    """
    probes: list[str] = []

    def hide(match: re.Match[str]) -> str:
        inner = [part for part in re.split(r"[\s,]+", match[2]) if part]
        if not 1 <= len(inner) <= 2 or (match[1].lower() == "i" and len(inner) > 1):
            raise word.refuse(f"{match[0]!r} names no voltage or current", "v(a), v(a,b) or i(V1)")
        if match[1].lower() == "v":
            probes.append("v(" + ",".join(f"{{{node(name)}}}" for name in inner) + ")")
        else:
            probes.append(f"i({{~{element(inner[0])}}})")
        return f" __probe{len(probes) - 1} "

    hidden = _PROBE.sub(hide, stripped(text.strip()))
    made: list[str] = []
    given = tokens(hidden.replace("{", "(").replace("}", ")"), word)
    well_formed(given, word)
    for k, token in enumerate(given):
        if token.kind == "sign" and token.text in _STRANGE:
            raise word.refuse(f"a source cannot work out {token.text!r}", "+ - * / ^ and ? :")
        probe = _HIDDEN.fullmatch(token.text)
        calls = k + 1 < len(given) and given[k + 1].text == "("
        if probe:
            made.append(probes[int(probe[1])])
        elif token.kind == "number":
            made.append(repr(value_of(token.text)))
        elif token.kind != "name":
            made.append(token.text)
        elif calls:
            if token.text not in _CALLS:
                raise word.refuse(f"a source cannot call {token.text!r}", "a function", _CALLS,
                                  token.text)
            made.append(token.text)
        else:
            value = lookup(token.text)
            if value is None and token.text not in _WORDS:
                raise word.refuse(f"there is no parameter {token.text!r}",
                                  f".param {token.text} = …")
            made.append(token.text if value is None else f"({value!r})")
    if not made:
        raise word.refuse("this expression is empty", "an expression")
    return "".join(made)


def polynomial(inputs: Sequence[str], coefficients: Sequence[float]) -> str:
    """SPICE's POLY as an expression: the constant, then products in the order of their degree."""
    made: list[str] = []
    degree, left = 0, list(coefficients)
    while left:
        for product in combinations_with_replacement(range(len(inputs)), degree):
            if not left:
                break
            coefficient = left.pop(0)
            if coefficient or (not made and not left):
                made.append("*".join([f"({coefficient!r})", *(inputs[k] for k in product)]))
        degree += 1
    return "+".join(made)


def terms(word: Word, inputs: int, given: Sequence[float]) -> None:
    """Refuse a polynomial that is none, or endless."""
    if not 1 <= inputs <= 8 or not 0 < len(given) <= _MOST_TERMS:
        raise word.refuse("this polynomial cannot be read", "POLY(n), n inputs, coefficients")


def table(argument: str, points: Sequence[float], word: Word) -> str:
    """SPICE's TABLE as an expression: straight lines between points, flat beyond the ends."""
    if len(points) < 4 or len(points) % 2:
        raise word.refuse("this table cannot be read", "TABLE {expression} = (x, y) (x, y) …")
    low, high = points[0], points[-2]
    where = f"min(max({argument},{low!r}),{high!r})"
    return f"pwl({where},{','.join(repr(p) for p in points)})"
