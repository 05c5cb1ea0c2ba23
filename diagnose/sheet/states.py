"""The state that a sheet, or one entry of it, says the unit was in when it was read.

A sheet's state holds for each of its readings, word by word, where that states no other; words
that are nothing to a reading are left out of it. What an entry states itself must make sense.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from circuits.errors import InputError
from circuits.quantities import LEVELS, QUANTITIES, STATE
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.state import OPEN, State
from circuits.state_words import load_of, read_state, state_tree
from circuits.yamlfile import Items, Mapping, Node, Text

NO_POWER = "resistance"
"""The quantity that is read with the power off, and with generator and load disconnected."""
_QUIET = ("dc voltage", "supply current", "noise", "snr", "ripple", "hum")
"""Quantities that are read without a signal, where none is stated; on a bench supply the first
two only."""


def is_disconnected(node: Node) -> bool:
    """Whether a load is said to be disconnected."""
    return isinstance(node, Text) and node.value.strip().lower() == "open"


def loaded_with(reading: Reading, stage: Stage) -> float:
    """Ohm of what is at the output while a reading is taken; 0 for nothing."""
    if reading.load:
        return reading.load
    return 0.0 if reading.state.load == OPEN else reading.state.load or stage.load


def put_state(entry: Mapping, name: str, fields: dict[str, Any]) -> None:
    """Put a state into the fields of a reading, in the one form that each state has.

    Parameters
    ----------
    entry : Mapping
        What stands on the sheet.
    name : str
        A quantity that has a state.
    fields : dict
        Of the reading, by their names; its state is changed in place.

    Raises
    ------
    InputError
        With the place, for a state that the reading cannot be taken in.

    Notes
    -----
    A load stands in the state of what has no such condition of its own, a load that is
    disconnected always; what is said twice is the same reading.
    """
    node, beside = entry.get(STATE), entry.get("load")
    state = fields.pop(STATE, State())
    inside = state_tree(node) if node is not None else None
    own = inside.get("load") if inside is not None else None
    if beside is not None and own is not None:
        raise InputError("a load is stated twice", place=entry.keys["load"].place,
                         expected="a load here or in the state")
    if beside is not None and not fields.get("load"):
        state = replace(state, load=load_of(beside))
    where = beside if beside is not None else own
    if name == NO_POWER:
        _refuse_ends(state, entry, inside)
        state = replace(state, load=0.0)
    if where is not None and state.load and name == "damping factor":
        raise InputError("a damping factor is of a load", place=where.place,
                         expected="load: 8 ohm beside the reading, not in a state")
    if state.load and state.load != OPEN and "load" in QUANTITIES[name].optional:
        fields["load"], state = state.load, replace(state, load=0.0)
    reading = Reading(name, **fields)
    if inside is not None:
        _refuse_what_is_not_at_rest(state, inside, reading)
    if state:
        fields[STATE] = state


def _refuse_ends(state: State, entry: Mapping, inside: Mapping | None) -> None:
    """Of an ohmmeter's reading: what is at the ends, and on a supply, while the power is off."""
    wrong = [] if inside is None else [
        (word, inside.keys[word]) for word in ("input", "supply", "mains", "lamp")
        if inside.get(word) is not None
    ]
    if state.load and state.load != OPEN:
        held = entry if "load" in entry.keys else inside
        assert held is not None
        wrong.append(("load", held.keys["load"]))
    for word, key in wrong:
        raise InputError(
            f"{word!r} is nothing to an ohmmeter: generator, load and power are off",
            place=key.place, expected="lifted, pulled, bridged or bypassed",
        )


