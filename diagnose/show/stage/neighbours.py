"""A stage without a drawing of its own: boxes for parts, dots for nodes, placed by the graph.

Ground and rails are drawn at each part that meets them, as on any circuit diagram; as dots they
would draw everything together.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np
import numpy.typing as npt

from circuits.kinds import kind
from circuits.stage import GROUND, Part, Stage
from circuits.topology import Vertex, graph, is_supply
from diagnose.show.stage.canvas import (
    MARK_SIZE,
    Area,
    bounds,
    line,
    part_group,
    rectangle,
    text,
    text_area,
    value_text,
    width,
)

if TYPE_CHECKING:
    import networkx as nx

_HIGH = 38.0
"""Height of a part's box, CSS pixels."""
_LEAST = 46.0
"""Least width of a part's box, CSS pixels."""
_APART = 16.0
"""What lies at least between two boxes."""
_ROUNDS = 400
"""Rounds of moving boxes apart, at most; what overlaps still is stretched apart."""
_LINE_ROUNDS = 100
"""The first of these rounds, in which boxes also leave foreign lines."""

Place = tuple[float, float]
Array = npt.NDArray[Any]


def neighbour_diagram(
    stage: Stage, lit: Mapping[str, float], prefix: str = ""
) -> tuple[list[ET.Element], Area]:
    """The members of the diagram, and the area that they fill.

    Parameters
    ----------
    lit : mapping of part to probability
    prefix : str
        Before every id.
    """
    places = _places(stage)
    wires = ET.Element("g", {"class": "wires"})
    areas: list[Area] = []
    groups: list[ET.Element] = []
    for part in stage.parts:
        x, y = places["part", part.name]
        half = _half(part)[0]
        area = (x - half, y - _HIGH / 2, x + half, y + _HIGH / 2)
        pins = []
        for node in dict.fromkeys(part.nodes):
            if not is_supply(stage, node):
                edge, beyond = _leaving((x, y), _half(part), places["node", node])
                wires.append(line([places["node", node], edge], "wire"))
                if len(part.nodes) > 2:
                    pins.append(_pin_names(part, node, beyond))
        members = [*_box(stage, part, area), *pins]
        groups.append(part_group(part, lit.get(part.name), area, members, prefix))
        areas.append((area[0], area[1] - 18.0, area[2], area[3] + 18.0))
    for node in stage.nodes:
        if ("node", node) in places:
            mark = _dot(stage, node, places["node", node])
            groups.append(mark)
            x, y = places["node", node]
            areas.append((x - 5.0, y - 5.0, x + 5.0, y + 5.0))
            areas += [text_area(words, MARK_SIZE) for words in mark.iter("text")]
    return [wires, *groups], bounds(areas)


def _half(part: Part) -> Place:
    """Half the width and half the height of a part's box."""
    words = max(width(part.name), width(value_text(part)))
    return max(_LEAST, words + 12.0) / 2, _HIGH / 2


def _leaving(centre: Place, half: Place, end: Place) -> tuple[Place, Place]:
    """Where a line from the centre of a box to somewhere leaves it, and a place beyond that."""
    dx, dy = end[0] - centre[0], end[1] - centre[1]
    reach = min(h / abs(d) if d else math.inf for h, d in zip(half, (dx, dy), strict=True))
    long = math.hypot(dx, dy) or 1.0
    further = min(reach + 9.0 / long, 1.0)
    # beside the line, not on it
    beside = (-6.0 * dy / long, 6.0 * dx / long)
    return (
        (round(centre[0] + reach * dx, 1), round(centre[1] + reach * dy, 1)),
        (centre[0] + further * dx + beside[0], centre[1] + further * dy + beside[1]),
    )


def _pin_names(part: Part, node: str, place: Place) -> ET.Element:
    """First letters of the pins that a part has on a node."""
    names = kind(part.kind).pins
    letters = "".join(names[k][0] for k, n in enumerate(part.nodes) if n == node)
    words = text(letters, round(place[0], 1), round(place[1], 1), "middle", "pin")
    return words


