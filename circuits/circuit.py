"""A circuit as the simulator is given it: a netlist whose plain numbers are kept as numbers.

So the engine can see that two circuits differ in values alone. Everything is in SI units, node
names are compared without regard to case and ground is "0".
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from circuits.errors import EngineFault

_NAME = re.compile(r"[RCLKVIBDQJMEGFHSW]\w*", re.IGNORECASE | re.ASCII)
_NODE = re.compile(r"\w[\w.+#-]*", re.ASCII)
# No brace, quote, semicolon or line break: each of them can hang or poison ngspice.
_TEXT = re.compile(r"[\w .,+*/()=<>?:&|!^~%#@-]*", re.ASCII)
# cshunt, interp, sqrnoise and a few more outlive the circuit that set them, so only these pass.
_OPTIONS = frozenset(
    {
        *("abstol", "chgtol", "gmin", "gminsteps", "itl1", "itl2", "itl3", "itl4", "itl5"),
        *("keepopinfo", "maxord", "method", "noopiter", "pivrel", "pivtol", "reltol", "rshunt"),
        *("srcsteps", "tnom", "trtol", "vntol", "xmu"),
    }
)


@dataclass(frozen=True, slots=True)
class Element:
    """One line of a netlist.

    Parameters
    ----------
    name : str
        SPICE name; its first letter says what it is (R, C, L, K, V, I, B, D, Q, J, M, E, G, F, H,
        S or W).
    nodes : tuple of str
        The nodes in SPICE's order (for K: the two inductors).
    value : float, optional
        Ohm, farad, henry, volt or ampere (DC) or gain (E, G): the engine may change it in place.
    text : str
        What follows the nodes where a plain number does not do: a model's name, an expression.
    """

    name: str
    nodes: tuple[str, ...]
    value: float | None = None
    text: str = ""

    def line(self) -> str:
        """The netlist line; raises EngineFault where it could not be trusted to ngspice."""
        head = _head(self.name, self.nodes, self.text)
        if self.value is None:
            if not self.text:
                raise EngineFault(f"{self.name} has neither a value nor a text")
            return head
        return f"{head} {number(self.name, self.value)}"


@dataclass(frozen=True, slots=True)
class Model:
    """A device model: SPICE type (npn, d, njf …) and its parameters."""

    name: str
    type: str
    parameters: tuple[tuple[str, float], ...] = ()

    def line(self) -> str:
        """The `.model` line; raises EngineFault where it could not be trusted to ngspice."""
        return _model_line(self)


@dataclass(frozen=True, slots=True)
class Circuit:
    """A netlist: elements, models, options ("method=gear", "reltol=1e-6") and temperature in °C.

    All sources idle at AC 0; `SmallSignal` wakes the one that drives.
    """

    elements: tuple[Element, ...]
    models: tuple[Model, ...] = ()
    options: tuple[str, ...] = ()
    temperature: float = 27.0

    def text(self) -> str:
        """The whole netlist, title first and `.end` last."""
        return "\n".join(self.lines({}))

    def lines(self, extra: Mapping[str, str]) -> list[str]:
        """The netlist by line, with `extra` options laid over the circuit's own.

        Every option is written once: which of two equal keys ngspice heeds differs by option.
        """
        merged = parse_options(self.options) | dict(extra)
        words = [key if not value else f"{key}={value}" for key, value in merged.items()]
        return [
            "circuit",
            *(element.line() for element in self.elements),
            *(model.line() for model in self.models),
            f".options {' '.join(words)}" if words else "* no options",
            f".temp {plain(self.temperature)}",
            ".end",
        ]


def plain(value: float) -> str:
    """A number as SPICE reads it, without any suffix; raises EngineFault unless finite."""
    if not math.isfinite(value):
        raise EngineFault(f"a circuit cannot hold the number {value}")
    return float.__repr__(float(value))


def number(name: str, value: float) -> str:
    """The value of element `name`, ready for ngspice."""
    if value == 0.0 and name[0] in "Rr":
        raise EngineFault(f"{name} is 0 ohm, which ngspice would quietly turn into 1 milliohm")
    return plain(value)


def parse_options(options: Iterable[str]) -> dict[str, str]:
    """Options as a mapping; raises EngineFault for one that is unknown or would leak."""
    parsed: dict[str, str] = {}
    for option in options:
        key, _, value = option.strip().lower().partition("=")
        key, value = key.strip(), value.strip()
        if key not in _OPTIONS:
            allowed = ", ".join(sorted(_OPTIONS))
            raise EngineFault(f"simulator option {key!r} is not one of: {allowed}")
        parsed[key] = _checked(_TEXT, value, "option")
    return parsed


@lru_cache(maxsize=4096)
def _head(name: str, nodes: tuple[str, ...], text: str) -> str:
    _checked(_NAME, name, "element name")
    for node in nodes:
        _checked(_NODE, node, "node name")
    return " ".join((name, *nodes, *((_checked(_TEXT, text, "text"),) if text else ())))


@lru_cache(maxsize=1024)
def _model_line(model: Model) -> str:
    _checked(_NODE, model.name, "model name")
    _checked(_NODE, model.type, "model type")
    words = [
        f"{_checked(_NODE, key, 'parameter')}={plain(value)}" for key, value in model.parameters
    ]
    return f".model {model.name} {model.type}({' '.join(words)})"


def _checked(pattern: re.Pattern[str], word: str, what: str) -> str:
    if not pattern.fullmatch(word):
        raise EngineFault(f"{word!r} cannot serve as {what} in a netlist")
    return word
