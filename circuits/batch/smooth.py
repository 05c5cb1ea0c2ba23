"""What changes smoothly from line to line, of all lines, by a few of them.

A reduced network is a ratio of polynomials in frequency whose poles, in an amplifier within its
band, are far from sharp: on a scale of octaves it is told by a few lines an octave. Whether it is
so smooth is looked for: each second of those lines must be what the others make of it. What error
is left is one of a linear network, which makes no products.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import sparse

from circuits.batch.lu import Array, Places

_OCTAVE = (8, 24)
"""Lines an octave: the second of units that are not smooth enough for the first, as an output
transformer makes them."""
_POINTS = 6
"""Lines that one between them is made of, by the polynomial through them over octaves."""
_SMOOTH = 1e-2
"""How far each second line may be from what the others make of it; with all of them the error is a
sixteenth of that or less (resonances of a quality from 0.5 to 2)."""
_LEAST = 1e-3
"""Of the largest of all lines, what an error is told relative to at least."""
_ROUNDED = 1e-12
"""The same of the largest number of all that a unit has: a hundredth of that is what is left by
rounding."""


def smooth(exact: Callable[[Places, Places], Array], lines: int, units: int) -> Array:
    """Numbers of lines 0 to `lines`.

    Parameters
    ----------
    exact : callable
        Orders (n,) and units (v,) → their numbers (n, v, …).

    Returns
    -------
    (lines + 1, u, …) array
        Of units in which they are not smooth, each line exactly.
    """
    found, rough = _by_few(exact, lines, np.arange(units), _OCTAVE[0])
    for each in _OCTAVE[1:]:
        if rough.size:
            found[:, rough], off = _by_few(exact, lines, rough, each)
            rough = rough[off]
    if rough.size:
        found[:, rough] = exact(np.arange(lines + 1), rough)
    return found


def _by_few(
    exact: Callable[[Places, Places], Array], lines: int, units: Places, each: int
) -> tuple[Array, Places]:
    """All lines of some units by so many an octave, and places of units that are not smooth."""
    orders, held, checked, whole = _plan(lines, each)
    known = exact(orders, units)
    flat = known.reshape(len(orders), -1)
    near = np.abs(_times(checked, flat) - flat[held]).reshape(len(held), *known.shape[1:])
    size = np.abs(known)
    rest = tuple(k for k in range(known.ndim) if k != 1)
    least = np.maximum(_LEAST * size.max(axis=0), _ROUNDED * size.max(axis=rest, keepdims=True))
    sure = (near <= _SMOOTH * np.maximum(size[held], least)).all(axis=rest)
    return _times(whole, flat).reshape(lines + 1, *known.shape[1:]), np.flatnonzero(~sure)


def _times(matrix: Any, flat: Array) -> Array:
    """Of complex numbers as pairs of real ones."""
    found: Array = matrix @ flat.view(float)
    return found.view(complex)


@lru_cache(maxsize=16)
def _plan(lines: int, each: int) -> tuple[Places, Places, Any, Any]:
    """Orders worked out, so many an octave; places of those held against others; both sums."""
    steps = np.arange(int(np.ceil(each * np.log2(lines))) + 1)
    orders = np.unique([0, *np.minimum(np.rint(2.0 ** (steps / each)), lines)]).astype(np.intp)
    # below, every line is worked out, and none is between others
    first = int(np.flatnonzero(np.diff(orders) > 1)[0]) if (np.diff(orders) > 1).any() else -1
    held = np.arange(first + 1, len(orders) - 1, 2) if first > 0 else np.zeros(0, np.intp)
    others = np.setdiff1d(np.arange(len(orders)), held)
    return (orders, held, _made_of(orders[held], orders, others),
            _made_of(np.arange(lines + 1), orders, np.arange(len(orders))))


def _made_of(wanted: Places, orders: Places, places: Places) -> Any:
    """Sums (w, n) by which wanted orders are made of some of those that are known."""
    known = orders[places]
    octaves = np.log2(np.maximum(known, 0.5))
    rows: list[int] = []
    columns: list[int] = []
    shares: list[float] = []
    for row, order in enumerate(wanted.tolist()):
        after = int(np.searchsorted(known, order))
        if after < len(known) and known[after] == order:
            rows.append(row)
            columns.append(int(places[after]))
            shares.append(1.0)
            continue
        # line 0 is none of a curve over octaves
        begin = min(max(after - _POINTS // 2, 1), len(known) - _POINTS)
        here = octaves[begin : begin + _POINTS]
        at = np.log2(order)
        for k, place in enumerate(places[begin : begin + _POINTS].tolist()):
            rest = np.delete(here, k)
            rows.append(row)
            columns.append(place)
            shares.append(float(np.prod((at - rest) / (here[k] - rest))))
    return sparse.csr_array((shares, (rows, columns)), (len(wanted), len(orders)))
