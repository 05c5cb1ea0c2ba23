"""How often a fault is met: age, value, voltage, heat, and how far it has gone."""

import numpy as np
import pytest
from scipy import stats

from circuits.stage import Part, Rail, Stage
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.mode import FORTY, Size, worn


def of(part: Part, age: float = FORTY) -> dict[str, Hypothesis]:
    stage = Stage(name="one", rails=(Rail("vcc", 24.0),), parts=(part,), input="in", output="vcc",
                  source_impedance=1e3, load=1e5)
    return {h.mode.name: h for h in hypotheses(stage, age) if h.part == part.name}


def can(farads: float = 22e-6, rating: float = 0.0, heat: float = 0.0,
        kind: str = "electrolytic") -> Part:
    return Part("C1", kind, ("vcc", "0"), farads, 0.2, rating=rating, heat=heat)


def test_wear_grows_as_a_weibull_hazard_does() -> None:
    """Shape 3 against scipy: the part of the hazard above that of a new part."""
    wear = stats.weibull_min(3.0, scale=50.0)

    def hazard(years: float) -> float:
        return float(wear.pdf(years) / wear.sf(years))

    for years in (5.0, 20.0, 60.0):
        expected = hazard(years) / hazard(FORTY)
        assert (worn(7.0, years) - 1.0) / 6.0 == pytest.approx(expected)
    assert worn(7.0, FORTY) == 7.0
    assert worn(0.1, FORTY) == pytest.approx(0.1)
    assert worn(7.0, 0.0) == worn(0.1, 0.0) == 1.0


def test_a_young_unit_is_not_suspected_of_dry_out_first() -> None:
    """Common practice: capacitors dry out with the years; what is new fails by shorts and opens."""
    old, young = of(can(), 45.0), of(can(), 2.0)
    assert old["capacitance loss"].prior > max(old["open"].prior, old["short"].prior)
    assert young["capacitance loss"].prior < min(young["open"].prior, young["short"].prior)


def test_small_cans_dry_out_first_and_large_ones_leak_first() -> None:
    """The first is common practice; the second MIL-HDBK-217F's capacitance factor C^0.23."""
    small, large = of(can(2.2e-6)), of(can(220e-6))
    assert small["capacitance loss"].prior > 2.0 * large["capacitance loss"].prior
    assert large["leakage"].prior / small["leakage"].prior == pytest.approx(100.0**0.23)


@pytest.mark.parametrize(("kind", "power"), [("electrolytic", 5), ("tantalum", 17)])
def test_voltage_near_the_rating_wears(kind: str, power: int) -> None:
    """MIL-HDBK-217F notice 2, 10.1, from memory: (S/0.6)^n + 1, here 24 V on 35 and on 40 V."""
    near = of(can(rating=35.0, kind=kind))["leakage"].prior
    usual = of(can(rating=40.0, kind=kind))["leakage"].prior  # S = 0.6
    factor = ((24.0 / 35.0 / 0.6) ** power + 1.0) / 2.0
    assert near / usual == pytest.approx(min(factor, 4.0))
    assert usual == pytest.approx(of(can(kind=kind))["leakage"].prior)  # not known: as usual


def test_ten_kelvin_halve_the_life() -> None:
    """The rule of the trade, also in makers' data."""
    for mode in ("capacitance loss", "high esr", "leakage"):
        warm, cool = of(can(heat=10.0))[mode], of(can())[mode]
        assert warm.prior / cool.prior == pytest.approx(2.0)
    assert of(can(heat=10.0))["open"].prior == of(can())["open"].prior


@pytest.mark.parametrize("fades", [1.0, 3.0, 6.0])
def test_draws_follow_the_density(fades: float) -> None:
    """Kolmogorov and Smirnov's test (scipy) of even draws against the density's own integral."""
    size = Size("capacitance", "F", 0.7, 0.005, times="value", fades=fades)
    shares = np.random.default_rng(5).uniform(size=4000)
    drawn = size.drawn(shares)
    assert stats.kstest(drawn, size.share_below).pvalue > 0.001
    assert size.share_below(drawn) == pytest.approx(shares)
    places = np.linspace(0.0, 1.0, 2001)
    density = size.density(places)
    assert density[0] / density[-1] == pytest.approx(fades)
    assert np.trapezoid(density, places) == pytest.approx(1.0)
    assert np.gradient(size.share_below(places), places)[1:-1] == pytest.approx(density[1:-1])
