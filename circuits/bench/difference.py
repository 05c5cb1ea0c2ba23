"""What tells one circuit from another, as commands to ngspice.

Altering in place was compared with loading afresh for resistors, capacitors, inductors, sources,
gains and the models of diodes, bipolar and field-effect transistors: the results agree to the last
bit for numbers that both of ngspice's readers of numbers take exactly (they round differently, by
one unit in the last place of a quarter of all numbers).
"""

from __future__ import annotations

from collections.abc import Sequence

from circuits.circuit import Circuit, Model, number, plain

_ALTERABLE = {
    "r": "resistance",
    "c": "capacitance",
    "l": "inductance",
    "v": "dc",
    "i": "dc",
    "e": "gain",
    "g": "gain",
}


def differences(old: Circuit, new: Circuit) -> list[str] | None:
    """The commands that turn one loaded circuit into another; None where they cannot."""
    if (
        len(old.elements) != len(new.elements)
        or old.options != new.options
        or old.temperature != new.temperature
    ):
        return None
    changes: list[str] = []
    for a, b in zip(old.elements, new.elements, strict=True):
        if a is b:
            continue
        if a.name != b.name or a.nodes != b.nodes or a.text != b.text:
            return None
        if a.value != b.value:
            word = _ALTERABLE.get(b.name[0].lower())
            if word is None or a.value is None or b.value is None:
                return None
            changes.append(f"alter {b.name.lower()} {word} = {number(b.name, b.value)}")
    models = _model_differences(old.models, new.models)
    return None if models is None else changes + models


def _model_differences(old: Sequence[Model], new: Sequence[Model]) -> list[str] | None:
    if len(old) != len(new):
        return None
    changes: list[str] = []
    for a, b in zip(old, new, strict=True):
        if a is b or a == b:
            continue
        keys = [key for key, _ in a.parameters]
        if a.name != b.name or a.type != b.type or keys != [key for key, _ in b.parameters]:
            return None
        changes.extend(
            f"altermod {b.name.lower()} {key.lower()} = {plain(value)}"
            for (key, value), (_, before) in zip(b.parameters, a.parameters, strict=True)
            if value != before
        )
    return changes
