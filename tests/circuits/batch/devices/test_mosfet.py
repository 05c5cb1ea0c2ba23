"""Insulated-gate transistors of a batch against plain ngspice, a square law, and themselves."""

from __future__ import annotations

import numpy as np
import pytest

from circuits.batch.devices import mosfet
from circuits.batch.devices.card import card
from circuits.circuit import Model
from circuits.device import load_devices
from tests.circuits.batch.devices import one_device as one
from tests.circuits.batch.devices.one_device import Rig

SHIPPED = [d for d in load_devices().values() if d.kind in ("nmos", "pmos")]
VOLTS = np.array([
    (d, g, s)
    for d in (0.0, 0.1, 1.0, 3.0, 40.0, -0.2, -0.8, -3.0)
    for g in (-5.0, 0.0, 0.5, 0.8, 1.5, 5.0)
    for s in (0.0, 0.3)
])
"""Off, both sides of saturation, with drain and source exchanged, and with the bulk forward."""
_SURE = 1.9
"""V below the threshold down to which ngspice 39 can be held against.

Beyond it cuts a step, has by that a voltage from drain to source that the circuit has not,
and calls the solution good. In reverse the junctions' current hardly shows it, their capacitance
does; with the bulk forward its whole current is missing.
"""
FULL = {
    "VTO": 0.9, "KP": 3e-3, "LAMBDA": 0.01, "GAMMA": 0.6, "PHI": 0.7, "RD": 3.0, "RS": 5.0,
    "CGSO": 4e-10, "CGDO": 2e-11, "CGBO": 1e-10, "CBD": 3e-11, "CBS": 2e-11, "PB": 0.75, "MJ": 0.4,
    "IS": 3e-14, "FC": 0.6,
}
EXTRA = {
    "bare": ({}, "l=1 w=1"),
    "all of it": (FULL, "l=1 w=1"),
    "size and multiplier": ({**FULL, "LD": 0.1}, "l=2.0 w=3.0 m=4.0"),
    "oxide": ({**FULL, "TOX": 1e-7, "CGSO": 1e-10}, "l=0.0002 w=0.05 m=2.0"),
    "oxide without KP": ({"TOX": 5e-8, "UO": 500.0, "VTO": 0.7}, "l=0.0001 w=0.02"),
    "flicker": ({**FULL, "KF": 1e-25, "AF": 1.1, "TOX": 1e-7}, "l=0.001 w=0.1 m=3.0"),
    "flicker without oxide": ({**FULL, "KF": 1e-22, "AF": 1.1}, "l=1 w=1"),
    "sheet": ({"RSH": 7.0, "VTO": 0.5, "KP": 1e-3, "RD": 2.0}, "l=1 w=1"),
    "idle figures": ({"NSUB": 1e15, "CJ": 1e-4, "JS": 1e-8, "KP": 1e-3, "VTO": 0.3}, "l=1 w=1"),
}


def plausible(seed: int) -> Model:
    """A card drawn at random from what such devices of the trade have (ranges are judgement)."""
    rng = np.random.default_rng(seed)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    ranges = {
        "KP": (1e-4, 5.0), "LAMBDA": (1e-3, 0.1), "GAMMA": (0.05, 1.5), "PHI": (0.5, 0.8),
        "RD": (0.05, 10), "RS": (0.05, 10), "CGSO": (1e-12, 1e-9), "CGDO": (1e-12, 1e-9),
        "CGBO": (1e-12, 1e-9), "CBD": (1e-12, 1e-9), "CBS": (1e-12, 1e-9), "PB": (0.5, 1.0),
        "MJ": (0.3, 0.6), "IS": (1e-16, 1e-12), "FC": (0.3, 0.9),
    }
    figures = {name: between(*ends) for name, ends in ranges.items() if rng.random() < 0.7}
    kind = "NMOS" if rng.random() < 0.5 else "PMOS"
    figures["VTO"] = between(0.2, 4.0) * (1 if kind == "NMOS" else -1)
    return Model("m", kind, tuple(figures.items()))


def rig(model: Model, instance: str = "l=1 w=1") -> Rig:
    """The bulk stands at the source's pin, as in every circuit of this project."""
    return Rig(
        mosfet, "M", model, ("d", "g", "s"), (10.0, 1000.0, 1.0), instance, ("d", "g", "s", "s")
    )


def against(model: Model, instance: str = "l=1 w=1", every: int = 5) -> None:
    sign = 1.0 if model.type == "NMOS" else -1.0
    threshold = sign * dict(model.parameters).get("VTO", 0.0)
    sure = VOLTS[:, 1] - VOLTS[:, 2] > threshold - _SURE
    reverse = VOLTS[:, 0] > VOLTS[:, 2]
    one.agree_static(rig(model, instance), sign * VOLTS[sure | reverse][::every])
    one.agree(rig(model, instance), sign * VOLTS[sure][::every])


