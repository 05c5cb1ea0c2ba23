"""Harmonic balance: the periodic steady state of many units under drive.

Unknown are the lines of the voltages on branches that bend (`circuits.batch.ports`): what the
linear network makes of the drive and of the remainders of the devices must be what these were
worked out for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits.batch.grid import Grid
from circuits.batch.lu import Array
from circuits.batch.ports import Devices, Reduced

_NEWTON = 25
"""Steps of Newton's method until a unit is given up."""
_EXACT = 1e-7
"""Of the largest line that is read, what a step of a solution moves any of them by at most."""
_QUIET = 1e-9
"""V on branches that a step of a solution may move in any case."""


@dataclass(frozen=True, eq=False)
class System:
    """Units under drive.

    Attributes
    ----------
    turns : (K + 1,) array
        jω of each line.
    linear, heard : (R, P, u), (R, o, u) arrays
        What the drive does by itself to branches and to what is read.
    """

    grid: Grid
    turns: Array
    net: Reduced
    devices: Devices
    linear: Array
    heard: Array

    def some(self, places: Any) -> System:
        """Some of the units."""
        return System(self.grid, self.turns, self.net.some(places), self.devices.some(places),
                      self.linear[..., places], self.heard[..., places])

    @property
    def count(self) -> int:
        """How many units."""
        return int(self.linear.shape[-1])


def system(
    grid: Grid, frequencies: Array, net: Reduced, devices: Devices, crests: Array
) -> System:
    """Units with a drive.

    Parameters
    ----------
    frequencies : (K + 1,) array
        Of lines, Hz.
    crests : (K + 1, u) array
        V that the source gives at each line.
    """
    return System(
        grid, 2j * np.pi * frequencies, net, devices,
        grid.parts(net.driven * crests[:, None]), grid.parts(net.heard * crests[:, None]),
    )


@dataclass(frozen=True, eq=False)
class _Point:
    """Where a solution has got to: what the devices do, and how far that is from agreement.

    Attributes
    ----------
    lines : (K + 1, J, u) complex array
        Currents of the remainders.
    off : (R, P, u) array
        V that the unknowns are too much by.
    slopes : tuple of arrays (2, j, p, N, d, u)
        Derivatives of currents and charges of the remainders of each part.
    waves : tuple of (k, N, d, u) arrays
        Branches of each part at the samples.
    """

    lines: Array
    off: Array
    slopes: tuple[Array, ...]
    waves: tuple[Array, ...]


def _branches(system: System, unknown: Array) -> tuple[Array, ...]:
    """Voltages of all branches at the samples."""
    size, many, count = unknown.shape
    flat = system.grid.synthesis @ unknown.reshape(size, -1)
    waves = flat.reshape(-1, many, count)
    found, start = [], 0
    for one, law in zip(system.devices.parts, system.devices.laws, strict=True):
        rest = law[2]
        k, d, u = rest.shape
        x = np.empty((k, len(waves), d, u))
        x[:] = rest[:, None]
        for b in one.branches:
            x[b] += waves[:, start : start + d]
            start += d
        found.append(x)
    return tuple(found)


def _unknown(system: System, waves: tuple[Array, ...]) -> Array:
    """The unknowns of voltages at the samples."""
    moved = [
        np.moveaxis(x[list(one.branches)] - law[2][list(one.branches), None], 0, 1)
        for one, law, x in zip(system.devices.parts, system.devices.laws, waves, strict=True)
    ]
    flat = np.concatenate([m.reshape(m.shape[0], -1, m.shape[-1]) for m in moved], axis=1)
    size, many, count = flat.shape
    found: Array = system.grid.analysis @ flat.reshape(size, -1)
    return found.reshape(-1, many, count)


def _point(system: System, unknown: Array) -> _Point:
    waves = _branches(system, unknown)
    flows, stores, slopes = [], [], []
    for one, law, x in zip(system.devices.parts, system.devices.laws, waves, strict=True):
        family, p, rest, i0, g0, q0, c0 = law
        i, g, q, c = family.both(p, x)
        t, b = list(one.terminals), list(one.branches)
        moved = x[b] - rest[b, None]
        places = np.ix_(t, b)
        flows.append(i[t] - i0[:, None] - np.einsum("jpdu,pndu->jndu", g0, moved))
        stores.append(q[t] - q0[:, None] - np.einsum("jpdu,pndu->jndu", c0, moved))
        slopes.append(np.stack([g[places] - g0[:, :, None], c[places] - c0[:, :, None]]))
    lines = _lines(system, flows) + system.turns[:, None, None] * _lines(system, stores)
    answer = np.einsum("kpju,kju->kpu", system.net.impedances, lines)
    off = unknown - system.linear + system.grid.parts(answer)
    return _Point(lines, off, tuple(slopes), waves)


def _lines(system: System, waves: list[Array]) -> Array:
    """Lines (K + 1, J, u) of waves (j, N, d, u) of each part."""
    moved = [np.moveaxis(x, 0, 1) for x in waves]
    flat = np.concatenate([m.reshape(m.shape[0], -1, m.shape[-1]) for m in moved], axis=1)
    size, many, count = flat.shape
    numbers = (system.grid.analysis @ flat.reshape(size, -1)).reshape(-1, many, count)
    return system.grid.whole(numbers)


