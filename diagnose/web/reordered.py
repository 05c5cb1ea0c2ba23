"""The pairs of a mapping in a YAML text put into another order, each with its lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from circuits.spliced import Piece, pieces


def reordered(text: str, orders: Mapping[str, Sequence[str]]) -> str:
    """The text with the pairs under keys of the whole file in other orders.

    Comments that stand directly above a pair go with it.

    Parameters
    ----------
    orders : mapping of key to sequence of str
        All keys that stand there, each once; any other sequence leaves what is there as it is.

    Raises
    ------
    InputError
        Where the text is no YAML.
    """
    for key, names in orders.items():
        text = _reordered(text, key, names)
    return text


def _reordered(text: str, key: str, names: Sequence[str]) -> str:
    mapping = pieces(text).get(key)
    if mapping is None or mapping.shape != "map":
        return text
    here = [word.value for word, _ in mapping.pairs]
    if here == list(names) or sorted(here) != sorted(names) or len(set(here)) < len(here):
        return text
    places = [here.index(name) for name in names]
    return _flow(text, mapping, places) if mapping.flow else _block(text, mapping, places)


def _flow(text: str, mapping: Piece, places: Sequence[int]) -> str:
    """What stands between the pairs stays where it is."""
    spans = [(word.start, value.stop) for word, value in mapping.pairs]
    made, at = [], 0
    for (start, stop), k in zip(spans, places, strict=True):
        made += [text[at:start], text[slice(*spans[k])]]
        at = stop
    return "".join([*made, text[at:]])


def _block(text: str, mapping: Piece, places: Sequence[int]) -> str:
    """Each pair with its lines, as far as the next one's."""
    starts = [_with_comments(text, text.rfind("\n", 0, word.start) + 1)
              for word, _ in mapping.pairs]
    last = mapping.pairs[-1][1].stop
    if last == 0 or text[last - 1 : last] != "\n":
        end = text.find("\n", last)
        last = len(text) if end < 0 else end + 1
    blocks = [text[a:b] for a, b in zip(starts, [*starts[1:], last], strict=True)]
    blocks = [block if block.endswith("\n") else block + "\n" for block in blocks]
    return text[: starts[0]] + "".join(blocks[k] for k in places) + text[last:]


def _with_comments(text: str, start: int) -> int:
    """Where the comment lines directly above a line begin."""
    while start:
        before = text.rfind("\n", 0, start - 1) + 1
        if not text[before:start].lstrip().startswith("#"):
            break
        start = before
    return start
