"""How remarks on the sheet (`intermittent`, `worse when warm`, …) change what is likely.

The factors stand in ``remarks.yaml``, each with its reason, all of them judgement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import yaml

from diagnose.inference.channels import is_shared
from faultlib.catalogue import Hypothesis


@dataclass(frozen=True)
class Remark:
    """What one remark multiplies priors by.

    Attributes
    ----------
    about : str
        Why.
    modes : mapping of mode name to factor
    shared : float or None
        Factor for what feeds both channels, where the remark speaks of that.
    others : float
        Factor for everything that it does not speak of.
    """

    about: str
    modes: Mapping[str, float] = field(default_factory=dict)
    shared: float | None = None
    others: float = 1.0


@cache
def moved() -> Mapping[str, Remark]:
    """What a part's temperature tells of it, by what a sheet says was found."""
    path = Path(__file__).with_name("temperature.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return {name: Remark(**entry) for name, entry in raw.items()}


def log_moved(hypothesis: Hypothesis, found: str) -> float:
    """Logarithm of what it multiplies a prior by that the part's temperature moves the trouble."""
    remark = moved()[found]
    return math.log(remark.modes.get(hypothesis.mode.name, remark.others))


@cache
def remarks() -> Mapping[str, Remark]:
    """Every remark that a sheet may hold, by its words."""
    path = Path(__file__).with_name("remarks.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return {name: Remark(**entry) for name, entry in raw.items()}


def log_factor(
    hypothesis: Hypothesis, observations: Sequence[str], shared: Sequence[str]
) -> float:
    """Logarithm of what the remarks multiply a hypothesis' prior by.

    Parameters
    ----------
    observations : sequence of str
        Words of the sheet, keys of `remarks`.
    shared : sequence of str
        Rails that feed both channels.
    """
    total = 0.0
    for words in observations:
        remark = remarks()[words]
        factor = remark.modes.get(hypothesis.mode.name, remark.others)
        if remark.shared is not None and is_shared(hypothesis.part, shared):
            factor = remark.shared
        total += math.log(factor)
    return total