def _jacobian(system: System, at: _Point) -> Array:
    """Derivatives (u, n, n) of what the unknowns are off by, n = R P."""
    grid, net = system.grid, system.net
    coefficients, differences, sums = grid.products
    size, many = grid.size, net.driven.shape[1]
    share = np.ones((grid.lines + 1, 1, 1))
    share[0] = 0.5
    whole = np.zeros((system.count, grid.lines + 1, many, size, many), complex)
    start = begin = 0
    for slope in at.slopes:
        _, j, p, n, d, u = slope.shape
        waves = np.moveaxis(slope, 3, 0).reshape(n, -1)
        spectrum = (coefficients @ waves).reshape(-1, 2, j, p, d * u)
        less, more = spectrum[differences], spectrum[sums]
        columns = np.concatenate([less + more, 1j * (less - more)[:, 1:]], axis=1)
        turned = columns[:, :, 0] + system.turns[:, None, None, None, None] * columns[:, :, 1]
        turned[0] *= 0.5
        turned = turned.reshape(grid.lines + 1, size, j, p, d, u)
        own = net.impedances[:, :, begin : begin + j * d].reshape(-1, many, j, d, u)
        # (u, d, K + 1, P, j) by (u, d, K + 1, j, R p)
        product = np.matmul(
            own.transpose(4, 3, 0, 1, 2),
            turned.transpose(5, 4, 0, 2, 1, 3).reshape(u, d, -1, j, size * p),
        ).reshape(u, d, grid.lines + 1, many, size, p)
        whole[..., start : start + p * d] += product.transpose(0, 2, 3, 4, 5, 1).reshape(
            u, grid.lines + 1, many, size, p * d)
        start += p * d
        begin += j * d
    n = size * many
    found = np.concatenate([whole.real, whole.imag[:, 1:]], axis=1).reshape(-1, n, n)
    found[:, range(n), range(n)] += 1.0
    return found


@dataclass(frozen=True, eq=False)
class Steady:
    """Units in their periodic steady state.

    Attributes
    ----------
    unknown : (R, P, u) array
    heard : (K + 1, o, u) complex array
        Lines of what is read, beside its rest.
    settled : (u,) array of bool
    """

    unknown: Array
    heard: Array
    settled: Array


def _read(system: System, at: _Point) -> Array:
    """Numbers (R, o, u) of what is read."""
    answer = np.einsum("koju,kju->kou", system.net.read, at.lines)
    found: Array = system.heard - system.grid.parts(answer)
    return found


def newton(system: System, start: Array) -> Steady:
    """The steady state by Newton's method, every unit with derivatives of its own."""
    unknown = start.copy()
    settled = np.zeros(system.count, bool)
    heard = np.zeros((system.grid.lines + 1, *system.heard.shape[1:]), complex)
    live = np.arange(system.count)
    here, x = system, unknown
    last = None
    for turn in range(_NEWTON):
        at = _point(here, x)
        now = _read(here, at)
        if last is not None:
            size = np.abs(now).max(axis=(0, 1))
            done = np.abs(now - last).max(axis=(0, 1)) <= _EXACT * size
            done &= ~cut & (np.abs(step).max(axis=(0, 1)) < 1e-3)
            lost = ~np.isfinite(now).all(axis=(0, 1))
            ends = live[done]
            unknown[..., ends], settled[ends] = x[..., done], True
            heard[..., ends] = system.grid.whole(now[..., done])
            keep = np.flatnonzero(~(done | lost))
            if not keep.size:
                break
            if len(keep) < len(live):
                live, here, x, now = live[keep], here.some(keep), x[..., keep], now[..., keep]
                at = _Point(at.lines[..., keep], at.off[..., keep],
                            tuple(s[..., keep] for s in at.slopes),
                            tuple(w[..., keep] for w in at.waves))
        last = now
        matrix = _jacobian(here, at)
        right = np.moveaxis(at.off, -1, 0).reshape(here.count, -1, 1)
        step = np.moveaxis(np.linalg.solve(matrix, right).reshape(
            here.count, *x.shape[:2]), 0, -1)
        x, cut = _limited(here, at, x - step)
    return Steady(unknown, heard, settled)


def _limited(system: System, at: _Point, new: Array) -> tuple[Array, Array]:
    """Unknowns whose step leads no junction too far, and the units (u,) where it would have."""
    wanted = _branches(system, new)
    cut = np.zeros(system.count, bool)
    taken = []
    for law, x, old in zip(system.devices.laws, wanted, at.waves, strict=True):
        less, short = law[0].limit(law[1], x, old)
        cut |= short.any(axis=tuple(range(short.ndim - 1)))
        taken.append(less)
    if cut.any():
        some = _unknown(system, tuple(taken))
        new = new.copy()
        new[..., cut] = some[..., cut]
    return new, cut
