"""Formulas of B sources against plain ngspice, value and slope, and against differences."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from circuits import macromodels
from circuits.batch.devices import expression
from circuits.bench.analysis import OperatingPoint, SmallSignal
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element
from circuits.device import load_devices
from circuits.spice.controlled import _CALLS
from circuits.stage import Part

A = {
    # as ngspice's manual has it: the size of the base, from left to right, a sign binds less
    "v(a)^2": (-1.5, 1.5), "v(a)^3": (-1.5,), "v(a)**3": (-1.5,), "pow(v(a),2)": (-1.5,),
    "pow(v(a),1.5)": (-1.5, 1.5), "pwr(v(a),3)": (-1.5, 1.5), "pwr(v(a),2)": (-1.5,),
    "pwr(v(a),1.5)": (-1.5,), "2^v(a)": (-1.5, 1.5), "2^3^2*v(a)": (1.0,), "-2^2*v(a)": (1.0,),
    "-v(a)^2": (1.5,), "2*-v(a)": (1.5,), "2^-v(a)*3": (1.5,), "v(a)^v(a)": (-1.5, 1.5),
    "pow(v(a),v(a)+v(b))": (1.5,), "-v(a)^3": (-1.5,), "3-2-v(a)": (1.0,), "8/2/v(a)": (2.0,),
    "v(a)*-1": (1.0,), "1/v(a)": (1e-3, -2.0), "v(a)/1e-11": (1.0,), "1e3*v(a)": (1.0,),
    "v(a,b)*2": (1.0,), "v(a)*v(a,b)*v(b)": (1.0,), "pow(max(v(a),0),1.44)": (-1.0, 0.0, 2.0),
    "log(v(a))": (1.5,), "ln(v(a))": (1.5,), "log10(v(a))": (1.5,),
    "ln(1+exp(3*v(a)))": (-2.0, 1.5), "ln(v(b)+exp(v(a)))": (1.5,), "ln(0-1+exp(v(a)))": (1.5,),
    "ln(2+exp(v(a)))*v(a)": (0.0,), "v(a)/sqrt(2+v(a)*v(a))*v(a)*v(a)": (1.5, -1.5),
    "tanh(v(a))*tanh(v(a))+1/v(a)/v(a)": (0.5,), "exp(v(a))": (20.0, -20.0),
    "sqrt(abs(v(a))+1)": (-1.5, 1.5), "u(v(a))": (-1.0, 0.0, 1.0), "u2(v(a))": (-1.0, 0.5, 2.0),
    "uramp(v(a))": (-1.0, 0.0, 2.0), "sgn(v(a))": (-1.0, 0.0, 2.0), "abs(v(a))": (-1.5, 0.0, 1.5),
    "nint(v(a))": (2.5, 3.5, -0.6), "floor(v(a))": (-1.5, 1.2), "ceil(v(a))": (-1.5, 1.2),
    "v(a)>1?v(a)*3:v(a)*5": (0.5, 1.0, 1.5), "v(a)>=1||v(a)<2?3*v(a):4*v(a)": (0.5, 1.5, 3.0),
    "v(a)>1 && v(a)<2 ? 3*v(a) : 4*v(a)": (0.5, 1.5, 3.0), "!(v(a)>1)*v(a)": (0.5, 2.0),
    "(v(a)==1)*v(a)": (1.0, 2.0), "v(a)!=1?2*v(a):v(a)": (1.0, 2.0), "v(a)<>1?2:v(a)": (1.0, 2.0),
    "v(a)<1?1:v(a)<2?v(a)*2:v(a)*4": (0.5, 1.5, 2.5), "1-v(a)>0?2*v(a):3": (0.5, 2.0),
    "v(a)>0==1?v(a):2*v(a)": (0.5, -0.5), "v(a)<=1?v(a):1": (1.0, 1.5),
    "ternary_fcn(v(a)>1,3*v(a),v(a))": (0.5, 1.5),
    "max(v(a),1)": (0.5, 1.5), "min(v(a),1)": (0.5, 1.5), "max(v(a),1.5)": (1.5,),
    "min(2*v(a),3*v(a))": (-1.5, 0.0, 1.5), "max(min(v(a),2),0)": (-1.0, 1.0, 3.0),
    "pwl(v(a),0,0,1,2,3,1)": (-3.0, 0.0, 0.5, 1.0, 2.0, 5.0),
    "pwl(min(max(v(a),-1),3),-1,0,1,2,3,1)": (-3.0, 0.0, 2.0, 5.0),
    "atan(v(a))": (1.5,), "asin(v(a))": (0.5,), "acos(v(a))": (0.5,), "asinh(v(a))": (1.5,),
    "acosh(v(a)*v(a)+1.1)": (1.5,), "atanh(v(a))": (0.5,), "sinh(v(a))": (1.5,),
    "cosh(v(a))": (1.5,), "tanh(v(a))": (1.5,), "tan(v(a))": (1.0, 4.0), "sin(v(a))": (10.0,),
    "cos(v(a))": (10.0,), "e*v(a)": (1.0,), "pi*v(a)": (1.0,), "1000*i(vb)+v(a)": (1.0,),
    "1e6*i(vb)*i(vb)*v(a)": (2.0,),
}
"""Expressions, and volts of node a at which both are asked; b has 0.25 V and draws 1 mA."""


def circuit(text: str, a: float) -> Circuit:
    return Circuit((
        Element("Va", ("a", "0"), a),
        Element("Vb", ("b", "0"), 0.25),
        Element("Rb", ("b", "0"), 250.0),
        Element("B1", ("o", "0"), None, text),
        Element("Ro", ("o", "0"), 1.0),
    ))


def known(name: str, a: float) -> float:
    """Voltages and currents of that circuit."""
    return {"a": a, "b": 0.25, "0": 0.0, "vb": -1e-3}[name]


def asked(text: str, a: float) -> tuple[float, float]:
    """Value and slope by v(a), by ngspice."""
    wanted = [OperatingPoint(("o",)), SmallSignal("Va", (1.0,), ("o",))]
    bias, response = Engine().run(circuit(text, a), wanted)
    return float(bias.nodes[0]), float(response.nodes[0, 0].real)


def own(text: str, a: float) -> tuple[float, float]:
    formula, constants = expression.parsed(text)
    x = [known(p, a) - known(q, a) for p, q in formula.branches]
    x += [known(name, a) for name in formula.currents]
    value, slopes = formula.evaluate(constants[:, None], np.array(x)[:, None])
    by_a = sum(
        slope[0] * (("a" in pair[:1]) - ("a" in pair[1:]))
        for slope, pair in zip(slopes, formula.branches, strict=False)
    )
    return float(value[0]), float(by_a)


@pytest.mark.parametrize("text", A)
def test_value_and_slope_as_in_ngspice(text: str) -> None:
    for a in A[text]:
        np.testing.assert_allclose(
            own(f"v={text}", a), asked(f"v={text}", a), rtol=1e-9, atol=1e-15, err_msg=f"at {a}"
        )


def test_a_current_flows_through_the_source() -> None:
    """1 V on 1 ohm from ground to o: ngspice's current flows from the first node to the second."""
    np.testing.assert_allclose(asked("i=2*v(a)", 0.5)[0], -own("i=2*v(a)", 0.5)[0], rtol=1e-12)


