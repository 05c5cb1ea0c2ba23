"""Names of a netlist as a stage file can have them."""

from __future__ import annotations

import re
from collections.abc import Iterable

from circuits.spelling import node as plain
from circuits.stage import GROUND

_TAKEN = ("gen", "meter", "gnd", "pickup")


def part_name(label: str, taken: Iterable[str]) -> str:
    """A part's name: as written, apart from signs that a stage file cannot have."""
    words = [re.sub(r"[^A-Za-z0-9_+-]", "_", word) or "_" for word in label.split(".")]
    if not words[0][0].isalpha():
        words[0] = f"X{words[0]}"
    return _apart(".".join(words), {plain(name) for name in taken} | set(_TAKEN))


def node_names(nodes: Iterable[str], parts: Iterable[str]) -> dict[str, str]:
    """Names of nodes that stay apart from each other and from what belongs to parts.

    Parameters
    ----------
    nodes : iterable of str
        As the netlist has them, each once.
    parts : iterable of str
        Names of parts.
    """
    stems = tuple(f"{plain(part)}_" for part in parts)
    names = {GROUND: GROUND}
    used: set[str] = {GROUND, *_TAKEN}
    for node in nodes:
        if node == GROUND:
            continue
        word = re.sub(r"[^A-Za-z0-9_+.-]", "_", node.lstrip("/")) or "n"
        low = plain(word)
        if low.startswith(stems) or low.endswith("_src") or not low.strip("0"):
            word = f"n-{word}"
        if plain(word) in used or plain(word).startswith(stems) or plain(word).endswith("_src"):
            word = _apart(f"n-{word.removesuffix('_src')}", used)
        names[node] = word
        used.add(plain(word))
    return names


def _apart(word: str, used: set[str]) -> str:
    """A word that is not used yet: itself, or with a number."""
    made, k = word, 2
    while plain(made) in used:
        made, k = f"{word}-{k}", k + 1
    return made
