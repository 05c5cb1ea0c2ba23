"""Monotone cubics against scipy's PchipInterpolator, an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from faultlib.monotone import interpolate


@given(
    steps=st.lists(st.floats(0.01, 10.0), min_size=1, max_size=12),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_scipy(steps: list[float], seed: int) -> None:
    x = np.concatenate([[0.0], np.cumsum(steps)])
    random = np.random.default_rng(seed)
    y = random.normal(size=(len(x), 3)) * np.array([1.0, 100.0, 1e-6])
    y[:, 1] = np.round(y[:, 1] / 50.0) * 50.0  # flat stretches and turns
    wanted = random.uniform(x[0], x[-1], 40)
    expected = PchipInterpolator(x, y)(wanted)
    np.testing.assert_allclose(interpolate(x, y, wanted), expected, rtol=1e-9, atol=1e-10)


def test_one_point_is_a_constant_and_ends_hold() -> None:
    one = interpolate(np.array([0.0]), np.array([[3.0]]), np.array([0.0, 1.0]))
    assert one.tolist() == [[3.0], [3.0]]
    line = interpolate(np.array([0.0, 1.0]), np.array([[0.0], [2.0]]), np.array([-1.0, 0.5, 2.0]))
    assert line[:, 0] == pytest.approx([0.0, 1.0, 2.0])
