"""Gummel-Poon transistors of a batch against plain ngspice, Ebers and Moll, and themselves."""

from __future__ import annotations

import numpy as np
import pytest

from circuits.batch.devices import bipolar
from circuits.batch.devices.card import card, selected
from circuits.batch.devices.constants import THERMAL
from circuits.circuit import Model
from circuits.device import load_devices
from tests.circuits.batch.devices import one_device as one
from tests.circuits.batch.devices.one_device import Rig, Solved

SHIPPED = [d for d in load_devices().values() if d.kind in ("npn", "pnp")]
VOLTS = np.array([
    (c, b, e)
    for c in (0.0, 0.05, 0.3, 2.0, 30.0, -0.5, -5.0)
    for b in (-8.0, -1.0, 0.0, 0.3, 0.55, 0.65, 0.8, 1.2, 3.0)
    for e in (0.0, 0.1)
])
"""Off, active, saturated, reversed and far into high injection, for an npn."""
EXTRA = {
    "bare": ("NPN", {"IS": 1e-15, "BF": 100.0}, ""),
    "area and multiplier": (
        "PNP",
        {"IS": 1e-15, "BF": 100.0, "RB": 40.0, "RC": 3.0, "IKF": 0.02, "IKR": 0.01, "CJS": 3e-12,
         "MJS": 0.4, "CJC": 1e-11, "FC": 0.7, "CJE": 2e-11, "TF": 1e-9, "XTF": 3.0, "ITF": 0.02,
         "TR": 1e-8, "KF": 1e-14, "AF": 1.3, "BR": 3.0},
        "area=2.0 m=3.0",
    ),
    "crowded base": (
        "NPN",
        {"IS": 1e-15, "BF": 100.0, "RB": 50.0, "IRB": 1e-4, "RBM": 3.0, "CJE": 1e-11, "TF": 1e-9,
         "XTF": 3.0, "VTF": 4.0, "VAF": 50.0, "VAR": 12.0},
        "area=2.0 m=3.0",
    ),
    "leakage relative to IS": (
        "PNP", {"IS": 2e-15, "BF": 80.0, "ISE": 300.0, "ISC": 1e3, "NC": 1.8, "RE": 0.5}, "",
    ),
}


def plausible(seed: int) -> Model:
    """A card drawn at random from what transistors of the trade have (ranges are judgement)."""
    rng = np.random.default_rng(seed)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    ranges = {
        "IS": (1e-17, 1e-11), "BF": (15, 900), "NF": (0.95, 1.08), "VAF": (15, 300),
        "IKF": (1e-3, 20), "ISE": (1e-18, 1e-11), "NE": (1.2, 3), "BR": (0.1, 20),
        "NR": (0.97, 1.05), "VAR": (3, 60), "IKR": (1e-3, 5), "ISC": (1e-16, 1e-11),
        "NC": (1.1, 2.5), "RB": (0.5, 500), "RBM": (0.3, 0.5), "IRB": (1e-6, 0.1), "RE": (0.01, 2),
        "RC": (0.02, 20), "CJE": (1e-12, 2e-9), "VJE": (0.5, 1), "MJE": (0.2, 0.5),
        "TF": (1e-11, 1e-7), "XTF": (0.3, 50), "VTF": (1, 50), "ITF": (1e-3, 20),
        "CJC": (1e-12, 1e-9), "VJC": (0.4, 1), "MJC": (0.2, 0.5), "XCJC": (0.2, 1),
        "TR": (1e-10, 1e-6), "CJS": (1e-13, 1e-11), "MJS": (0.1, 0.5), "FC": (0.3, 0.9),
        "KF": (1e-17, 1e-13), "AF": (0.9, 1.6),
    }
    figures = {name: between(*ends) for name, ends in ranges.items() if rng.random() < 0.7}
    if "RB" not in figures:
        # ngspice then adds and takes away a conductance that may be huge, and loses digits by it
        figures.pop("RBM", None)
    return Model("q", "NPN" if rng.random() < 0.5 else "PNP", tuple(figures.items()))


def rig(model: Model, instance: str = "") -> Rig:
    return Rig(bipolar, "Q", model, ("c", "b", "e"), (10.0, 100.0, 1.0), instance)


def signed(model: Model) -> np.ndarray:
    return VOLTS if model.type == "NPN" else -VOLTS


@pytest.mark.parametrize("device", SHIPPED, ids=lambda d: d.name)
def test_every_shipped_transistor_as_in_ngspice(device) -> None:
    model = Model("q", device.kind.upper(), device.parameters)
    one.agree(rig(model), signed(model)[::3])


@pytest.mark.parametrize("name", EXTRA)
def test_particular_cards_as_in_ngspice(name: str) -> None:
    kind, figures, instance = EXTRA[name]
    model = Model("q", kind, tuple(figures.items()))
    one.agree(rig(model, instance), signed(model)[::3])


@pytest.mark.parametrize("seed", range(12))
def test_random_cards_as_in_ngspice(seed: int) -> None:
    model = plausible(seed)
    one.agree(rig(model), signed(model)[::5])


@pytest.mark.parametrize("kind", ["NPN", "PNP"])
def test_minimal_conductances_count_at_nodes_of_ten_gigohm(kind: str) -> None:
    model = Model("q", kind, (("IS", 1e-15), ("CJS", 1e-12)))
    weak = Rig(bipolar, "Q", model, ("c", "b", "e"), (1e10, 1e10, 1e10))
    volts = np.array([(30.0, 0.0, 0.0), (30.0, 2.0, 0.0), (30.0, -2.0, 4.0)])
    volts = volts if kind == "NPN" else -volts
    np.testing.assert_allclose(
        Solved(weak, volts).currents(), weak.currents(volts), rtol=1e-6, atol=1e-17
    )
    one.agree_small_signal(weak, volts, (1e-3, 1.0, 100.0))


