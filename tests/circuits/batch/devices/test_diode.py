"""Diodes of a batch against plain ngspice, Lambert's function, and themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import lambertw

from circuits.batch.devices import diode
from circuits.batch.devices.card import card
from circuits.batch.devices.constants import THERMAL
from circuits.circuit import Model
from circuits.device import load_devices
from tests.circuits.batch.devices import one_device as one
from tests.circuits.batch.devices.one_device import Rig, Solved

SHIPPED = [d for d in load_devices().values() if d.kind in ("diode", "rectifier", "zener")]
VOLTS = np.array([
    -30.0, -12.0, -9.0, -5.9, -5.6, -5.3, -1.0, -0.1, -0.05, 0.0, 0.05, 0.2, 0.4, 0.55, 0.65, 0.8,
    1.0, 2.0, 20.0,
])
SCALED = {
    "IS": 1e-13, "RS": 2.0, "CJO": 1e-11, "TT": 1e-8, "IKF": 0.01, "KF": 1e-15, "AF": 1.4,
    "BV": 5.5, "IBV": 1e-4,
}
EXTRA = {
    "bare": ({}, ""),
    "area": (SCALED, "area=2.0"),
    "multiplier": (SCALED, "m=3.0"),
    "knee": ({"IS": 1e-12, "N": 1.2, "IKF": 1e-4, "TT": 1e-7}, ""),
    "a knee of zero is none": ({"IS": 1e-12, "IKF": 0.0}, ""),
    "breakdown that its IS outdoes": ({"IS": 1e-8, "BV": 5.5, "IBV": 1e-9, "RS": 1.0}, ""),
    "steep and high junction": ({"IS": 1e-14, "CJO": 2e-11, "M": 0.97, "VJ": 3.0, "FC": 0.6}, ""),
    "least saturation": ({"IS": 1e-33, "RS": 1.0}, ""),
    "soft breakdown": ({"IS": 1e-14, "BV": 5.6, "IBV": 5e-3, "NBV": 3.0, "RS": 4.0, "N": 1.05}, ""),
}


def plausible(seed: int) -> Model:
    """A card drawn at random from what diodes of the trade have (ranges are judgement)."""
    rng = np.random.default_rng(seed)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    ranges = {
        "IS": (1e-16, 1e-7), "RS": (0.01, 20), "N": (0.95, 2.2), "TT": (1e-10, 1e-5),
        "CJO": (1e-13, 1e-9), "VJ": (0.3, 1.2), "M": (0.2, 0.6), "BV": (3, 20), "IBV": (1e-6, 1e-2),
        "NBV": (0.8, 4), "IKF": (1e-4, 1), "FC": (0.3, 0.9), "KF": (1e-17, 1e-13), "AF": (0.9, 1.6),
    }
    figures = {name: between(*ends) for name, ends in ranges.items() if rng.random() < 0.7}
    return Model("d", "D", tuple(figures.items()))


def rig(model: Model, instance: str = "") -> Rig:
    return Rig(diode, "D", model, ("a", "k"), (10.0, 1.0), instance)


def against(r: Rig) -> None:
    volts = np.stack([VOLTS, np.zeros_like(VOLTS)], axis=1)
    one.agree(r, volts)


@pytest.mark.parametrize("device", SHIPPED, ids=lambda d: d.name)
def test_every_shipped_diode_as_in_ngspice(device) -> None:
    breakdown = (("BV", 5.6),) if device.kind == "zener" else ()
    against(rig(Model("d", "D", (*device.parameters, *breakdown))))


@pytest.mark.parametrize("name", EXTRA)
def test_particular_cards_as_in_ngspice(name: str) -> None:
    figures, instance = EXTRA[name]
    against(rig(Model("d", "D", tuple(figures.items())), instance))


def test_area_and_multiplier_together() -> None:
    """In direct current alone.

    ngspice 39 takes the multiplier of a diode that has both once more at every change of a value in
    place, and so at every frequency that the engine asks for.
    """
    volts = np.stack([VOLTS, np.zeros_like(VOLTS)], axis=1)
    one.agree_static(rig(Model("d", "D", tuple(SCALED.items())), "area=2.0 m=3.0"), volts)


@pytest.mark.parametrize("seed", range(12))
def test_random_cards_as_in_ngspice(seed: int) -> None:
    against(rig(plausible(seed)))


@pytest.mark.parametrize("seed", range(6))
def test_breakdown_is_fitted_as_loosely_as_in_ngspice(seed: int) -> None:
    """With the options of a stage ngspice's fit stops at its own tolerance, one in a thousand."""
    figures = dict(plausible(seed).parameters) | {"BV": 5.0 + seed, "IBV": 1e-3, "RS": 0.0}
    stiff = replace(rig(Model("d", "D", tuple(figures.items()))), ohms=(1e-3, 1e-3))
    volts = np.array([(-5.1 - seed, 0.0), (-5.0 - seed, 0.0)])
    loose = replace(stiff, options=())
    np.testing.assert_allclose(
        Solved(stiff, volts, reltol=1e-3).currents(), loose.currents(volts), rtol=1e-6
    )


def test_lambert() -> None:
    """A diode behind its resistance, by Lambert's W: I = nVt/R W(IsR/nVt e^((V+IsR)/nVt)) - Is."""
    saturation, emission, ohms = 2e-9, 1.7, 3.0
    model = Model("d", "D", (("IS", saturation), ("N", emission), ("RS", ohms)))
    volts = np.stack([np.linspace(0.1, 1.4, 14), np.zeros(14)], axis=1)
    solved = Solved(Rig(diode, "D", model, ("a", "k"), (2.0, 1.0)), volts, gmin=0.0)
    vt, r = emission * THERMAL, ohms + 3.0
    w = lambertw(saturation * r / vt * np.exp((volts[:, 0] + saturation * r) / vt)).real
    np.testing.assert_allclose(solved.currents()[:, 0], vt / r * w - saturation, rtol=1e-9)


def somewhere(seed: int, many: int = 60) -> tuple[diode.Parameters, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = diode.parameters([[card(plausible(seed + k))] * many for k in range(4)])
    x = rng.uniform(-0.2, 0.2, (len(diode.BRANCHES), 4, many))
    x[diode.VD] = rng.uniform(-25.0, 0.9, (4, many))
    x[diode.VD, :, ::2] = rng.uniform(-0.5, 0.9, (4, many // 2))
    return p, x


@pytest.mark.parametrize("law", [diode.evaluate, diode.charges])
def test_derivatives_are_those_of_currents_and_charges(law) -> None:
    p, x = somewhere(3)
    x[diode.VD] = np.maximum(x[diode.VD], -np.minimum(p.breakdown, 1e3) - 0.3)
    one.slopes_agree(diode, law, p, x)


def test_patterns_and_sums() -> None:
    p, x = somewhere(7)
    i, g, q, c = diode.both(p, x)
    assert not one.outside_pattern(g, diode.PATTERN).any()
    assert not one.outside_pattern(c, diode.CHARGE_PATTERN).any()
    for values in (i, g, q, c):
        assert (np.abs(values.sum(0)) <= 1e-14 * np.abs(values).sum(0)).all()


def test_what_it_cannot_do_it_names() -> None:
    for word, value in (("ISR", 1e-12), ("JSW", 1e-9), ("TNOM", 25.0), ("IKR", 1.0)):
        assert word in diode.unsupported(card(Model("d", "D", ((word, value),))))
    assert diode.unsupported(card(Model("d", "D", (("BV", 0.0),))))
    assert diode.unsupported(card(Model("d", "D", (("EG", 1.1), ("XTI", 3.0))))) == ""
