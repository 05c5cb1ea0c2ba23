"""What makes noise in units at rest, and how much of it arrives at an output."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from circuits.batch.bias import Rest
from circuits.batch.lu import Array, Places
from circuits.batch.units import Units
from circuits.macromodels import BOLTZMANN, KELVIN


@dataclass(frozen=True, eq=False)
class Sources:
    """All sources of noise, as currents between two rows or e.m.f. in one.

    Attributes
    ----------
    plus, minus : (s,) arrays
        Rows; -1 is ground. Of an e.m.f. `minus` is ground and `plus` the row of its branch.
    white : (s, u) array
        A²/Hz (V²/Hz).
    falling : (s, u) array
        A²/Hz at 1 Hz, of what falls with frequency.
    slope : (s, u) array
        Exponent of 1/f of that.
    """

    plus: Places
    minus: Places
    white: Array
    falling: Array
    slope: Array

    def power(self, heard: Array, frequencies: Array) -> Array:
        """Power density at the output (f, u), where of an ampere at each row (n, f, u) arrives."""
        total = np.zeros(heard.shape[1:])
        turns = frequencies[:, None]
        for a, b, white, falling, slope in zip(
            self.plus, self.minus, self.white, self.falling, self.slope, strict=True
        ):
            way = heard[a] if b < 0 else heard[a] - heard[b] if a >= 0 else heard[b]
            density = white + (falling / turns**slope if falling.any() else 0.0)
            total += (way.real**2 + way.imag**2) * density
        return total


def sources(units: Units, at: Rest) -> Sources:
    """Of resistors, joints and devices."""
    made, numbers = units.equations, units.numbers
    ends: list[tuple[int, int]] = []
    white: list[Array] = []
    falling: list[Array] = []
    slope: list[Array] = []
    one = np.ones(units.count)
    thermal = 4.0 * BOLTZMANN * KELVIN
    for k in made.of_kind.get("r", ()):
        a, b = made.ends(k)
        if a == b:
            continue
        ends.append((a, b))
        white.append(thermal * numbers[k])
        flow = np.zeros(units.count)
        if units.flicker[k].any():
            flow = np.abs((at.volts[a] - at.volts[b]) * numbers[k])
            flow = units.flicker[k] * np.maximum(flow, 1e-38) ** units.exponent[k]
        falling.append(flow)
        slope.append(one)
    for k in made.of_kind.get("z", ()):
        ends.append((made.row[f"#{made.lines[k].name.lower()}"], -1))
        white.append(thermal * numbers[k])
        falling.append(0.0 * one)
        slope.append(one)
    for group, p, x in zip(made.groups, units.parameters, at.branches, strict=True):
        place = {terminal: t for t, terminal in enumerate(group.family.TERMINALS)}
        for source in group.family.noise(p, x):
            for d in range(len(group.names)):
                a, b = (int(group.rows[place[t], d]) for t in (source.a, source.b))
                if a != b:
                    ends.append((a, b))
                    white.append(source.white[d])
                    falling.append(source.flicker[d])
                    slope.append(source.slope[d])
    rows = np.array(ends, np.intp).reshape(-1, 2)
    swap = rows[:, 0] < 0
    rows[swap] = rows[swap][:, ::-1]
    shape = (len(ends), units.count)
    return Sources(rows[:, 0], rows[:, 1], *(np.reshape(x, shape) for x in (white, falling, slope)))


def way(units: Units, name: str, heard: Array) -> Array:
    """What arrives of the thermal noise of a resistor, V/√Hz (f, u); see `Sources.power`."""
    made = units.equations
    k = made.place[name.lower()]
    thermal = 4.0 * BOLTZMANN * KELVIN
    if made.lines[k].kind == "z":
        arriving = heard[made.row[f"#{name.lower()}"]]
    else:
        a, b = made.ends(k)
        arriving = (heard[a] if a >= 0 else 0.0) - (heard[b] if b >= 0 else 0.0)
    found: Array = np.abs(arriving) * np.sqrt(thermal * units.numbers[k])
    return found