def test_every_function_of_a_netlist_is_known() -> None:
    """What the reader of netlists lets pass is worked out here, or refused by ngspice 39 itself."""
    refused = {"int"}
    assert set(_CALLS) - refused == {*expression._CALLS, "pwl"}


def texts_that_ship() -> list[str]:
    """Every B source of the valves and op-amps that ship."""
    found = []
    for device in load_devices().values():
        pins = {"triode": "agk", "pentode": "asgk", "opamp": "pmohl"}.get(device.kind)
        if pins is None:
            continue
        part = Part("X1", device.kind, tuple(pins), parameters=device.parameters)
        elements, _ = getattr(macromodels, device.kind)(part)
        if device.kind == "opamp":
            elements = macromodels.limited(part, elements)
        found += [e.text for e in elements if e.name[0] == "B"]
    return found


def test_what_ships_is_supported_and_has_true_slopes() -> None:
    rng = np.random.default_rng(1)
    texts = texts_that_ship()
    assert len(texts) >= 7
    for text in texts:
        formula, constants = expression.parsed(text)
        x = rng.uniform(-20.0, 250.0, (len(formula.branches), 200))
        many = np.repeat(constants[:, None], 200, axis=1)
        value, slopes = formula.evaluate(many, x)
        assert np.isfinite(value).all()
        scale = np.abs(value).max() + 1e-12  # differences lose digits of the greatest value
        for k in range(len(x)):
            aside = np.zeros_like(x)
            aside[k] = 1e-5
            found = (formula.evaluate(many, x + aside)[0] - formula.evaluate(many, x - aside)[0])
            np.testing.assert_allclose(slopes[k], found / 2e-5, rtol=1e-4, atol=scale * 1e-7)