def _box(stage: Stage, part: Part, area: Area) -> list[ET.Element]:
    """A box, its words, and what it has of ground and rails."""
    left, top, right, bottom = area
    x, y = (left + right) / 2, (top + bottom) / 2
    box = rectangle(area, 0.0, "box")
    members = [box]
    value = value_text(part)
    rows = [(part.name, "name"), (value, "value")] if value else [(part.name, "name")]
    for k, (words, kind_) in enumerate(rows):
        members.append(text(words, x, y + 15.0 * (k - (len(rows) - 1) / 2), "middle", kind_))
    if GROUND in part.nodes:
        members.append(line([(x, bottom), (x, bottom + 6)], "lead"))
        for k, half in enumerate((7.0, 4.0, 1.5)):
            row = bottom + 6 + 3.5 * k
            members.append(line([(x - half, row), (x + half, row)], "lead"))
    rails = [node for node in dict.fromkeys(part.nodes) if is_supply(stage, node)]
    names = " ".join(node for node in rails if node != GROUND)
    if names:
        members.append(line([(x, top), (x, top - 4)], "lead"))
        members.append(text(names, x, top - 11.0, "middle", "rail"))
    return members


def _dot(stage: Stage, node: str, place: Place) -> ET.Element:
    probed = dict(stage.test_points)
    ports = (stage.input, stage.output, stage.input_return)
    classes = "mark" + (" port" if node in ports else "")
    group = ET.Element("g", {"class": classes, "data-node": node})
    if node in probed:
        group.set("class", f"{classes} test-point")
        ET.SubElement(group, "title").text = f"{node}: {probed[node]}"
    x, y = place
    shape = {"cx": f"{x:g}", "cy": f"{y:g}", "r": "4.5" if node in probed else "3"}
    group.append(ET.Element("circle", {"class": "dot"} | shape))
    group.append(text(node, x + 7.0, y - 9.0))
    return group


@lru_cache(maxsize=8)
def _places(stage: Stage) -> Mapping[Vertex, Place]:
    """Where everything stands: short edges first, then pushed apart until no two boxes touch."""
    import networkx as nx

    whole = graph(stage)
    whole.add_nodes_from([("node", stage.input), ("node", stage.output)])
    still = [v for v in whole if v[0] == "node" and is_supply(stage, v[1])]
    whole.remove_nodes_from(still)
    pieces = [_ordered(whole, piece) for piece in nx.connected_components(whole)]
    parts = {part.name: part for part in stage.parts}
    places: dict[Vertex, Place] = {}
    left, top, high, widest = 0.0, 0.0, 0.0, 0.0
    for piece in sorted(pieces, key=lambda p: (-len(p), min(p))):
        alone = dict.fromkeys(piece, (0.0, 0.0))
        rough = nx.kamada_kawai_layout(piece) if len(piece) > 1 else alone
        here = {v: (float(rough[v][0]), float(rough[v][1])) for v in whole if v in piece}
        here = _pushed_apart(_turned(stage, here), parts, _pins(stage, here))
        columns, rows = zip(*here.values(), strict=True)
        wide = max(columns) - min(columns)
        if left and left + wide >= widest:  # small pieces share a row under the large one
            left, top, high = 0.0, top + high, 0.0
        for vertex, (x, y) in here.items():
            places[vertex] = (round(x - min(columns) + left, 1), round(y - min(rows) + top, 1))
        left += wide + 2 * _LEAST + _APART
        high = max(high, max(rows) - min(rows) + _HIGH + 4 * _APART)
        widest = widest or left
    return places


def _ordered(whole: nx.Graph, piece: Container[Vertex]) -> nx.Graph:
    """A piece with its vertices in the order of the whole; a set has none that lasts."""
    import networkx as nx

    ordered = nx.Graph()
    ordered.add_nodes_from(v for v in whole if v in piece)
    ordered.add_edges_from((a, b) for a, b in whole.edges if a in piece)
    return ordered


