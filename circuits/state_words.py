"""What a sheet says of a state, read: as a mapping, or in one line as tables have it.

::

    state: {load: open, lifted: [C6.positive], pulled: [Q5], bridged: [[b3, e3]],
            bypassed: {C4: 100u}, supply: {limited to: 200 mA}}
    state: load open; lifted C6.positive; pulled Q5; bridged b3 to e3; bypassed C4 100u
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from circuits import plausible, yamlfile
from circuits.errors import InputError
from circuits.feed import pulses
from circuits.kinds import kind
from circuits.lamp import LAMPS
from circuits.quantity import render
from circuits.stage import GROUND, Part, Stage
from circuits.state import INPUTS, OPEN, State
from circuits.yamlfile import Items, Mapping, Node, Text

KEYS = ("load", "input", "lifted", "pulled", "bridged", "bypassed", "supply", "mains",
        "lamp")
"""Words of a state on a sheet."""
_LIMIT = "limited to"
_LISTED = ("lifted", "pulled")
_AND, _TO = r",|(?<=\s)and(?=\s)", r"(?<=\s)to(?=\s)"
"""What divides several of them in one line, and the two ends of a wire."""
_NOMINAL = 230.0
"""V of the mains where none is stated (IEC 60038)."""
_VARIAC = (0.02, 1.3)
"""What a variac gives, over the nominal voltage."""
_FARADS = (1e-12, 1.0)
"""F of a capacitor that is put across another."""
_EXAMPLE = "such as {load: open, lifted: [C6.positive]}"


def read_state(node: Node, stage: Stage) -> State:
    """The state that stands on a sheet.

    Raises
    ------
    InputError
        With the place: for words, parts, pins or nodes that there are not.
    """
    entry = state_tree(node)
    return State(
        load=_load(entry.get("load")),
        input=_input(entry.get("input")),
        lifted=tuple(sorted({_pin(item, stage) for item in _listed(entry, "lifted")})),
        pulled=tuple(sorted({_part(item, stage).name for item in _listed(entry, "pulled")})),
        bridged=tuple(sorted({_wire(item, stage) for item in _listed(entry, "bridged")})),
        bypassed=_bypassed(entry.get("bypassed"), stage),
        limited=_limit(entry.get("supply")),
        mains=_mains(entry, stage),
        lamp=_lamp(entry, stage),
    )


def state_tree(node: Node) -> Mapping:
    """A state as a mapping, whichever of the two forms it has, with its words looked at.

    Raises
    ------
    InputError
        With the place.
    """
    made = _of_line(node) if isinstance(node, Text) else node
    return yamlfile.mapping(made, "a state", KEYS)


def state_line(node: Node) -> str:
    """What stands as a state, right or wrong, in one line as `read_state` takes it."""
    if isinstance(node, Text):
        return node.value.strip()
    if isinstance(node, Items):
        return " and ".join(state_line(item) for item in node.items)
    said = []
    for key, inside in node.entries.items():
        if isinstance(inside, Mapping):
            pairs = [f"{word} {state_line(value)}" for word, value in inside.entries.items()]
            words = " and ".join(pairs)
        elif isinstance(inside, Items) and key == "bridged":
            words = " and ".join(" to ".join(state_line(end) for end in _ends(pair))
                                 for pair in inside.items)
        else:
            words = state_line(inside)
        said.append(f"{key} {words}".strip())
    return "; ".join(said)


def _ends(pair: Node) -> tuple[Node, ...]:
    return pair.items if isinstance(pair, Items) else (pair,)


# -- one line ----------------------------------------------------------------------------------


def _of_line(line: Text) -> Mapping:
    """The tree of a state in one line, every word of it with its place."""
    entries: dict[str, Node] = {}
    keys: dict[str, Text] = {}
    for clause in _pieces(line, ";"):
        word, _, _ = clause.value.partition(" ")
        key, rest = replace(clause, value=word), _after(clause, len(word))
        if word in keys:
            raise InputError(f"{word!r} stands twice", place=key.place, expected="each word once")
        keys[word] = key
        entries[word] = _inside(word, rest)
    if not entries:
        raise InputError("a state is missing here", place=line.place, expected=_EXAMPLE)
    return Mapping(entries, keys, line.place)


def _inside(word: str, rest: Text) -> Node:
    if word in _LISTED:
        return Items(tuple(_pieces(rest, _AND)), rest.place)
    if word == "bridged":
        return Items(tuple(Items(tuple(_pieces(pair, _TO)), pair.place)
                           for pair in _pieces(rest, _AND)), rest.place)
    if word in ("bypassed", "supply"):
        pairs: dict[str, Node] = {}
        names: dict[str, Text] = {}
        for pair in _pieces(rest, _AND):
            first = _LIMIT if pair.value.startswith(_LIMIT) else pair.value.partition(" ")[0]
            names[first] = replace(pair, value=first)
            pairs[first] = _after(pair, len(first))
        return Mapping(pairs, names, rest.place)
    return rest


def _after(text: Text, count: int) -> Text:
    """What follows the first signs of a text, without blanks, with its own place."""
    rest = text.value[count:]
    blanks = len(rest) - len(rest.lstrip())
    return _moved(text, rest.strip(), count + blanks)


def _pieces(line: Text, between: str) -> Iterator[Text]:
    start = 0
    for end in [*re.finditer(between, line.value), None]:
        stop = len(line.value) if end is None else end.start()
        piece = line.value[start:stop]
        if piece.strip():
            yield _moved(line, piece.strip(), start + len(piece) - len(piece.lstrip()))
        start = stop if end is None else end.end()


def _moved(text: Text, value: str, by: int) -> Text:
    """A part of a text; its place is within the line of the file where it stands there as it is."""
    place = text.place
    at = place.text.find(text.value, max(place.column - 1, 0)) if text.value else -1
    if at >= 0:
        # columns are counted from 1, and a quote may stand before the text
        place = replace(place, column=at + by + 1)
    return Text(value, place, quoted=True)


# -- its words ---------------------------------------------------------------------------------


def _listed(entry: Mapping, word: str) -> tuple[Node, ...]:
    node = entry.get(word)
    return () if node is None else yamlfile.items(node, f"what is {word}")


def _load(node: Node | None) -> float:
    return 0.0 if node is None else load_of(node)


def load_of(node: Node) -> float:
    """Ohm of a load, `OPEN` where it is disconnected.

    Raises
    ------
    InputError
        With the place.
    """
    written = yamlfile.scalar(node, "a load")
    if written.value.strip().lower() == "open":
        return OPEN
    return positive(node, "load", "ohm", plausible.CONDITIONS["load"])


def positive(node: Node, word: str, unit: str, within: plausible.Range) -> float:
    """A quantity between two limits, SI.

    Raises
    ------
    InputError
        With the place.
    """
    value = yamlfile.number(node, f"the {word}", unit)
    low, high = within
    if not low <= value <= high:
        raise InputError(
            f"a {word} of {render(value, unit)} is not plausible", place=node.place,
            expected=f"{render(low, unit)} to {render(high, unit)}",
        )
    return value


def _input(node: Node | None) -> str:
    if node is None:
        return ""
    word = yamlfile.choice(node, "word about the input", INPUTS)
    return "" if word == INPUTS[-1] else word


def _part(node: Node, stage: Stage) -> Part:
    word = yamlfile.text(node, "a part")
    for part in stage.parts:
        if part.name == word:
            return part
    raise InputError(
        f"stage {stage.name} has no part {word!r}", place=node.place,
        expected="a part of the stage, not of its supply" if stage.supply_parts
        else "a part of the stage",
        choices=[part.name for part in stage.parts], given=word,
    )


def _pin(node: Node, stage: Stage) -> tuple[str, str]:
    written = yamlfile.scalar(node, "a pin")
    word = written.value.strip()
    name, dot, pin = word.rpartition(".")
    if not dot or all(part.name != name for part in stage.parts):
        whole = next((part for part in stage.parts if part.name == word), None)
        if whole is not None:
            raise InputError(
                f"which pin of {word}?", place=node.place, expected="a part and its pin",
                choices=[f"{word}.{pin}" for pin in pins(whole)], given=word,
            )
        _part(replace(written, value=name or word), stage)
    part = stage.part(name)
    if pin not in pins(part):
        raise InputError(
            f"{name} has no pin {pin!r}", place=node.place, expected=f"a pin of {name}",
            choices=[f"{name}.{one}" for one in pins(part)], given=word,
        )
    return name, pin


def pins(part: Part) -> tuple[str, ...]:
    """The words of the pins of a part that are connected, in the order of its nodes."""
    about = kind(part.kind)
    if about.family == "potentiometer" and len(part.nodes) == 2:
        return "top", "bottom"
    return about.pins[: len(part.nodes)]


def _wire(node: Node, stage: Stage) -> tuple[str, str]:
    ends = yamlfile.items(node, "two nodes that are joined")
    if len(ends) != 2:
        raise InputError("a wire has two ends", place=node.place, expected="[b3, e3]")
    one, other = (_node(end, stage) for end in ends)
    if one == other:
        raise InputError("these are the same node", place=node.place, expected="two nodes")
    return min(one, other), max(one, other)


def _node(node: Node, stage: Stage) -> str:
    word = stage.real(yamlfile.text(node, "a node or test point"))
    known = dict.fromkeys((*stage.nodes, *(name for name, _ in stage.test_points), GROUND))
    if word not in known:
        raise InputError(
            f"stage {stage.name} has no node {word!r}", place=node.place,
            expected="a node or test point of the stage", choices=known, given=word,
        )
    return word


def _bypassed(node: Node | None, stage: Stage) -> tuple[tuple[str, float], ...]:
    if node is None:
        return ()
    entry = yamlfile.mapping(node, "what is bypassed")
    made = []
    for name, key in entry.keys.items():
        part = _part(key, stage)
        if len(part.nodes) != 2:
            raise InputError(
                f"{name} has more than two pins", place=key.place,
                expected="a part with two pins, mostly a capacitor",
                choices=[p.name for p in stage.parts if kind(p.kind).family == "capacitor"],
                given=name,
            )
        value = yamlfile.scalar(entry.entries[name], "a capacitance")
        made.append((part.name, positive(value, "capacitance", "F", _FARADS)))
    return tuple(sorted(made))


def _limit(node: Node | None) -> float:
    if node is None:
        return 0.0
    entry = yamlfile.mapping(node, "a bench supply", (_LIMIT,), (_LIMIT,))
    return positive(entry.entries[_LIMIT], "current limit", "A", (1e-4, 100.0))


def _mains(entry: Mapping, stage: Stage) -> float:
    """A mains voltage over the nominal one: ``87 %``, ``200 V`` of 230 V, ``100 V of 115 V``."""
    node = entry.get("mains")
    if node is None:
        return 0.0
    if entry.get("supply") is not None:
        raise InputError("a bench supply stands in place of what the mains feeds",
                         place=entry.keys["mains"].place, expected="mains or supply")
    _follows(node, stage)
    written = yamlfile.scalar(node, "a mains voltage")
    word, _, nominal = (text.strip() for text in written.value.partition(" of "))
    if word.endswith("%"):
        return positive(node, "mains voltage", "%", _VARIAC)
    volts = yamlfile.number(replace(written, value=word), "the mains voltage", "V")
    of = yamlfile.number(replace(written, value=nominal), "the nominal voltage", "V") \
        if nominal else _NOMINAL
    share = volts / of if of > 0.0 else 0.0
    if not _VARIAC[0] <= share <= _VARIAC[1]:
        raise InputError(
            f"a mains voltage of {render(volts, 'V')} of {render(of, 'V')} is not plausible",
            place=node.place, expected="50 %, 200 V (of 230 V), or 100 V of 115 V",
        )
    return 0.0 if share == 1.0 else share


def _lamp(entry: Mapping, stage: Stage) -> float:
    node = entry.get("lamp")
    if node is None:
        return 0.0
    for other in ("supply", "mains"):
        if entry.get(other) is not None:
            raise InputError(f"a lamp and {other!r} at once are not simulated",
                             place=entry.keys["lamp"].place, expected="one of them")
    watts = positive(node, "lamp", "W", LAMPS)
    _follows(node, stage, "behind a lamp")
    return watts


def _follows(node: Node, stage: Stage, where: str = "at another mains voltage") -> None:
    """Refuse a stage whose rails, or heaters, nobody can tell at another mains voltage."""
    stiff = [rail.name for rail in stage.rails
             if rail.supply is None and not pulses(rail, stage.mains)]
    if stiff or not stage.rails:
        what = f"of {', '.join(stiff)}" if stiff else "of this stage"
        raise InputError(
            f"what becomes {what} {where} its stage file does not say: a rail "
            "without ripple may be regulated", place=node.place,
            expected="a stage with its supply drawn, or rails with ripple",
        )
    if any(kind(part.kind).family in ("triode", "pentode") for part in stage.parts):
        raise InputError("what valves do with cold heaters is not simulated", place=node.place,
                         expected="a stage without valves")
