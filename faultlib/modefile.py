"""Reads and checks the mode files, each mistake with its place. The format: ``modes/README.md``."""

from __future__ import annotations

from collections import abc
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.kinds import kinds
from circuits.yamlfile import Mapping, Node
from faultlib.changefile import OfKind, positive, read_change, read_size
from faultlib.mode import (
    CheckMethod,
    KindModes,
    Mode,
    Rate,
    Stress,
)

Kinds = abc.Mapping[str, Mapping]
"""Entries of mode files by kind."""

PSEUDO = ("rail", "winding", "demand", "pickup", "earth")
"""Kinds of what is outside the parts: ideal rails, what is no single part of a supply, pick-up, and
returns to ground."""

WORDS = "words.yaml"
_KIND_KEYS = ("like", "rate", "by model", "published", "omitted", "modes")
_MODE_KEYS = ("share", "size", "change", "finds", "stress")


@dataclass(frozen=True)
class Words:
    """The vocabulary of the mode files."""

    sources: tuple[str, ...]
    checks: tuple[CheckMethod, ...]


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
        OfKind(name, known.pins, known.unit, True) if known else OfKind(name, (), "", False)
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
        positive(entry.entries["failures"], "failures per million hours"),
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
    return positive(age, "an age factor"), reason


def _mode(
    name: str, node: Node, about: OfKind, table: Collection[str], source: str, words: Words
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
    size = None if size_node is None else read_size(size_node, about)
    changes = yamlfile.items(entry.entries["change"], "change")
    return Mode(
        name=name,
        share=positive(share.entries["weight"], "a weight"),
        of="" if of is None else yamlfile.choice(of, "published class", table),
        source=source if own is None else yamlfile.choice(own, "source", words.sources),
        age=age,
        why=why,
        changes=tuple(read_change(change, about, size is not None) for change in changes),
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
        of=1.0 if of is None else positive(of, "a capacitance", "F"),
        volts=number("volts"),
        heat=number("heat"),
        source=yamlfile.choice(entry.entries["source"], "source", words.sources),
    )


def _misses(node: Node, words: Words) -> tuple[tuple[str, float], ...]:
    usual = {check.name: check.miss for check in words.checks}
    finds = yamlfile.mapping(node, "finds", usual)
    own = {word: _probability(n, "a chance") for word, n in finds.entries.items()}
    return tuple({**usual, **own}.items())


def _probability(node: Node, what: str) -> float:
    number = yamlfile.number(node, what, "")
    if not 0.0 <= number <= 1.0:
        raise InputError(f"{what} lies between 0 and 1", place=node.place)
    return number
