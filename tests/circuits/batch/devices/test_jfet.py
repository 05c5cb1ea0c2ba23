"""Junction field-effect transistors of a batch against plain ngspice, a square law, themselves."""

from __future__ import annotations

import numpy as np
import pytest

from circuits.batch.devices import jfet
from circuits.batch.devices.card import card
from circuits.circuit import Model
from circuits.device import load_devices
from tests.circuits.batch.devices import one_device as one
from tests.circuits.batch.devices.one_device import Rig

SHIPPED = [d for d in load_devices().values() if d.kind in ("njf", "pjf")]
VOLTS = np.array([
    (d, g, s)
    for d in (0.0, 0.1, 1.0, 3.0, 20.0, -0.2, -3.0)
    for g in (-5.0, -1.5, -0.5, 0.0, 0.4, 0.9)
    for s in (0.0, 0.3)
])
"""Off, both sides of pinch-off, with drain and source exchanged, and with the gate forward."""
SCALED = {
    "VTO": -1.3, "BETA": 4e-3, "LAMBDA": 0.01, "RD": 12.0, "RS": 8.0, "CGS": 2e-11, "CGD": 5e-12,
    "PB": 0.8, "IS": 5e-14, "B": 0.7, "KF": 5e-18, "AF": 1.2, "FC": 0.97,
}
EXTRA = {
    "bare": ({}, ""),
    "doping tail": ({"B": 0.4, "PB": 0.7, "BETA": 2e-3, "LAMBDA": 0.03}, ""),
    "area": (SCALED, "area=2.0"),
    "multiplier": (SCALED, "m=3.0"),
    "area and multiplier": (SCALED, "area=2.0 m=3.0"),
}


def plausible(seed: int) -> Model:
    """A card drawn at random from what such devices of the trade have (ranges are judgement)."""
    rng = np.random.default_rng(seed)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    ranges = {
        "BETA": (1e-4, 0.05), "LAMBDA": (1e-3, 0.1), "RD": (1, 100), "RS": (1, 100),
        "CGS": (1e-12, 1e-10), "CGD": (1e-12, 1e-10), "PB": (0.5, 1.2), "IS": (1e-16, 1e-12),
        "B": (0.3, 1.6), "FC": (0.3, 0.9), "KF": (1e-19, 1e-15), "AF": (0.8, 1.4),
    }
    figures = {name: between(*ends) for name, ends in ranges.items() if rng.random() < 0.7}
    figures["VTO"] = -between(0.3, 6.0)
    return Model("j", "NJF" if rng.random() < 0.5 else "PJF", tuple(figures.items()))


def against(model: Model, instance: str = "", every: int = 3) -> None:
    volts = VOLTS if model.type == "NJF" else -VOLTS
    one.agree(Rig(jfet, "J", model, ("d", "g", "s"), (10.0, 1000.0, 1.0), instance), volts[::every])


@pytest.mark.parametrize("device", SHIPPED, ids=lambda d: d.name)
def test_every_shipped_device_as_in_ngspice(device) -> None:
    against(Model("j", device.kind.upper(), device.parameters), every=2)


@pytest.mark.parametrize("name", EXTRA)
def test_particular_cards_as_in_ngspice(name: str) -> None:
    figures, instance = EXTRA[name]
    against(Model("j", "PJF", tuple(figures.items())), instance)


@pytest.mark.parametrize("seed", range(12))
def test_random_cards_as_in_ngspice(seed: int) -> None:
    against(plausible(seed))


def test_square_law() -> None:
    """Beyond pinch-off I = beta (vgs - vto)^2 (1 + lambda vds), Shichman and Hodges's."""
    figures = (("VTO", -2.0), ("BETA", 1e-3), ("LAMBDA", 0.02), ("IS", 1e-14))
    p = jfet.parameters([[card(Model("j", "NJF", figures))] * 3])
    vgs, vds = np.array([-1.5, -1.0, -0.5]), 10.0
    x = np.zeros((len(jfet.BRANCHES), 1, 3))
    x[jfet.VGS, 0], x[jfet.VGD, 0] = vgs, vgs - vds
    i, _ = jfet.evaluate(p, x, 0.0)
    leak = 1e-14 * 3.0  # each junction carries less than this in reverse
    np.testing.assert_allclose(i[jfet.DI, 0], 1e-3 * (vgs + 2.0) ** 2 * 1.2, atol=leak)


def somewhere(seed: int, many: int = 60) -> tuple[jfet.Parameters, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = jfet.parameters([[card(plausible(seed + k))] * many for k in range(4)])
    x = p.sign * rng.uniform(-5.0, 0.6, (len(jfet.BRANCHES), 4, many))
    return p, x


@pytest.mark.parametrize("law", [jfet.evaluate, jfet.charges])
def test_derivatives_are_those_of_currents_and_charges(law) -> None:
    p, x = somewhere(3)
    one.slopes_agree(jfet, law, p, x)


def test_patterns_and_sums() -> None:
    p, x = somewhere(7)
    i, g, q, c = jfet.both(p, x)
    assert not one.outside_pattern(g, jfet.PATTERN).any()
    assert not one.outside_pattern(c, jfet.CHARGE_PATTERN).any()
    for values in (i, g, q, c):
        assert (np.abs(values.sum(0)) <= 1e-14 * np.abs(values).sum(0)).all()


def test_what_it_cannot_do_it_names() -> None:
    for word, value in (("N", 1.2), ("LEVEL", 2.0), ("TNOM", 50.0), ("BETATCE", -0.5)):
        assert word in jfet.unsupported(card(Model("j", "NJF", ((word, value),))))
    assert jfet.collapsed(card(Model("j", "NJF", (("RS", 3.0),)))) == (("di", "d"),)
