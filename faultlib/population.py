"""How real transistors of one class differ from each other: the survey that makes are drawn from.

The parameters of a type come together (a large die has more saturation current, more junction
capacitance, less base resistance), so a make moves along the principal directions of the surveyed
population rather than one parameter at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import yaml
from numpy.typing import NDArray

from circuits.quantity import parse
from circuits.stage import Part

LOW_CORNER = "low corner"
"""The collector current below which gain falls; it stands for ISE and NE together."""

Moves = tuple[tuple[str, float], ...]
"""Parameters, and the change of each one's natural logarithm."""


@dataclass(frozen=True)
class Population:
    """The surveyed population of bipolar transistors.

    Attributes
    ----------
    parameters : tuple of n str
    small, power : (n, n) array
        Columns: principal directions, as the change of each parameter's natural logarithm for one
        standard deviation along it.
    power_from : float
        A model whose high-current corner (IKF, A) is at least this is a power type.
    """

    parameters: tuple[str, ...]
    small: NDArray[np.float64]
    power: NDArray[np.float64]
    power_from: float

    def directions(self, part: Part) -> list[Moves]:
        """How makes of a part's model move its parameters, a direction each."""
        stated = part.parameter("IKF")
        columns = self.power if stated >= self.power_from else self.small
        ways = []
        for column in columns.T:
            moves = _plain(part, dict(zip(self.parameters, map(float, column), strict=True)))
            ways.append(tuple((n, round(x, 4)) for n, x in moves.items() if part.parameter(n)))
        return ways


def _plain(part: Part, moved: Mapping[str, float]) -> dict[str, float]:
    """Moves of the model's own parameters, the low corner told by ISE.

    At the corner I_L both base currents are equal: ISE = (IS/BF) (I_L/IS)^((NE - 1)/NE).
    """
    plain = {name: x for name, x in moved.items() if name != LOW_CORNER}
    slope = 1.0 - 1.0 / part.parameter("NE", 1.5)
    plain["ISE"] = plain["IS"] - plain["BF"] + slope * (moved[LOW_CORNER] - plain["IS"])
    return plain


@cache
def bipolar() -> Population:
    """The population of ``population.yaml``."""
    path = Path(__file__).with_name("population.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    alike = _symmetric(raw["correlation"])
    values, vectors = np.linalg.eigh(alike)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    small, power = (np.array(raw["sigma"][size])[:, None] * root for size in ("small", "power"))
    return Population(tuple(raw["parameters"]), small, power, parse(raw["power from"], "A"))


def _symmetric(rows: Sequence[Sequence[float]]) -> NDArray[np.float64]:
    """A correlation matrix from its lower triangle."""
    symmetric = np.eye(len(rows))
    for i, row in enumerate(rows):
        symmetric[i, :i] = symmetric[:i, i] = row
    return symmetric
