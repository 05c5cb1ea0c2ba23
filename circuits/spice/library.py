"""Models and subcircuits of the user's own, from a file of `.model` and `.subckt` statements."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

from circuits.device import Device
from circuits.spice import deck as decks
from circuits.spice.devices import behaviour, device, fitting_kinds, order
from circuits.spice.flat import FlatModel
from circuits.spice.flatten import inside_of, models_of
from circuits.textfile import contents


class Library:
    """The devices of one file or text; they are looked up by name, without regard to case."""

    def __init__(self, text: str, name: str, folder: Path | None = None) -> None:
        self.name = name
        self.deck = decks.read(text, name, folder, title=False)
        for card in self.deck.root.elements:
            raise card.head.refuse(f"{card.head.text!r} is an element, and no device",
                                   ".model or .subckt")

    @cached_property
    def models(self) -> dict[str, FlatModel]:
        """All models by name."""
        return models_of(self.deck)

    def names(self) -> list[str]:
        """What can be named here."""
        return [*self.deck.root.models, *self.deck.root.inner]

    def device(self, name: str, part_kind: str) -> Device | None:
        """The device of a name for a part of a kind; None where there is none of that name.

        Raises
        ------
        InputError
            Where it does not fit the kind.
        """
        low = name.lower()
        if low in self.models:
            return device(name, self.models[low], part_kind)
        definition = self.deck.root.inner.get(low)
        if definition is None:
            return None
        inside = inside_of(self.deck, definition)
        found = order(inside.pins, part_kind)
        if found is None:
            assert definition.word is not None
            raise definition.word.refuse(
                f"{name} has {len(inside.pins)} pins, and no part of kind {part_kind} has",
                "a part of another kind", fitting_kinds(len(inside.pins)))
        return Device(name, part_kind, behaviour=behaviour(inside, found[0]))


def library(path: Path) -> Library:
    """The devices of a file.

    Raises
    ------
    InputError
        With the place.
    """
    return Library(contents(path), str(path), path.parent)
