"""Reads and checks the mode files, each mistake with its place. The format: ``modes/README.md``."""

from __future__ import annotations

from collections import abc
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.excess import BREAKDOWN, INDEX, SHOT
from circuits.kinds import kinds
from circuits.yamlfile import Mapping, Node
from faultlib.mode import (
    LOAD_JOINT,
    Change,
    CheckMethod,
    KindModes,
    Mode,
    Rate,
    Size,
    Stress,
)

Kinds = abc.Mapping[str, Mapping]
"""Entries of mode files by kind."""

PSEUDO = ("rail", "winding", "demand", "pickup", "earth")
"""Kinds of what is outside the parts: ideal rails, what is no single part of a supply, pick-up, and
returns to ground."""

WORDS = "words.yaml"
_FIELDS = {
    "rail": ("volts", "ripple"),
    "winding": ("emf", "value"),
    "demand": ("current",),
    "pickup": ("stray",),
    "earth": ("joint", LOAD_JOINT),
}
_PART_FIELDS = ("value", "esr", "position")
HEARD = {INDEX: "dB", SHOT: "", BREAKDOWN: "V"}
"""What an added resistance may make noise by, and the units of that."""
_KIND_KEYS = ("like", "rate", "by model", "published", "omitted", "modes")
_MODE_KEYS = ("share", "size", "change", "finds", "stress")
FADES = {"log": 3.0, "linear": 1.0}
"""How much oftener the mildest size is met than the worst, by scale, where a mode does not say
(judgement: parts drift further and further, and are noticed on the way)."""
_VALUE_KEYS = {
    "scale": ("what", "by", "times", "default"),
    "divide": ("what", "by", "times", "default"),
    "add": ("what", "by", "times", "default"),
    "set": ("what", "to", "times"),
    "series": ("pin", "ohms", *HEARD),
    "shunt": ("pins", "ohms", *HEARD),
}


@dataclass(frozen=True)
class Words:
    """The vocabulary of the mode files."""

    sources: tuple[str, ...]
    checks: tuple[CheckMethod, ...]


@dataclass(frozen=True)
class _Kind:
    """What the entries of one kind may refer to."""

    name: str
    pins: tuple[str, ...]
    unit: str
    parameters: bool


def load_words(folder: Path) -> Words:
    """The sources and checks of ``words.yaml``.

    Raises
    ------
    InputError
        With the place.
    """
    path = folder / WORDS
    top = yamlfile.mapping(yamlfile.read(path), "the vocabulary", *[("sources", "checks")] * 2)
    sources = yamlfile.mapping(top.entries["sources"], "sources")
    checks = yamlfile.mapping(top.entries["checks"], "checks", required=("any",))
    return Words(
        tuple(sources.entries),
        tuple(_check(name, node) for name, node in checks.entries.items()),
    )


def read_kinds(folder: Path) -> dict[str, Mapping]:
    """The entries of every mode file of a folder by kind, not yet understood.

    Parameters
    ----------
    folder : Path
        Holds ``*.yaml``; ``words.yaml`` is the vocabulary and no mode file.

    Raises
    ------
    InputError
        With the place.
    """
    raw: dict[str, Mapping] = {}
    for path in sorted(folder.glob("*.yaml")):
        if path.name == WORDS:
            continue
        top = yamlfile.mapping(yamlfile.read(path), "a mode file", (*kinds(), *PSEUDO))
        for name, node in top.entries.items():
            if name in raw:
                raise InputError(
                    f"kind {name!r} stands in two mode files", place=top.keys[name].place
                )
            raw[name] = yamlfile.mapping(node, f"kind {name}", _KIND_KEYS)
    return raw


def build(name: str, raw: Kinds, words: Words) -> KindModes:
    """One kind's modes from the entries of `read_kinds`.

    Raises
    ------
    InputError
        With the place, for whatever does not fit the format or does not add up.
    """
    return _kind_modes(name, _inherited(name, raw, ()), words)


