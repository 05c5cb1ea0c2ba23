"""Takes that are whole and such that are not, from a card whose losses and clock are known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from diagnose.soundcard.heard import TAILS, Heard, NotTaken, hum_warning, take, whole
from diagnose.soundcard.played import LEAD, SETTLE, beside_mains, levelled, silence, tones
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

RATE = 16e3
TONE = tones([(1e3, 0.3)], 0.4, RATE)
MANY = tones(levelled([40.0, 97.0, 1e3, 3e3, 6.9e3], 0.3), 1.0, RATE)


def card_of(unit: Unit | None = None, **further: Any) -> FakeCard:
    return FakeCard(unit or Unit(), rate=RATE, **further)


def heard(card: FakeCard, played: object = TONE) -> Heard | str:
    assert isinstance(played, type(TONE))
    return whole(card.play(played.samples, TAILS[0]), played, RATE, card.one_clock)


LOW = tones([(20.0, 0.3)], 1.2, RATE)


@pytest.mark.parametrize("played", [TONE, MANY, LOW])
def test_what_went_round_a_wire_is_what_was_played(played: object) -> None:
    made = heard(card_of(records=2.0), played)
    assert isinstance(made, Heard)
    wanted = [peak for _, peak in played.tones]  # type: ignore[attr-defined]
    assert made.amplitudes(50.0) == pytest.approx(wanted, rel=1e-5)
    assert made.ratio == pytest.approx(1.0, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [37.0, -180.0])
def test_two_clocks_are_told_and_read_by(ppm: float) -> None:
    made = heard(card_of(records=2.0, ppm=ppm, one_clock=False), MANY)
    assert isinstance(made, Heard)
    assert (made.ratio - 1.0) * 1e6 == pytest.approx(ppm, abs=0.1)
    # a spline between the samples falls off towards half the rate: the highest are left out
    assert made.amplitudes()[:3] == pytest.approx([p for _, p in MANY.tones[:3]], rel=1e-3)


@pytest.mark.parametrize("count", [1, 17, 480, -64])
@pytest.mark.parametrize("at", [0.6, 1.1])
@pytest.mark.parametrize("one_clock", [True, False])
def test_a_buffer_that_was_lost_or_put_in_is_found(count: int, at: float, one_clock: bool) -> None:
    place = round((LEAD + at) * RATE)
    made = heard(card_of(records=2.0, drops=[(0, place, count)], one_clock=one_clock))
    if count == 1 and not one_clock:
        return  # a sample in a second and a half: two crystals differ by more
    assert isinstance(made, str)


def test_two_losses_that_make_up_for_each_other_are_found() -> None:
    """The pilots stand where they should; the wave between them does not go on."""
    first, later = (round((LEAD + x) * RATE) for x in (0.95, 1.1))
    made = heard(card_of(records=2.0, drops=[(0, first, 40), (0, later, -40)]))
    assert isinstance(made, str)
    assert "jumps" in made


def test_a_take_that_is_not_whole_is_repeated_and_never_used() -> None:
    card = card_of(records=2.0, drops=[(0, 17000, 64)], lost={1: "input overflow"})
    made = take(card, TONE)
    assert len(card.takes) == 3
    assert made.amplitudes()[0] == pytest.approx(0.3, rel=1e-5)
    assert len(made.again) == 2
    assert "input overflow" in made.again[1]


def test_a_card_that_always_loses_gives_nothing() -> None:
    card = card_of(records=2.0, lost=dict.fromkeys(range(9), "output underflow"))
    with pytest.raises(NotTaken, match="output underflow"):
        take(card, TONE)


def test_nothing_that_comes_through_is_no_take() -> None:
    dead = Unit(response=lambda f: np.zeros(len(f), complex), noise=1e-4)
    with pytest.raises(NotTaken, match="pilots"):
        take(card_of(dead), TONE)


def test_clipping_is_counted_and_hum_is_told() -> None:
    loud = heard(card_of(records=0.4))
    assert isinstance(loud, Heard)
    assert loud.clipped > 100
    hums = heard(card_of(Unit(hum={50.0: 0.06, 150.0: 0.01}), records=2.0), TONE)
    assert isinstance(hums, Heard)
    # 0.06 V RMS beside a tone of 0.6 V RMS are 20 dB
    assert "50 Hz lies only 20 dB" in hum_warning(hums, 50.0)
    # 0.6 V of hum beside it are 0 dB, 1.2 V are 20 lg 2 = 6 dB
    for volts, words in ((0.6, "is as loud as the signal"), (0.59, "is as loud as the signal"),
                         (1.2, "is 6 dB louder than the signal")):
        hums = heard(card_of(Unit(hum={50.0: volts}), records=4.0), TONE)
        assert isinstance(hums, Heard)
        assert f"hum at 50 Hz {words}: " in hum_warning(hums, 50.0)
    clean = heard(card_of(records=2.0))
    assert isinstance(clean, Heard)
    assert hum_warning(clean, 50.0) == ""


def test_a_silence_with_samples_that_stand_still_is_none() -> None:
    still = silence(0.5, RATE)
    assert isinstance(heard(card_of(own_noise=1e-5), still), Heard)
    made = heard(card_of(own_noise=1e-5, drops=[(0, 7000, -200)]), still)
    assert isinstance(made, str)
    assert "same" in made


def test_waves_have_the_level_and_the_places_that_are_wanted() -> None:
    made = levelled([20.0, 1e3, 20e3], 0.1)
    assert np.hypot.reduce([p for _, p in made]) == pytest.approx(0.1)
    shaped = dict(levelled([50.0, 1e3, 10e3], 0.1, shaped=True))
    # IEC 60098: +16.95 dB at 50 Hz and -13.73 dB at 10 kHz, relative to 1 kHz (its table)
    assert 20.0 * np.log10(shaped[1e3] / shaped[50.0]) == pytest.approx(16.95, abs=0.01)
    assert 20.0 * np.log10(shaped[1e3] / shaped[10e3]) == pytest.approx(-13.73, abs=0.01)
    for mains in (50.0, 60.0):
        for frequency in (20.0, 50.0, 100.0, 120.0, 200.0, 1e3):
            places = beside_mains(frequency, mains)
            assert np.prod(places) ** (1.0 / len(places)) == pytest.approx(frequency)
            near = frequency < 11 * mains
            assert all(abs(f / mains - round(f / mains)) * mains > 2.0 for f in places) or not near
    part = MANY.samples[round((LEAD + MANY.begin - SETTLE) * RATE) :]
    assert abs(part[0]) < 1e-6
    assert np.abs(MANY.samples).max() < 1.0
