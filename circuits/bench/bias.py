"""Readings at rest: node voltages, supply currents, and resistances with the power off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from circuits.behind_rails import rail_source
from circuits.bench.analysis import (
    Answer,
    Bias,
    Metered,
    Ohmmeter,
    OperatingPoint,
    Shown,
    Through,
    Voltmeter,
)
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.netlist import METER_OHMS, METER_VOLTS
from circuits.reading import VOLTMETER, Reading
from circuits.ready import voltmeter, voltmeters
from circuits.spelling import node
from circuits.stage import GROUND, Stage

QUANTITIES = ("dc voltage", "supply current", "resistance")

_MOST_OHMS = 1e9
"""An ohmmeter says open beyond this."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family: a supply current is where no drive is stated."""
    return reading.quantity in QUANTITIES and not reading.driven


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """Requests for voltages and currents (one run), and for resistances with the power off."""
    loading = [(i, r) for i, r in readings if _meter(r)]
    ideal = [(i, r) for i, r in readings if not _meter(r) and r.quantity != "resistance"]
    across = [(i, r) for i, r in readings if r.quantity == "resistance"]
    asked = [_resistances(across)] if across else []
    if ideal:
        asked.insert(0, _operating_point(ideal))
    if loading:
        asked.insert(0, _voltmeters(loading))
    return asked


def _meter(reading: Reading) -> float:
    """Ohm of the voltmeter of a reading; 0 for other readings, and where it draws nothing."""
    if reading.quantity != "dc voltage" or reading.at == GROUND:
        return 0.0
    ohms = reading.meter or VOLTMETER
    return ohms if math.isfinite(ohms) else 0.0


def _voltmeters(readings: Indexed) -> Request:
    ends = [(r.at, r.origin or GROUND, _meter(r)) for _, r in readings]
    meters = tuple(
        Voltmeter(voltmeter(k), voltmeters(ohms), node(at), node(origin), ohms)
        for k, (at, origin, ohms) in enumerate(ends)
    )

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Shown)
        shown: list[float] = result.volts.tolist()
        return shown

    places = tuple(i for i, _ in readings)
    return Request(Setup(meters=tuple(ends)), (Metered(meters),), places, read)


def _operating_point(readings: Indexed) -> Request:
    ends = (end for _, r in readings for end in (r.at, r.origin))
    nodes = tuple(dict.fromkeys(end for end in ends if end and end != GROUND))
    rails = tuple(dict.fromkeys(r.rail for _, r in readings if r.rail))
    analysis = OperatingPoint(
        nodes=tuple(node(n) for n in nodes), branches=tuple(rail_source(r) for r in rails)
    )

    def volts(result: Bias, end: str) -> float:
        return float(result.nodes[nodes.index(end)]) if end in nodes else 0.0

    def one(reading: Reading, result: Bias) -> float:
        if reading.quantity == "supply current":
            return abs(float(result.branches[rails.index(reading.rail)]))
        return volts(result, reading.at) - volts(result, reading.origin)

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Bias)
        return [one(reading, result) for _, reading in readings]

    return Request(Setup(), (analysis,), tuple(i for i, _ in readings), read)


def _resistances(readings: Indexed) -> Request:
    pairs = tuple((node(red), node(black)) for red, black in (r.between for _, r in readings))

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Through)
        # the meter's own terminals show what it can still tell from an open circuit
        ohms = np.abs(result.volts) / np.maximum(np.abs(result.amps), METER_VOLTS / _MOST_OHMS)
        shown: list[float] = np.clip(ohms, 1e-3, _MOST_OHMS).tolist()
        return shown

    analysis = Ohmmeter(pairs, METER_VOLTS, METER_OHMS)
    return Request(Setup(off=True), (analysis,), tuple(i for i, _ in readings), read)
