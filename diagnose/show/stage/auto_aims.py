"""Where parts of a drawing made by itself would like to stand: by the signal and by the volts."""

from __future__ import annotations

import math
from collections import defaultdict, deque
from collections.abc import Sequence

import numpy as np

from circuits.kinds import kind
from circuits.stage import GROUND, Stage
from circuits.topology import direct, is_supply

_SHAPE = 1.7
"""Width over height of the field of first places."""


def heights(stage: Stage) -> dict[str, float]:
    """About how high the direct voltage of each node is: 1 on positive rails, -1 on negative ones.

    Every way for direct current is one resistance, that of a base a large one; capacitors
    leak, so that every node lies somewhere.
    """
    held = {rail.name: math.copysign(1.0, rail.volts) for rail in stage.rails} | {GROUND: 0.0}
    free = [node for node in stage.nodes if node not in held]
    row = {node: k for k, node in enumerate(free)}
    matrix, right = np.eye(len(free)) * 1e-6, np.zeros(len(free))
    for part in stage.parts:
        ways = list(direct(part)) or [(part.nodes[0], part.nodes[-1])]
        control = part.nodes[1] if len(part.nodes) == 3 else None
        weight = 0.01 if kind(part.kind).family == "capacitor" else 1.0
        for pair in ways:
            here = 0.05 * weight if control in pair else weight
            for a, b in (pair, pair[::-1]):
                if a in row:
                    matrix[row[a], row[a]] += here
                    if b in row:
                        matrix[row[a], row[b]] -= here
                    else:
                        right[row[a]] += here * held[b]
    solved = np.linalg.solve(matrix, right)
    return held | {node: float(solved[k]) for node, k in row.items()}


def progress(stage: Stage) -> dict[str, float]:
    """How far each node that signal is on lies on its way, 0 at the input and 1 at the output."""
    near: dict[str, set[str]] = defaultdict(set)
    for part in stage.parts:
        for a in part.nodes:
            near[a] |= {b for b in part.nodes if b != a and not is_supply(stage, b)}

    def steps(start: str) -> dict[str, int]:
        found, queue = {start: 0}, deque([start])
        while queue:
            node = queue.popleft()
            for other in sorted(near[node]):
                if other not in found:
                    found[other] = found[node] + 1
                    queue.append(other)
        return found

    first, last = steps(stage.input), steps(stage.output)
    far = len(stage.nodes)
    shares = {}
    for node in stage.nodes:
        if is_supply(stage, node):
            continue
        before, after = first.get(node, far), last.get(node, far)
        shares[node] = before / (before + after) if before + after else 0.0
    return shares


def field_size(areas: Sequence[float]) -> tuple[float, float]:
    """Width and height over which first places are spread, for items of these areas."""
    high = math.sqrt(2.0 * sum(areas) / _SHAPE)
    return _SHAPE * high, high
