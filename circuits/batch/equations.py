"""The equations of a topology: which unknowns, and where in them each element stands.

Modified nodal analysis: unknowns are the voltages of nodes and of the inner nodes of devices, and
currents of voltage sources, inductors and joints. What an element adds to the matrix is a number of
its own times a constant; so the matrices of all units are one sparse product.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from circuits.batch.families import FAMILIES, GROUNDED, Family
from circuits.batch.formulas import Formulas
from circuits.batch.lu import Array, Places
from circuits.batch.topology import Formula, Line

_BRANCHED = "vlze"
"""Kinds whose current is an unknown."""


@dataclass(frozen=True, eq=False)
class Group:
    """The devices of one family.

    Attributes
    ----------
    family : Family
        Its laws.
    names : tuple of str
        Of the elements.
    rows : (T, d) array
        Of the terminals; -1 is ground.
    plus, minus : (k, d) arrays
        Rows between which the branches lie.
    currents, charges : csr arrays (entries, p d)
        From the derivatives that a family's `PATTERN` names to the entries of the matrix.
    injected : csr array (n, T d)
        From currents into the terminals to the equations.
    """

    family: Family
    names: tuple[str, ...]
    rows: Places
    plus: Places
    minus: Places
    currents: Any
    charges: Any
    injected: Any


@dataclass(frozen=True, eq=False)
class Equations:
    """The equations of one topology.

    Attributes
    ----------
    lines : tuple of Line
    row : mapping
        Of nodes, by name in lower case, and of branches.
    size : int
        How many unknowns.
    at_row, at_column : (e,) arrays
        Where entries are.
    conductances, capacitances : csr arrays (entries, m + 1)
        From the numbers of the linear elements, and one, to the matrices G and C of G + jωC.
    sources : csr array (n, s)
        From the numbers of sources to the right hand side.
    numbers : mapping of str to slice
        Where the numbers of a kind stand among the m.
    """

    lines: tuple[Line, ...]
    row: Mapping[str, int]
    size: int
    at_row: Places
    at_column: Places
    conductances: Any
    capacitances: Any
    sources: Any
    of_kind: Mapping[str, tuple[int, ...]]
    groups: tuple[Group, ...]

    def ends(self, k: int) -> tuple[int, int]:
        """Rows of the first two nodes of a line."""
        a, b = self.lines[k].nodes[:2]
        return self.row[a.lower()], self.row[b.lower()]

    @cached_property
    def firm(self) -> Array:
        """Entries (e,) that are no smaller in one unit than in another, as far as can be told.

        What a node has to itself, since all that hangs on it adds up there; and the ones by which a
        source ties nodes. What a device adds beside the diagonal may vanish.
        """
        tied = self.conductances[:, [-1]].toarray()[:, 0] != 0.0
        branches = {row for name, row in self.row.items() if name.startswith("#")}
        own = self.at_row == self.at_column
        found: Array = tied | (own & ~np.isin(self.at_row, list(branches)))
        return found

    @cached_property
    def slot(self) -> Mapping[tuple[int, int], int]:
        """The entry at a row and column."""
        pairs = zip(self.at_row.tolist(), self.at_column.tolist(), strict=True)
        return {pair: k for k, pair in enumerate(pairs)}

    @cached_property
    def _by(self) -> tuple[tuple[Places, Places, Places], tuple[Places, Places, Places]]:
        """Entries sorted by row, the rows that have any, and where each begins; by column."""
        found = []
        for places in (self.at_row, self.at_column):
            order = np.argsort(places, kind="stable")
            found.append((order, *np.unique(places[order], return_index=True)))
        return found[0], found[1]

    def times(self, entries: Array, vectors: Array, transposed: bool = False) -> Array:
        """Matrices with entries (e, …), or their transposes, times vectors (n, …)."""
        order, rows, begin = self._by[transposed]
        across = self.at_row if transposed else self.at_column
        products = entries[order] * vectors[across[order]]
        found = np.zeros(vectors.shape, products.dtype)
        found[rows] = np.add.reduceat(products, begin, axis=0)
        return found

    @cached_property
    def place(self) -> Mapping[str, int]:
        """The number of each line by its name in lower case."""
        return {line.name.lower(): k for k, line in enumerate(self.lines)}


def _of_volts(line: Line) -> bool:
    return isinstance(line.shape, Formula) and line.shape.kind == "v"


class _Entries:
    """Where a matrix has entries, in the order in which they were first met."""

    def __init__(self) -> None:
        self.slots: dict[tuple[int, int], int] = {}

    def at(self, row: int, column: int) -> int:
        return self.slots.setdefault((row, column), len(self.slots))


@dataclass
class _Stamps:
    """Constants by which numbers go into entries."""

    slots: list[int]
    numbers: list[int]
    signs: list[float]

    @classmethod
    def none(cls) -> _Stamps:
        return cls([], [], [])

    def add(self, slot: int, number: int, sign: float) -> None:
        self.slots.append(slot)
        self.numbers.append(number)
        self.signs.append(sign)

    def matrix(self, height: int, width: int) -> Any:
        return sparse.csr_array((self.signs, (self.slots, self.numbers)), (height, width))


def equations(
    lines: Sequence[Line], between: Sequence[tuple[str, str]] = ()
) -> Equations:
    """The equations of a topology.

    Parameters
    ----------
    between : sequence of (str, str)
        Nodes between which a meter may come to lie.
    """
    row: dict[str, int] = {"0": -1, "gnd": -1}
    for line in lines:
        if line.kind != "k":
            for name in line.nodes:
                if name.lower() not in row:
                    row[name.lower()] = len(row) - 2
    groups = _devices(lines, row)
    for line in lines:
        if line.kind in _BRANCHED or _of_volts(line):
            row[f"#{line.name.lower()}"] = len(row) - 2
    groups += _formulas(lines, row)
    size = len(row) - 2
    entries = _Entries()
    of_kind: dict[str, list[int]] = {}
    for k, line in enumerate(lines):
        of_kind.setdefault(line.kind, []).append(k)
    one = len(lines)
    static, moving, sources = _Stamps.none(), _Stamps.none(), _Stamps.none()
    for k, line in enumerate(lines):
        stamp = _branch if _of_volts(line) else _STAMPS.get(line.kind, _nothing)
        stamp(line, k, one, row, entries, static, moving, sources)
    for pair in between:
        for i, j, _ in _pairs(*(row[name.lower()] for name in pair)):
            entries.at(i, j)
    currents = [_stamps(met, met.family.PATTERN, entries) for met in groups]
    charges = [_stamps(met, met.family.CHARGE_PATTERN, entries) for met in groups]
    height = len(entries.slots)
    at_row, at_column = (np.array(x, np.intp) for x in zip(*entries.slots, strict=True))
    return Equations(
        tuple(lines), row, size, at_row, at_column,
        static.matrix(height, one + 1), moving.matrix(height, one + 1),
        sources.matrix(size, one + 1),
        {kind: tuple(places) for kind, places in of_kind.items()},
        tuple(_group(*one, height, size) for one in zip(groups, currents, charges, strict=True)),
    )


# -- linear elements -------------------------------------------------------------------------------

_Row = Mapping[str, int]
_Stamp = Callable[[Line, int, int, _Row, _Entries, _Stamps, _Stamps, _Stamps], None]


def _nothing(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    """A device stands in a group."""


def _pairs(a: int, b: int) -> list[tuple[int, int, float]]:
    """Where a conductance between two nodes goes, and its sign."""
    places = [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)]
    return [(i, j, sign) for i, j, sign in places if i >= 0 and j >= 0]


def _conductance(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    a, b = (row[n.lower()] for n in line.nodes)
    into = moving if line.kind == "c" else static
    for i, j, sign in _pairs(a, b) if a != b else ():
        into.add(entries.at(i, j), k, sign)


def _branch(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    own = row[f"#{line.name.lower()}"]
    for name, sign in zip(line.nodes[:2], (1.0, -1.0), strict=True):
        at = row[name.lower()]
        if at >= 0:
            static.add(entries.at(at, own), one, sign)
            static.add(entries.at(own, at), one, sign)
    if line.kind == "v":
        sources.add(own, k, 1.0)
    elif line.kind == "b":
        return
    elif line.kind == "z":
        static.add(entries.at(own, own), k, -1.0)
    elif line.kind == "l":
        moving.add(entries.at(own, own), k, -1.0)
    else:
        for name, sign in zip(line.nodes[2:], (-1.0, 1.0), strict=True):
            at = row[name.lower()]
            if at >= 0:
                static.add(entries.at(own, at), k, sign)


def _coupling(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    a, b = (row[f"#{name.lower()}"] for name in line.nodes)
    moving.add(entries.at(a, b), k, -1.0)
    moving.add(entries.at(b, a), k, -1.0)


def _current(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    for name, sign in zip(line.nodes, (-1.0, 1.0), strict=True):
        if row[name.lower()] >= 0:
            sources.add(row[name.lower()], k, sign)


def _transconductance(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    a, b, c, d = (row[name.lower()] for name in line.nodes)
    for i, j, sign in ((a, c, 1.0), (a, d, -1.0), (b, c, -1.0), (b, d, 1.0)):
        if i >= 0 and j >= 0:
            static.add(entries.at(i, j), k, sign)


def _following(
    line: Line, k: int, one: int, row: _Row, entries: _Entries, static: _Stamps, moving: _Stamps,
    sources: _Stamps,
) -> None:
    """A current that is a number of times that of a source."""
    own = row[f"#{line.shape}"]
    for name, sign in zip(line.nodes, (1.0, -1.0), strict=True):
        at = row[name.lower()]
        if at >= 0:
            static.add(entries.at(at, own), k, sign)


_STAMPS: dict[str, _Stamp] = {
    "f": _following,
    "r": _conductance, "c": _conductance, "v": _branch, "z": _branch, "l": _branch, "e": _branch,
    "k": _coupling, "i": _current, "g": _transconductance,
}


# -- devices ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Met:
    """Devices of one family with the rows of their terminals and of the ends of their branches."""

    family: Family
    names: tuple[str, ...]
    ends: Places
    plus: Places
    minus: Places


def _devices(lines: Sequence[Line], row: dict[str, int]) -> list[_Met]:
    """The devices of each family; their inner nodes get rows."""
    found: list[_Met] = []
    for letter, family in FAMILIES.items():
        mine = [line for line in lines if line.kind == letter]
        if not mine:
            continue
        ends = np.full((len(family.TERMINALS), len(mine)), -1, np.intp)
        for d, line in enumerate(mine):
            at = dict(zip(family.TERMINALS, [row[n.lower()] for n in line.nodes], strict=False))
            same = dict(line.shape) if isinstance(line.shape, tuple) else {}
            for t, terminal in enumerate(family.TERMINALS):
                if terminal in at:
                    ends[t, d] = at[terminal]
                elif terminal in same:
                    ends[t, d] = at[same[terminal]]
                elif terminal not in GROUNDED.get(letter, ()):
                    ends[t, d] = row[f"{line.name.lower()}#{terminal}"] = len(row) - 2
        place = {terminal: t for t, terminal in enumerate(family.TERMINALS)}
        plus, minus = (ends[[place[branch[k]] for branch in family.BRANCHES]] for k in (0, 1))
        found.append(_Met(family, tuple(line.name for line in mine), ends, plus, minus))
    return found


def _formulas(lines: Sequence[Line], row: _Row) -> list[_Met]:
    """Sources that follow expressions, those of one formula together."""
    alike: dict[Formula, list[Line]] = {}
    for line in lines:
        if isinstance(line.shape, Formula):
            about = replace(line.shape, currents=())
            alike.setdefault(about, []).append(line)
    found: list[_Met] = []
    for about, mine in alike.items():
        ends, plus, minus = [], [], []
        for line in mine:
            assert isinstance(line.shape, Formula)
            at = [row[n.lower()] for n in line.nodes]
            own, taken = at[:2], at[2:]
            flows = [row[f"#{name.lower()}"] for name in line.shape.currents]
            ends.append(own if about.kind == "i" else [row[f"#{line.name.lower()}"]])
            plus.append([*taken[::2], *flows])
            minus.append([*taken[1::2], *(-1 for _ in flows)])
        family = Formulas(about.expression)
        rows = (np.array(x, np.intp).reshape(len(mine), -1).T for x in (ends, plus, minus))
        found.append(_Met(family, tuple(line.name for line in mine), *rows))
    return found


def _stamps(
    met: _Met, pattern: Sequence[tuple[int, int]], entries: _Entries
) -> _Stamps:
    """Where derivatives of currents or charges go."""
    made, count = _Stamps.none(), len(met.names)
    for p, (terminal, branch) in enumerate(pattern):
        for d in range(count):
            at, a, b = (int(x) for x in (met.ends[terminal, d], met.plus[branch, d],
                                         met.minus[branch, d]))
            if at < 0 or a == b:
                continue
            for node, sign in ((a, 1.0), (b, -1.0)):
                if node >= 0:
                    made.add(entries.at(at, node), p * count + d, sign)
    return made


def _group(met: _Met, currents: _Stamps, charges: _Stamps, height: int, size: int) -> Group:
    count = len(met.names)
    injected = _Stamps.none()
    for (t, d), at in np.ndenumerate(met.ends):
        if at >= 0:
            injected.add(int(at), t * count + d, 1.0)
    return Group(
        met.family, met.names, met.ends, met.plus, met.minus,
        currents.matrix(height, len(met.family.PATTERN) * count),
        charges.matrix(height, len(met.family.CHARGE_PATTERN) * count),
        injected.matrix(size, len(met.family.TERMINALS) * count),
    )
