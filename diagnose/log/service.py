"""Time in service of units that a shop looks after, without which no rate can be learnt."""

from __future__ import annotations

import math
import uuid
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from json import dumps
from typing import Any

from circuits.errors import InputError
from circuits.stage import Stage
from diagnose.log import entry as entries
from diagnose.log.wiring import wiring

HOURS = 1000.0
"""Hours of use in a year where nobody says: three a day (judgement; only the shares of kinds in all
failures are learnt from, which it moves alike)."""
_YEAR = 8766.0
"""Hours of a mean year."""
_MOST_YEARS = 1e7
"""Years of all units of one kind together."""
_MOST_KINDS = 60
"""Kinds of parts of one stage."""


@dataclass(frozen=True)
class Service:
    """Units of one stage in service.

    Attributes
    ----------
    job : str
        UUID.
    years : float
        Of all units together.
    hours : float
        Of use in a year.
    rates : tuple of (kind, float)
        Failures per 10⁶ h of all parts of a kind in one unit, by the mode files.
    """

    job: str
    stage: str
    wiring: str
    years: float
    hours: float
    age: float
    rates: tuple[tuple[str, float], ...]
    revision: int = 1
    struck: bool = False

    def expected(self) -> dict[str, float]:
        """Failures of each kind in that time."""
        spent = self.years * self.hours / 1e6
        return {kind: rate * spent for kind, rate in self.rates}

    @cached_property
    def digest(self) -> str:
        """Of all that is handed on."""
        return sha256(dumps(service_plain(self), sort_keys=True).encode("ascii")).hexdigest()

    @property
    def rank(self) -> tuple[int, bool, str]:
        """As of an `Entry`."""
        return self.revision, False, self.digest


def in_service(stage: Stage, years: float, hours: float, age: float) -> Service:
    """Units of a stage that are looked after.

    Raises
    ------
    InputError
        For a time that is none.
    """
    from faultlib.catalogue import kind_modes

    if not 0.0 < years <= _MOST_YEARS:
        raise InputError(f"{years:g} is no number of years", expected=f"up to {_MOST_YEARS:g}")
    if not 0.0 < hours <= _YEAR:
        raise InputError(f"{hours:g} h of use in a year", expected=f"up to {_YEAR:g}")
    rates: dict[str, list[float]] = {}
    for part in (*stage.parts, *stage.supply_parts):
        modes = kind_modes(part.kind)
        rates.setdefault(part.kind, []).append(modes.rate_of(part.model).aged(age))
    return Service(str(uuid.uuid4()), stage.name, wiring(stage), years, hours, age,
                   tuple((kind, math.fsum(each)) for kind, each in sorted(rates.items())))


def service_plain(one: Service) -> dict[str, Any]:
    """A time in service as plain data."""
    return {
        "entry": "service", "job": one.job, "revision": one.revision, "struck": one.struck,
        "stage": one.stage, "wiring": one.wiring, "years": one.years, "hours": one.hours,
        "age": one.age, "rates": dict(one.rates),
    }


SERVICE_KEYS = ("entry", "job", "revision", "struck", "stage", "wiring", "years", "hours", "age",
                "rates")


def read_service(data: object) -> Service:
    """A time in service of plain data, which may come from anywhere.

    Raises
    ------
    InputError
        For whatever is none.
    """
    top = entries.mapping(data, "a time in service", SERVICE_KEYS)
    rates = top["rates"]
    if not isinstance(rates, dict) or len(rates) > _MOST_KINDS:
        raise InputError("rates are no rates of kinds", expected="failures per 10⁶ h by kind")
    if not isinstance(top["struck"], bool):
        raise InputError("struck is neither yes nor no", expected="true or false")
    return Service(
        entries.matching(top, "job", entries.JOB, "a UUID"),
        entries.text(top, "stage", empty=False), entries.text(top, "wiring"),
        entries.number(top, "years", 0.0, _MOST_YEARS), entries.number(top, "hours", 0.0, _YEAR),
        entries.number(top, "age", 0.0, entries.OLDEST),
        tuple((entries.text({"kind": kind}, "kind", empty=False),
               entries.number({"rate": rate}, "rate", 0.0, 1e9))
              for kind, rate in sorted(rates.items())),
        entries.whole(top, "revision"), top["struck"],
    )
