"""Makes drawn along the directions of a population have its spreads and correlations again."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import yaml

import faultlib.population
from circuits.load import load_stage
from circuits.stage import Stage
from faultlib.makes import left_open
from faultlib.population import LOW_CORNER, bipolar
from faultlib.tolerance import Make, deviate

RAW = yaml.safe_load(
    Path(faultlib.population.__file__).with_name("population.yaml").read_text(encoding="utf-8")
)
NAMES = RAW["parameters"]


@pytest.mark.parametrize("size", ["small", "power"])
def test_the_directions_add_up_to_the_spreads_and_correlations(size: str) -> None:
    """A covariance is the sum of its principal directions (spectral theorem)."""
    columns = bipolar().small if size == "small" else bipolar().power
    covariance = columns @ columns.T
    sigma = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(sigma, RAW["sigma"][size], rtol=1e-6)
    alike = covariance / np.outer(sigma, sigma)
    for i, row in enumerate(RAW["correlation"]):
        np.testing.assert_allclose(alike[i, :i], row, atol=1e-6)


def test_the_correlations_are_those_of_a_population() -> None:
    """Positive definite, as every matrix of correlations of one sample without gaps is."""
    columns = bipolar().small
    assert np.linalg.eigvalsh(columns @ columns.T).min() > 0.0
    assert len(RAW["correlation"]) == len(NAMES)


def test_the_low_corner_is_where_both_base_currents_are_equal() -> None:
    """IS/BF e^(v) = ISE e^(v/NE) at the collector current IS e^(v) (Gummel and Poon 1970)."""
    stage = load_stage("line-two-transistor")
    part = next(p for p in stage.parts if p.parameter("ISE"))

    def corner(made: Stage) -> float:
        at = made.part(part.name)
        is_, bf, ise, ne = (at.parameter(name) for name in ("IS", "BF", "ISE", "NE"))
        volts = math.log(ise * bf / is_) / (1.0 - 1.0 / ne)
        return math.log(is_) + volts

    index = NAMES.index(LOW_CORNER)
    makes = [s for s in left_open(stage) if isinstance(s, Make) and s.target == part.model
             and s.what.startswith("direction")]
    assert len(makes) == len(NAMES)
    for make, column in zip(sorted(makes, key=lambda m: int(m.what.split()[1])),
                            bipolar().small.T, strict=True):
        moved = corner(deviate(stage, ((make, 1.0),))) - corner(stage)
        assert moved == pytest.approx(column[index], abs=2e-3)
