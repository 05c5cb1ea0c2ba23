"""Faults are screened many at once, and come out as each would by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.inference import screen as module
from diagnose.inference.screen import screen, screened
from tests.diagnose.fake_bench import LinearUnit, gains


@pytest.mark.parametrize("bounds", [("",) * 6, ("<", "", ">", "", "", "<")])
def test_faults_together_come_out_as_each_alone(
    bounds: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    random = np.random.default_rng(4)
    unit = LinearUnit(3.0 * random.normal(size=(6, 7)), gains(6), 0.02)
    observed = replace(unit.observed(random.normal(size=6), 0.1), bounds=bounds)
    table = unit.found()
    priors = np.log(random.uniform(size=len(table.faults))).tolist()
    alone = [screen(s, table, observed, p) for s, p in zip(table.faults, priors, strict=True)]
    for room in (16 << 20, 2 * 8 * 17 * 36, 1):  # all, two and one at once
        monkeypatch.setattr(module, "_TOGETHER", room)
        together = screened(table.faults, table, observed, priors)
        for one, other in zip(alone, together, strict=True):
            assert one.hypotheses == other.hypotheses
            np.testing.assert_allclose(other.log_evidence, one.log_evidence, rtol=1e-12)
            np.testing.assert_allclose(other.loose, one.loose, rtol=1e-12)
            np.testing.assert_allclose(other.weights, one.weights, rtol=1e-9, atol=1e-300)
            assert (one.log_prior, one.size) == (other.log_prior, other.size)