def test_ebers_and_moll() -> None:
    """The two diodes and the transport current of their law, without any minimal conductance."""
    saturation, forward, reverse = 3e-14, 120.0, 4.0
    model = Model("q", "NPN", (("IS", saturation), ("BF", forward), ("BR", reverse)))
    vbe, vbc = np.meshgrid([0.4, 0.6, 0.7], [-0.05, 0.3, 0.6])
    x = np.zeros((len(bipolar.BRANCHES), 1, vbe.size))
    x[bipolar.VBE, 0], x[bipolar.VBC, 0] = vbe.ravel(), vbc.ravel()
    p = bipolar.parameters([[card(model)] * vbe.size])
    i, _ = bipolar.evaluate(p, x, 0.0)
    to_e, to_c = (saturation * np.expm1(v.ravel() / THERMAL) for v in (vbe, vbc))
    np.testing.assert_allclose(i[bipolar.CI, 0], to_e - to_c * (1.0 + 1.0 / reverse), rtol=1e-12)
    np.testing.assert_allclose(i[bipolar.BI, 0], to_e / forward + to_c / reverse, rtol=1e-12)
    np.testing.assert_allclose(i.sum(0), 0.0, atol=1e-18)


def somewhere(seed: int, many: int = 40) -> tuple[bipolar.Parameters, np.ndarray]:
    """Three devices, polarities mixed, at many biases."""
    rng = np.random.default_rng(seed)
    cards = [[card(plausible(seed + k))] * many for k in range(3)]
    p = bipolar.parameters(cards)
    x = rng.uniform(-0.2, 0.2, (len(bipolar.BRANCHES), 3, many))
    x[bipolar.VBE] = p.sign * rng.uniform(-1.0, 0.75, (3, many))
    x[bipolar.VBC] = p.sign * rng.uniform(-10.0, 0.7, (3, many))
    x[bipolar.VBX] = p.sign * rng.uniform(-10.0, 0.9, (3, many))
    return p, x


def test_derivatives_are_those_of_the_currents() -> None:
    p, x = somewhere(3)
    x[bipolar.VB] = 0.0  # where the base's resistance carries nothing its own dependence is none
    one.slopes_agree(bipolar, bipolar.evaluate, p, x)


def test_derivatives_are_those_of_the_charges() -> None:
    p, x = somewhere(5)
    one.slopes_agree(bipolar, bipolar.charges, p, x)


def test_patterns_hold_all_that_is_not_zero() -> None:
    p, x = somewhere(7)
    _, g, _, c = bipolar.both(p, x)
    assert not one.outside_pattern(g, bipolar.PATTERN).any()
    assert not one.outside_pattern(c, bipolar.CHARGE_PATTERN).any()


def test_what_leaves_one_terminal_enters_the_others() -> None:
    p, x = somewhere(9)
    i, g, q, c = bipolar.both(p, x)
    for values in (i, g, q, c):
        scale = np.abs(values).sum(0)
        assert (np.abs(values.sum(0)) <= 1e-14 * scale + 1e-300).all()


def test_axes_between_are_samples_of_time() -> None:
    p, x = somewhere(11)
    waves = np.stack([x, 0.5 * x, -x], axis=1)
    for whole, parts in zip(
        bipolar.both(p, waves), zip(*(bipolar.both(p, waves[:, k]) for k in range(3)), strict=True),
        strict=True,
    ):
        np.testing.assert_array_equal(whole, np.stack(parts, axis=-3))


def test_both_is_either() -> None:
    p, x = somewhere(13)
    for one_, other in zip(
        bipolar.both(p, x), (*bipolar.evaluate(p, x), *bipolar.charges(p, x)), strict=True
    ):
        np.testing.assert_allclose(one_, other, rtol=1e-14, atol=0.0)


def test_some_units_are_those_units() -> None:
    p, x = somewhere(15)
    few = np.array([3, 17, 4])
    i, g = bipolar.evaluate(selected(p, few), x[..., few])
    whole_i, whole_g = bipolar.evaluate(p, x)
    np.testing.assert_array_equal(i, whole_i[..., few])
    np.testing.assert_array_equal(g, whole_g[..., few])


@pytest.mark.parametrize(
    ("figures", "word"),
    [({"PTF": 30.0}, "PTF"), ({"TNOM": 50.0}, "TNOM"), ({"RCO": 1.0}, "RCO"),
     ({"ISS": 1e-15}, "ISS"), ({"NKF": 0.6}, "NKF")],
)
def test_what_it_cannot_do_it_names(figures: dict[str, float], word: str) -> None:
    assert word in bipolar.unsupported(card(Model("q", "NPN", tuple(figures.items()))))


def test_a_model_of_another_type_is_refused() -> None:
    assert bipolar.unsupported(card(Model("q", "VBIC", ())))
    assert bipolar.unsupported(card(Model("q", "NPN", ()), "off"))


def test_what_is_idle_at_27_degrees_is_no_obstacle() -> None:
    figures = (("XTB", 1.5), ("EG", 1.1), ("XTI", 3.0), ("TNOM", 27.0), ("PTF", 0.0))
    assert bipolar.unsupported(card(Model("q", "PNP", figures))) == ""


def test_nodes_that_are_one() -> None:
    figures = (("RB", 10.0), ("RC", 0.0))
    assert bipolar.collapsed(card(Model("q", "NPN", figures))) == (("ci", "c"), ("ei", "e"))