def _check(name: str, node: Node) -> CheckMethod:
    entry = yamlfile.mapping(node, "a check", ("miss", "about", "words"), ("miss", "about"))
    words = entry.get("words")
    return CheckMethod(
        name,
        _probability(entry.entries["miss"], "a chance"),
        yamlfile.text(entry.entries["about"], "what the check is"),
        tuple(yamlfile.text(n, "a word") for n in yamlfile.items(words, "words")) if words else (),
    )


def _inherited(name: str, raw: Kinds, above: tuple[str, ...]) -> Mapping:
    """The entry of a kind over that of the kind it is like, mode by mode and key by key."""
    own = raw[name]
    node = own.get("like")
    if node is None:
        return own
    base_name = yamlfile.choice(node, "kind to be like", [k for k in raw if k != name])
    if base_name in above:
        raise InputError("these kinds are like each other in a circle", place=node.place)
    base = _inherited(base_name, raw, (*above, name))
    merged = _over(base, own)
    old, new = base.get("modes"), own.get("modes")
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        modes = _over(old, new)
        for mode, changed in new.entries.items():
            first = old.get(mode)
            if isinstance(first, Mapping) and isinstance(changed, Mapping):
                modes.entries[mode] = _over(first, changed)
        merged.entries["modes"] = modes
    return merged


def _over(base: Mapping, own: Mapping) -> Mapping:
    return Mapping({**base.entries, **own.entries}, {**base.keys, **own.keys}, own.place)


def _kind_modes(name: str, entry: Mapping, words: Words) -> KindModes:
    yamlfile.mapping(entry, f"kind {name}", required=("rate", "modes"))
    known = kinds().get(name)
    about = (
        _Kind(name, known.pins, known.unit, True) if known else _Kind(name, (), "", False)
    )
    by_model = entry.get("by model")
    published = entry.get("published")
    omitted = entry.get("omitted")
    table: dict[str, float] = {}
    source = ""
    if published is not None:
        table, source = _published(published, words)
    modes = yamlfile.mapping(entry.entries["modes"], "modes")
    read = tuple(
        _mode(mode, node, about, table, source, words)
        for mode, node in modes.entries.items()
        if not (isinstance(node, yamlfile.Text) and node.value == "none")
    )
    result = KindModes(
        kind=name,
        rate=_rate(entry.entries["rate"], words),
        by_model={} if by_model is None else {
            model: _rate(node, words)
            for model, node in yamlfile.mapping(by_model, "rates by model").entries.items()
        },
        published=table,
        published_source=source,
        omitted={} if omitted is None else {
            word: yamlfile.text(node, "a reason")
            for word, node in yamlfile.mapping(omitted, "omitted", table).entries.items()
        },
        modes=read,
    )
    for word, share in table.items():
        told = sum(mode.share for mode in read if mode.of == word)
        if word not in result.omitted and abs(told - share) > 0.005:
            raise InputError(
                f"the modes of {name} that are of {word!r} add up to {told:.3g}",
                place=modes.place,
                expected=f"{share:.3g}, as published",
            )
    return result


def _published(node: Node, words: Words) -> tuple[dict[str, float], str]:
    entry = yamlfile.mapping(node, "a published table", *[("source", "shares")] * 2)
    shares = yamlfile.mapping(entry.entries["shares"], "shares")
    table = {word: _probability(n, "a share") for word, n in shares.entries.items()}
    if abs(sum(table.values()) - 1.0) > 0.005:
        raise InputError(
            f"these shares add up to {sum(table.values()):.3g}",
            place=shares.place,
            expected="a whole table, which adds up to 1",
        )
    return table, yamlfile.choice(entry.entries["source"], "source", words.sources)


def _rate(node: Node, words: Words) -> Rate:
    entry = yamlfile.mapping(
        node, "a rate", ("failures", "source", "age", "why"), ("failures", "source")
    )
    age, why = _age(entry)
    return Rate(
        _positive(entry.entries["failures"], "failures per million hours"),
        yamlfile.choice(entry.entries["source"], "source", words.sources),
        age,
        why,
    )


