"""The laws of devices, by the letter that SPICE names them with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol, cast

from circuits.batch.devices import bipolar, diode, jfet, mosfet
from circuits.batch.devices.card import Card, Cards, Flags, Floats
from circuits.batch.devices.noisy import Source


class Family(Protocol):
    """What the engine asks of the devices of a family; see `circuits.batch.devices`."""

    @property
    def TERMINALS(self) -> Sequence[str]:  # noqa: N802 - a module's constant, or as good as that
        """Names of the terminals, inner ones included."""
        ...

    @property
    def BRANCHES(self) -> Sequence[tuple[str, str]]:  # noqa: N802
        """Terminals between which the controlling voltages lie."""
        ...

    @property
    def PATTERN(self) -> Sequence[tuple[int, int]]:  # noqa: N802
        """Terminals and branches whose derivatives of currents can differ from zero."""
        ...

    @property
    def CHARGE_PATTERN(self) -> Sequence[tuple[int, int]]:  # noqa: N802
        """The same of charges."""
        ...

    def start(self, p: Any) -> Floats:
        """Branch voltages (k, d, u) where Newton begins."""
        ...

    def evaluate(self, p: Any, x: Floats, gmin: float = ...) -> tuple[Floats, Floats]:
        """Currents into terminals (T, …, d, u), A, and derivatives (T, k, …, d, u), S."""
        ...

    def both(self, p: Any, x: Floats, gmin: float = ...) -> tuple[Floats, Floats, Floats, Floats]:
        """`evaluate`, and charges with theirs, C and F."""
        ...

    def small_signal(self, p: Any, x: Floats, gmin: float = ...) -> tuple[Floats, Floats]:
        """Derivatives of currents and of charges, as an a.c. analysis has them."""
        ...

    def limit(self, p: Any, new: Floats, old: Floats) -> tuple[Floats, Flags]:
        """What of a step of Newton's is taken, and the devices (d, u) whose step was cut."""
        ...

    def noise(self, p: Any, x: Floats) -> tuple[Source, ...]:
        """Sources of noise at a bias."""
        ...


class Device(Family, Protocol):
    """A family whose parameters stand on cards."""

    def unsupported(self, card: Card) -> str:
        """Why ngspice must compute the device of a card; empty where it need not."""
        ...

    def collapsed(self, card: Card) -> tuple[tuple[str, str], ...]:
        """Pairs of an inner and an outer terminal that are one node."""
        ...

    def parameters(self, cards: Cards) -> Any:
        """Parameters of d devices in u units."""
        ...


FAMILIES: Mapping[str, Device] = {
    "d": cast(Device, diode), "j": cast(Device, jfet), "m": cast(Device, mosfet),
    "q": cast(Device, bipolar),
}
"""One module each."""
GROUNDED: Mapping[str, tuple[str, ...]] = {"q": ("s",)}
"""Terminals that are ground where an element does not name them."""