def _refuse_what_is_not_at_rest(state: State, inside: Mapping, reading: Reading) -> None:
    quiet = reading.quantity in _QUIET and reading.level is None and not reading.driven
    if state.input and not quiet:
        raise InputError(
            f"the generator is at the input of a {reading.quantity}",
            place=inside.keys["input"].place, expected="a reading without a signal",
        )
    if state.input == "open" and reading.quantity == "hum":
        raise InputError(
            "what an open input picks up nobody can tell", place=inside.keys["input"].place,
            expected="shorted or terminated",
        )
    if state.limited and reading.quantity not in _QUIET[:2]:
        raise InputError(
            f"a {reading.quantity} is not simulated on a bench supply",
            place=inside.keys["supply"].place,
            expected="a dc voltage, or a supply current without a signal",
        )
    if state.lamp and not quiet:
        raise InputError(
            f"a {reading.quantity} is not simulated behind a lamp",
            place=inside.keys["lamp"].place, expected="a reading without a signal",
        )
    if state.limited and reading.driven:
        raise InputError("a driven reading is not simulated on a bench supply",
                         place=inside.keys["supply"].place, expected="no signal")


# -- what a sheet says of all its readings ---------------------------------------------------------


def state_of_sheet(top: Mapping, stage: Stage) -> Mapping | None:
    """The state that a sheet states for all its readings, ``load`` alone or a whole ``state``.

    Raises
    ------
    InputError
        With the place.
    """
    node, load = top.get(STATE), top.get("load")
    if node is None and load is None:
        return None
    made = state_tree(node) if node is not None else Mapping({}, {}, top.entries["load"].place)
    if load is not None:
        if "load" in made.entries:
            raise InputError("a load is stated twice", place=top.keys["load"].place,
                             expected="a load here or in the state")
        made = replace(made, entries={**made.entries, "load": load},
                       keys={**made.keys, "load": top.keys["load"]})
    read_state(made, stage)  # wrong here, and not first at a reading
    return made


def stated(node: Node | None, general: Mapping | None) -> Node | None:
    """Readings of a sheet with its state under the one that each states itself, word by word."""
    if general is None or not isinstance(node, Items):
        return node
    return replace(node, items=tuple(_stated(item, general) for item in node.items))


def _stated(item: Node, general: Mapping) -> Node:
    if not isinstance(item, Mapping):
        return item
    word = item.get("quantity")
    name = word.value.lower() if isinstance(word, Text) else ""
    if name not in QUANTITIES or STATE not in QUANTITIES[name].optional:
        return item
    own = item.get(STATE)
    if own is not None and not isinstance(own, (Mapping, Text)):
        return item
    inside = state_tree(own) if own is not None else Mapping({}, {}, item.place)
    left_out = {"load"} if item.get("load") is not None or name == "damping factor" else set()
    left_out |= _nothing_to(name, item, general)
    kept = [key for key in general.entries if key not in left_out and key not in inside.entries]
    if not kept:
        return item
    made = Mapping({**{key: general.entries[key] for key in kept}, **inside.entries},
                   {**{key: general.keys[key] for key in kept}, **inside.keys}, inside.place)
    keys = {**item.keys, STATE: item.keys.get(STATE, Text(STATE, item.place))}
    return replace(item, entries={**item.entries, STATE: made}, keys=keys)


def _nothing_to(name: str, item: Mapping, general: Mapping) -> set[str]:
    """What of a sheet's state cannot be so, or is nothing, while a reading is taken."""
    if name == NO_POWER:
        return {"load", "input", "supply", "mains", "lamp"}
    signal = name not in _QUIET or any(item.get(key) is not None for key in LEVELS)
    signal = signal or (name == "supply current" and item.get("frequency") is not None)
    held = general.get("input")
    unknown = name == "hum" and isinstance(held, Text) and held.value.strip() == "open"
    out = {"input"} if signal or unknown else set()
    out |= {"lamp"} if signal else set()
    return out if name in _QUIET[:2] and not signal else {*out, "supply"}


def at_its_ends(general: Mapping | None) -> Mapping | None:
    """What a sheet's state says of load and input: published figures are of whole units."""
    if general is None:
        return None
    kept = [key for key in general.entries if key in ("load", "input")]
    return Mapping({key: general.entries[key] for key in kept},
                   {key: general.keys[key] for key in kept}, general.place)