def _pins(stage: Stage, places: Container[Vertex]) -> list[tuple[Vertex, Vertex]]:
    ends = [(("part", part.name), ("node", node)) for part in stage.parts for node in part.nodes]
    return [(a, b) for a, b in dict.fromkeys(ends) if a in places and b in places]


def _turned(stage: Stage, places: dict[Vertex, Place]) -> dict[Vertex, Place]:
    """Turned so that the signal goes from left to right, and stretched to CSS pixels."""
    scale = 70.0 * math.sqrt(len(places))
    start, end = (places.get(("node", n)) for n in (stage.input, stage.output))
    angle = 0.0
    if start is not None and end is not None:
        angle = math.atan2(end[1] - start[1], end[0] - start[0])
    c, s = math.cos(angle), math.sin(angle)
    return {v: (scale * (c * x + s * y), scale * (c * y - s * x)) for v, (x, y) in places.items()}


def _pushed_apart(
    places: dict[Vertex, Place], parts: Mapping[str, Part], pins: Sequence[tuple[Vertex, Vertex]]
) -> dict[Vertex, Place]:
    """The same, moved until no two overlap and, as far as can be, no line crosses a foreign box.

    Should the rounds run out with an overlap left, everything is stretched until there is none.

    Parameters
    ----------
    places : dict of Vertex to Place
        CSS pixels.
    parts : mapping of str to Part
    pins : sequence of (part, node)
        Between which the lines go.
    """
    half = np.array([
        (_half(parts[v[1]])[0] + _APART / 2, _HIGH / 2 + 18.0) if v[0] == "part"
        else (width(v[1], MARK_SIZE) + 16.0, 12.0)
        for v in places
    ])
    at = np.array(list(places.values()))
    room = half[:, None, :] + half[None, :, :]
    number = {v: k for k, v in enumerate(places)}
    lines = np.array([(number[a], number[b]) for a, b in pins]).reshape(-1, 2)
    for turn in range(_ROUNDS):
        over = (room - np.abs(at[:, None, :] - at[None, :, :])).min(axis=2)
        pairs = np.argwhere(np.triu(over, 1) > 1e-6)
        moved = turn < _LINE_ROUNDS and _off_lines(at, half - _APART / 2, lines)
        if not len(pairs) and not moved:
            break
        for a, b in pairs:
            gap = at[a] - at[b]
            need = room[a, b] - np.abs(gap)  # a move before this one may have made it less
            k = int(need.argmin())
            move = (need[k] / 2 + 0.01) * (1.0 if gap[k] >= 0.0 else -1.0)
            if need[k] > 0.0:
                at[a, k] += move
                at[b, k] -= move
    else:
        apart = np.abs(at[:, None, :] - at[None, :, :])
        needed = (room / np.maximum(apart, 1e-3)).min(axis=2)
        at *= needed[np.triu_indices(len(at), 1)].max()
    return {v: (float(x), float(y)) for v, (x, y) in zip(places, at, strict=True)}


def _off_lines(at: Array, half: Array, lines: Array) -> bool:
    """Move each box that a foreign line crosses away from it; whether there was one.

    Parameters
    ----------
    at : array (vertices, 2)
        Changed in place.
    half : array (vertices, 2)
        Half the sizes.
    lines : array (lines, 2)
        Numbers of the vertices at the ends.
    """
    moved = False
    for a, b in lines:
        along = at[b] - at[a]
        long = float(along @ along)
        if long < 1.0:
            continue
        share = np.clip(((at - at[a]) @ along) / long, 0.0, 1.0)
        away = at - (at[a] + share[:, None] * along)
        distance = np.hypot(away[:, 0], away[:, 1])
        across = np.array([-along[1], along[0]]) / math.sqrt(long)
        over = half @ np.abs(across) - distance
        over[[a, b]] = 0.0
        over[(share <= 0.0) | (share >= 1.0)] = 0.0
        for v in np.flatnonzero(over > 0.5):
            side = away[v] / distance[v] if distance[v] > 1e-6 else across
            at[v] += side * (0.5 * over[v] + 1.0)
            moved = True
    return moved
