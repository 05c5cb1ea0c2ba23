"""The laws of devices, by the letter that SPICE names them with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol, cast

from circuits.batch.devices import bipolar, diode, jfet, mosfet
from circuits.batch.devices.card import Card, Cards, Flags, Floats
from circuits.batch.devices.noisy import Source


class Family(Protocol):
    """What the engine asks of the devices of a family; see `circuits.batch.devices`."""

    TERMINALS: Sequence[str]
    BRANCHES: Sequence[tuple[str, str]]
    PATTERN: Sequence[tuple[int, int]]
    CHARGE_PATTERN: Sequence[tuple[int, int]]

    def start(self, p: Any) -> Floats: ...

    def evaluate(self, p: Any, x: Floats, gmin: float = ...) -> tuple[Floats, Floats]: ...

    def both(
        self, p: Any, x: Floats, gmin: float = ...
    ) -> tuple[Floats, Floats, Floats, Floats]: ...

    def limit(self, p: Any, new: Floats, old: Floats) -> tuple[Floats, Flags]: ...

    def noise(self, p: Any, x: Floats) -> tuple[Source, ...]: ...


class Device(Family, Protocol):
    """A family whose parameters stand on cards."""

    def unsupported(self, card: Card) -> str: ...

    def collapsed(self, card: Card) -> tuple[tuple[str, str], ...]: ...

    def parameters(self, cards: Cards) -> Any: ...


FAMILIES: Mapping[str, Device] = {
    "d": cast(Device, diode), "j": cast(Device, jfet), "m": cast(Device, mosfet),
    "q": cast(Device, bipolar),
}
"""One module each."""
GROUNDED: Mapping[str, tuple[str, ...]] = {"q": ("s",)}
"""Terminals that are ground where an element does not name them."""