def _age(entry: Mapping) -> tuple[float, str]:
    """The factor for age and its reason; one may not stand without the other."""
    age, why = entry.get("age"), entry.get("why")
    reason = yamlfile.text(why, "a reason") if why is not None else ""
    if age is None:
        return 1.0, reason
    if not reason:
        raise InputError("an age factor needs its reason", place=age.place, expected="why: …")
    return _positive(age, "an age factor"), reason


def _mode(
    name: str, node: Node, about: _Kind, table: Collection[str], source: str, words: Words
) -> Mode:
    entry = yamlfile.mapping(node, f"mode {name}", _MODE_KEYS, ("share", "change", "finds"))
    share = yamlfile.mapping(
        entry.entries["share"], "a share", ("weight", "of", "source", "age", "why"), ("weight",)
    )
    of, own = share.get("of"), share.get("source")
    if (of is None) == (own is None):
        raise InputError(
            "a share is part of a published class or has a source of its own",
            place=share.place,
            expected="either `of` or `source`",
        )
    age, why = _age(share)
    size_node = entry.get("size")
    size = None if size_node is None else _size(size_node, about)
    changes = yamlfile.items(entry.entries["change"], "change")
    return Mode(
        name=name,
        share=_positive(share.entries["weight"], "a weight"),
        of="" if of is None else yamlfile.choice(of, "published class", table),
        source=source if own is None else yamlfile.choice(own, "source", words.sources),
        age=age,
        why=why,
        changes=tuple(_change(change, about, size is not None) for change in changes),
        range=size,
        misses=_misses(entry.entries["finds"], words),
        stress=None if entry.get("stress") is None else _stress(entry.entries["stress"], words),
    )


def _stress(node: Node, words: Words) -> Stress:
    keys = ("value", "of", "volts", "heat", "source", "why")
    entry = yamlfile.mapping(node, "a stress", keys, ("source",))
    of = entry.get("of")
    if (of is None) != (entry.get("value") is None):
        raise InputError("value is the power of a capacitance over another", place=node.place,
                         expected="value and of, as in value: 0.23, of: 22 uF")

    def number(key: str) -> float:
        given = entry.get(key)
        return 0.0 if given is None else yamlfile.number(given, key, "")

    return Stress(
        value=number("value"),
        of=1.0 if of is None else _positive(of, "a capacitance", "F"),
        volts=number("volts"),
        heat=number("heat"),
        source=yamlfile.choice(entry.entries["source"], "source", words.sources),
    )


def _misses(node: Node, words: Words) -> tuple[tuple[str, float], ...]:
    usual = {check.name: check.miss for check in words.checks}
    finds = yamlfile.mapping(node, "finds", usual)
    own = {word: _probability(n, "a chance") for word, n in finds.entries.items()}
    return tuple({**usual, **own}.items())


def _size(node: Node, about: _Kind) -> Size:
    entry = yamlfile.mapping(
        node,
        "a size",
        ("quantity", "unit", "from", "to", "times", "plus", "default", "scale", "mild over worst"),
        ("quantity", "from", "to"),
    )
    times, plus = entry.get("times"), entry.get("plus")
    if times is not None and plus is not None:
        raise InputError("a size has `times` or `plus`, not both", place=plus.place)
    unit_node = entry.entries.get("unit")
    unit = unit_node.value if isinstance(unit_node, yamlfile.Text) else ""
    default = entry.get("default")
    scale = entry.get("scale")
    fades = entry.get("mild over worst")
    read = "" if times is not None else unit
    of_scale = "log" if scale is None else yamlfile.choice(scale, "scale", ("log", "linear"))
    size = Size(
        quantity=yamlfile.text(entry.entries["quantity"], "a quantity"),
        unit=unit,
        mild=yamlfile.number(entry.entries["from"], "from", read),
        worst=yamlfile.number(entry.entries["to"], "to", read),
        times="" if times is None else _what(times, about),
        plus="" if plus is None else _what(plus, about),
        default=None if default is None else yamlfile.number(default, "default", ""),
        scale=of_scale,
        fades=FADES[of_scale] if fades is None else _positive(fades, "how much oftener"),
    )
    if size.mild == size.worst or (size.scale == "log" and size.mild * size.worst <= 0.0):
        raise InputError(
            "sizes on a log scale differ, are of one sign and not zero",
            place=entry.entries["to"].place,
            expected="another limit, or scale: linear",
        )
    return size


