"""The limit of a junction's steps against SPICE's rule written out one branch at a time."""

from __future__ import annotations

import math

import numpy as np

from circuits.batch.devices import junction


def rule(new: float, old: float, vt: float, bend: float) -> tuple[float, bool]:
    """SPICE's rule with the addition for reverse voltages (ngspice's published sources)."""
    if new > bend and abs(new - old) > 2.0 * vt:
        if old <= 0.0:
            return vt * math.log(new / vt), True
        steps = (new - old) / vt
        if steps > 0.0:
            return old + vt * (2.0 + math.log(steps - 2.0)), True
        return old - vt * (2.0 + math.log(2.0 - steps)), True
    if new < 0.0:
        least = -old - 1.0 if old > 0.0 else 2.0 * old - 1.0
        if new < least:
            return least, True
    return new, False


def test_limits_are_those_of_the_rule() -> None:
    rng = np.random.default_rng(1)
    new, old = (rng.choice([-30.0, 1.0], 4000) * rng.exponential(1.0, 4000) for _ in range(2))
    vt, bend = 0.025, 0.65
    taken, cut = junction.limited(new, old, np.asarray(vt), np.full(4000, bend))
    wanted = [rule(a, b, vt, bend) for a, b in zip(new, old, strict=True)]
    np.testing.assert_allclose(taken, [v for v, _ in wanted], rtol=1e-14)
    np.testing.assert_array_equal(cut, [c for _, c in wanted])
    assert 0.2 < cut.mean() < 0.9