def test_numbers_alone_make_no_other_formula() -> None:
    one, first = expression.parsed("i=2.0*tanh(3e-3*v(a,b))+1")
    two, second = expression.parsed("i=4.0*tanh(5.0*v(c,d))+7.5")
    other, _ = expression.parsed("v=2.0*tanh(3e-3*v(a,b))+1")
    more, _ = expression.parsed("i=2.0*tanh(3e-3*v(a,b))+1+v(a)")
    assert one.signature == two.signature
    assert one.tape is two.tape
    assert len({one.signature, other.signature, more.signature}) == 3
    np.testing.assert_array_equal(first, [2.0, 3e-3, 1.0])
    x = np.array([[0.3, -0.2, 0.1]])
    both, _ = one.evaluate(np.stack([first, second, first], axis=1), x)
    np.testing.assert_allclose(
        both, [2.0 * np.tanh(9e-4) + 1.0, 4.0 * np.tanh(-1.0) + 7.5, 2.0 * np.tanh(3e-4) + 1.0]
    )


def test_axes_between_are_samples_of_time() -> None:
    formula, constants = expression.parsed("i=1e-3*pow(max(v(a)+2*v(b),0),1.4)")
    many = np.repeat(constants[:, None], 5, axis=1)
    x = np.random.default_rng(1).uniform(-1.0, 3.0, (2, 7, 5))
    value, slopes = formula.evaluate(many, x)
    assert value.shape == (7, 5)
    assert slopes.shape == (2, 7, 5)
    for k in range(7):
        alone, steep = formula.evaluate(many, x[:, k])
        np.testing.assert_array_equal(value[k], alone)
        np.testing.assert_array_equal(slopes[:, k], steep)


def test_a_formula_without_variables_has_the_shape_of_the_units() -> None:
    formula, constants = expression.parsed("v=2*3")
    value, slopes = formula.evaluate(np.repeat(constants[:, None], 4, axis=1), np.zeros((0, 4)))
    np.testing.assert_array_equal(value, [6.0] * 4)
    assert slopes.shape == (0, 4)


def test_where_ngspice_refuses_a_value_there_is_none() -> None:
    formula, constants = expression.parsed("v=ln(v(a))+sqrt(v(b))")
    value, _ = formula.evaluate(constants[:, None], np.array([[-1.0, 2.0], [1.0, -2.0]]))
    assert np.isnan(value).all()


@pytest.mark.parametrize(
    "text",
    ["v=time>0?1:0", "v=v(a)*temper", "v=hertz", "v=int(v(a))", "r=1", "v=", "v=(v(a)", "v=v(a) 2",
     "v=min(v(a))", "v=v(a,b,c)", "v=1k*v(a)", "v=pwl(v(a),0,0,1)", "v=pwl(v(a),0,v(b),1,2)",
     "i=v(a) tc1=1", "v={x}", "v=" + "(" * 99 + "1" + ")" * 99],
)
def test_what_it_cannot_do_it_names(text: str) -> None:
    assert expression.unsupported(text)
    with pytest.raises(expression.Unsupported, match=re.compile(r"\w")):
        expression.parsed(text)


def test_names_are_not_told_apart_by_case() -> None:
    formula, _ = expression.parsed("V = V(In) + i(VBIAS)")
    assert (formula.kind, formula.branches, formula.currents) == ("v", (("in", "0"),), ("vbias",))
    assert expression.parsed("v=v(in)+i(vbias)")[0].signature == formula.signature
    assert replace(formula) == formula