@pytest.mark.parametrize("device", SHIPPED, ids=lambda d: d.name)
def test_every_shipped_device_as_in_ngspice(device) -> None:
    against(Model("m", device.kind.upper(), device.parameters), every=2)


@pytest.mark.parametrize("name", EXTRA)
@pytest.mark.parametrize("kind", ["NMOS", "PMOS"])
def test_particular_cards_as_in_ngspice(name: str, kind: str) -> None:
    figures, instance = EXTRA[name]
    if kind == "PMOS" and "VTO" in figures:
        figures = {**figures, "VTO": -figures["VTO"]}
    against(Model("m", kind, tuple(figures.items())), instance)


@pytest.mark.parametrize("seed", range(12))
def test_random_cards_as_in_ngspice(seed: int) -> None:
    against(plausible(seed))


def test_a_bulk_of_its_own() -> None:
    model = Model("m", "NMOS", tuple(FULL.items()))
    free = Rig(mosfet, "M", model, ("d", "g", "s", "b"), (10.0, 1000.0, 1.0, 100.0), "l=1 w=1")
    volts = np.array([
        (d, g, 0.2, b) for d in (-1.0, 0.5, 10.0) for g in (0.5, 2.0) for b in (-3.0, 0.0, 0.5, 1.2)
    ])
    one.agree(free, volts)


def test_square_law() -> None:
    """In saturation I = KP/2 (vgs - vto)^2 (1 + lambda vds), Shichman and Hodges's."""
    figures = (("VTO", 0.6), ("KP", 1.8), ("LAMBDA", 5e-3), ("L", 1.0), ("W", 1.0))
    p = mosfet.parameters([[card(Model("m", "NMOS", figures))] * 3])
    vgs, vds = np.array([0.8, 1.0, 1.5]), 30.0
    x = np.zeros((len(mosfet.BRANCHES), 1, 3))
    x[mosfet.VGS, 0], x[mosfet.VDS, 0] = vgs, vds
    i, _ = mosfet.evaluate(p, x, 0.0)
    np.testing.assert_allclose(i[mosfet.DI, 0], 0.9 * (vgs - 0.6) ** 2 * 1.15, rtol=1e-12)


def somewhere(seed: int, many: int = 60) -> tuple[mosfet.Parameters, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = mosfet.parameters([[card(plausible(seed + k))] * many for k in range(4)])
    x = p.sign * rng.uniform(-3.0, 5.0, (len(mosfet.BRANCHES), 4, many))
    x[mosfet.VBS] = p.sign * (
        rng.uniform(-3.0, 0.5, (4, many)) + np.minimum(p.sign * x[mosfet.VDS], 0.0)
    )
    return p, x


@pytest.mark.parametrize("law", [mosfet.evaluate, mosfet.charges])
def test_derivatives_are_those_of_currents_and_charges(law) -> None:
    p, x = somewhere(3)
    one.slopes_agree(mosfet, law, p, x)


def test_patterns_and_sums() -> None:
    p, x = somewhere(7)
    i, g, q, c = mosfet.both(p, x)
    assert not one.outside_pattern(g, mosfet.PATTERN).any()
    assert not one.outside_pattern(c, mosfet.CHARGE_PATTERN).any()
    for values in (i, g, q, c):
        assert (np.abs(values.sum(0)) <= 1e-14 * np.abs(values).sum(0) + 1e-300).all()


def test_what_it_cannot_do_it_names() -> None:
    for word, value in (("LEVEL", 3.0), ("THETA", 0.1), ("TNOM", 50.0), ("VMAX", 1e5)):
        assert word in mosfet.unsupported(card(Model("m", "NMOS", ((word, value),))))
    assert "NSUB" in mosfet.unsupported(card(Model("m", "NMOS", (("NSUB", 1e15), ("TOX", 1e-7)))))
    assert "VDMOS" in mosfet.unsupported(card(Model("m", "VDMOS", (("VTO", 1.0),))))


def test_nodes_that_are_one() -> None:
    assert mosfet.collapsed(card(Model("m", "NMOS", (("RS", 3.0),)))) == (("di", "d"),)
    assert mosfet.collapsed(card(Model("m", "NMOS", (("RSH", 3.0), ("RD", 1.0))))) == ()
    assert mosfet.unsupported(card(Model("m", "NMOS", (("RSH", 3.0), ("RD", 0.0)))))