def _change(node: Node, about: _Kind, has_size: bool) -> Change:
    whole = yamlfile.mapping(node, "a change", _VALUE_KEYS)
    if len(whole.entries) != 1:
        raise InputError("one change has one operation", place=whole.place, choices=_VALUE_KEYS)
    ((operation, body),) = whole.entries.items()
    keys = _VALUE_KEYS[operation]
    wires = operation in ("series", "shunt")
    amount_key = "ohms" if wires else keys[1]
    needed = [keys[0], amount_key] if wires or operation == "set" else [keys[0]]
    entry = yamlfile.mapping(body, operation, keys, needed)
    times = entry.get("times")
    default = entry.get("default")
    change = Change(
        operation,
        amount=_amount(entry, amount_key, "ohm" if wires else "", about, has_size),
        times=1.0 if times is None else yamlfile.number(times, "times", ""),
        default=0.0 if default is None else yamlfile.number(default, "default", ""),
    )
    if wires:
        heard = tuple((word, _amount(entry, word, unit, about, has_size))
                      for word, unit in HEARD.items() if entry.get(word) is not None)
        return replace(change, pins=_pins(entry.entries[keys[0]], operation, about), heard=heard)
    what = _what(entry.entries["what"], about)
    parameter = about.parameters and what not in _PART_FIELDS
    if parameter and default is None and operation in ("scale", "divide"):
        raise InputError(
            f"the healthy {what} is not known where the device data are silent",
            place=entry.place,
            expected="default: the simulator's own",
        )
    return replace(change, what=what)


def _amount(
    entry: Mapping, key: str, unit: str, about: _Kind, has_size: bool
) -> float | None:
    node = entry.get(key)
    if node is None or (isinstance(node, yamlfile.Text) and node.value == "size"):
        if not has_size:
            raise InputError(
                "this mode has no size", place=(node or entry).place, expected="a number"
            )
        return None
    if not unit and isinstance(entry.get("what"), yamlfile.Text):
        what = yamlfile.text(entry.entries["what"], "what")
        unit = about.unit if key == "to" and what == "value" else ""
    return yamlfile.number(node, key, unit)


def _pins(node: Node, operation: str, about: _Kind) -> tuple[str, ...]:
    if operation == "series":
        return (yamlfile.choice(node, f"pin of {about.name}", about.pins),)
    members = yamlfile.items(node, "pins")
    pins = tuple(yamlfile.choice(n, f"pin of {about.name}", about.pins) for n in members)
    if len(set(pins)) != 2:
        raise InputError("a shunt lies between two pins", place=node.place)
    return pins


def _what(node: Node, about: _Kind) -> str:
    """A field of the part, or any device parameter where the kind may have a model."""
    if not about.parameters:
        return yamlfile.choice(node, f"property of a {about.name}", _FIELDS[about.name])
    word = yamlfile.text(node, "what is changed")
    if word == "value" and not about.unit:
        raise InputError(f"a part of kind {about.name} has no value", place=node.place)
    return word


def _positive(node: Node, what: str, unit: str = "") -> float:
    number = yamlfile.number(node, what, unit)
    if number <= 0.0:
        raise InputError(f"{what} is above zero", place=node.place, expected="a number above 0")
    return number


def _probability(node: Node, what: str) -> float:
    number = yamlfile.number(node, what, "")
    if not 0.0 <= number <= 1.0:
        raise InputError(f"{what} lies between 0 and 1", place=node.place)
    return number
