"""Pictures: that they are drawn, and that people with any of the common eyes can read them."""

from __future__ import annotations

import itertools
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray

from circuits.errors import InputError
from diagnose.show.figure import PALETTE, Axis, Band, Figure, Panel, Series, draw, look

Vector = NDArray[np.float64]
# Machado, Oliveira and Fernandes 2009, "A physiologically-based model for simulation of color
# vision deficiency", severity 1.0, linear RGB (from memory; every row adds up to 1 as it must).
EYES = {
    "usual": np.eye(3),
    "protanopia": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                            [-0.003882, -0.048116, 1.051998]]),
    "deuteranopia": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                              [-0.011820, 0.042940, 0.968881]]),
    "tritanopia": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                            [0.004733, 0.691367, 0.303900]]),
}
JUST_SEEN = 2.3
"""ΔE*ab that an observer just sees (Mahy, Van Eycken and Oosterlinck 1994; from memory)."""


def linear(colour: str) -> Vector:
    """Linear RGB of a hexadecimal colour (IEC 61966-2-1)."""
    coded = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(rgb: Vector) -> Vector:
    """CIE L*a*b* of linear RGB, white point D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                    [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0.0, 1.0)
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(first: str, second: str, eye: Vector) -> float:
    return float(np.linalg.norm(lab(eye @ linear(first)) - lab(eye @ linear(second))))


@pytest.mark.parametrize("eye", EYES)
def test_no_two_lines_share_a_colour_for_any_eye(eye: str) -> None:
    for first, second in itertools.combinations(PALETTE, 2):
        assert apart(first, second, EYES[eye]) > 5 * JUST_SEEN, (first, second)


def test_the_measure_sees_a_pair_that_is_not_safe() -> None:
    """The usual red and green of plotting programs: far apart for most, alike for some."""
    red, green = "#D62728", "#2CA02C"
    assert apart(red, green, EYES["usual"]) > 50 * JUST_SEEN
    assert apart(red, green, EYES["deuteranopia"]) < 5 * JUST_SEEN


def test_lines_differ_without_their_colours() -> None:
    looks = [look(k)[1:] for k in range(len(PALETTE))]
    assert len({repr(dash) for dash, _ in looks}) == len(looks)
    assert len({marker for _, marker in looks}) == len(looks)


def figure() -> Figure:
    x = (20.0, 200.0, 2000.0)
    panel = Panel(
        "response", Axis("frequency", "Hz", logarithmic=True), Axis("level", "dB"),
        (Series("healthy", x, (0.0, 0.1, 0.0)), Series("470 nF", x, (-9.0, -1.0, 0.0))),
        (Band("healthy units", x, (-0.5, -0.4, -0.2), (0.5, 0.6, 0.2)),),
    )
    words = Panel("gain", Axis("", words=((0.0, "healthy"), (1.0, "open"))), Axis("gain", "dB"),
                  (Series("C1 open", (0.0, 1.0), (36.0, 2.0)),))
    return Figure("coupling: C1 capacitance loss", (panel, words), "Shaded: healthy units.")


@pytest.mark.slow
def test_an_svg_holds_the_words_and_is_the_same_every_time(tmp_path: Path) -> None:
    draw(figure(), tmp_path / "a.svg")
    draw(figure(), tmp_path / "b.svg")
    text = (tmp_path / "a.svg").read_text()
    assert text == (tmp_path / "b.svg").read_text()
    root = ElementTree.fromstring(text)
    words = " ".join("".join(node.itertext()) for node in root.iter() if node.tag.endswith("text"))
    for word in ("coupling: C1 capacitance loss", "frequency, Hz", "100", "470 nF",
                 "healthy units", "open", "Shaded: healthy units."):
        assert word in words


@pytest.mark.slow
def test_a_png_is_a_picture(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    draw(figure(), path)
    head = path.read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948
    width, height = (int.from_bytes(head[k : k + 4]) for k in (16, 20))
    assert width > height > 200


def test_another_ending_is_refused_and_a_file_that_stands_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.gif"
    path.write_text("mine")
    with pytest.raises(InputError, match=r"\.png or \.svg"):
        draw(figure(), path)
    assert path.read_text() == "mine"
