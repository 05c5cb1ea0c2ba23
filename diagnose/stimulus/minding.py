"""What a signal does to loudspeakers, Zobel networks and whoever listens: to mind before it plays.

All of it is common practice at benches, and none of it takes the place of local codes.
"""

from __future__ import annotations

import math

from circuits.cautions import Caution, Danger
from circuits.quantity import render
from circuits.signals.sweep import BEYOND
from diagnose.stimulus.signal import Signal
from diagnose.stimulus.waves import steady_tones

ZOBEL_OHMS, ZOBEL_FARADS = 10.0, 0.1e-6
"""The usual network across an output: `ZOBEL_OHMS` and `ZOBEL_FARADS` in series (common
practice)."""
EXAMPLE_WATTS, EXAMPLE_OHMS = 100.0, 8.0
"""The amplifier by which it is told what that network takes: W, and ohm of its load."""
_TREBLE_HZ = 5e3
"""Hz from which what is played lands in a tweeter and in a Zobel network."""
_BASS_HZ = 40.0
"""Hz below which a cone moves far for little sound."""
_LOUD = -12.0
"""dBFS from which a signal is loud: most sound cards then give 0.3 V and more, which drives many
power amplifiers to a tenth of their power."""
_LONG = 10.0
"""s from which a steady signal is long."""


def zobel_watts(frequency: float, volts: float) -> float:
    """Power in the resistor of the usual Zobel network, W.

    V²·R / (R² + 1/(2πfC)²).

    Parameters
    ----------
    frequency : float
        Hz.
    volts : float
        RMS, across the output.
    """
    reactance = 1.0 / (2.0 * math.pi * frequency * ZOBEL_FARADS)
    return volts**2 * ZOBEL_OHMS / (ZOBEL_OHMS**2 + reactance**2)


def cautions(signal: Signal, rate: float) -> tuple[Caution, ...]:
    """What to mind with a signal, the worst first.

    Parameters
    ----------
    signal : Signal
        Checked.
    rate : float
        Samples a second.
    """
    if signal.kind == "silence":
        return ()
    low, high = _ends(signal, rate)
    made = [Caution(
        Danger.DAMAGE,
        "Into a power amplifier only with a dummy load rated for its full power, and the "
        "loudspeaker off. Begin with the volume down; check first that the output stands near "
        "0 V.",
    )]
    if high >= _TREBLE_HZ:
        made += _treble(signal, high)
    if low < _BASS_HZ:
        made.append(Caution(
            Danger.DAMAGE,
            f"It holds {render(low, 'Hz')}: a loudspeaker's cone moves beyond its travel long "
            "before that is loud, in a vented box above all. Loudspeaker off.",
        ))
    if signal.kind == "steps":
        made.append(Caution(
            Danger.DAMAGE,
            "It is meant to reach clipping: what is clipped has treble of its own, which burns "
            "tweeters; output devices are hottest at some 40 % of full power, on the way there. "
            "Stop where the waveform flattens, and let the heat sink cool before the next run.",
        ))
    elif _is_long(signal):
        made.append(Caution(
            Danger.DAMAGE,
            f"{render(signal.wanted_seconds, 's')} at {signal.played_level:.3g} dBFS without a "
            "pause: near full power the heat sink, the dummy load and fuses of this unit may not "
            "be made for that. Watch their heat.",
        ))
    if signal.shaped:
        made.append(Caution(
            Danger.DAMAGE,
            "It rises by 20 dB up to 20 kHz, for a phono input alone: into any other input the "
            "treble is a hundred times the power of the middle. No headphones on it.",
        ))
    return tuple(made)


def _ends(signal: Signal, rate: float) -> tuple[float, float]:
    """The lowest and the highest frequency of what is played, Hz."""
    if signal.kind in ("tones", "sweep"):
        low, high = signal.played_band(rate)
        if signal.kind == "sweep":
            low = min((low / 2.0, *steady_tones(signal, rate)))
            high *= BEYOND
        return low, high
    tones = signal.tones
    return tones[0], tones[-1] if signal.kind != "square" else 0.5 * rate


def _treble(signal: Signal, high: float) -> list[Caution]:
    watts = zobel_watts(high, math.sqrt(EXAMPLE_WATTS * EXAMPLE_OHMS))
    reach = "Its end reaches" if signal.kind == "sweep" else "It holds"
    shown = render(float(f"{high:.3g}"), "Hz")
    return [Caution(
        Danger.DAMAGE,
        f"{reach} {shown}: a tweeter bears a few watts for a few seconds. And the resistor of a "
        f"Zobel network ({render(ZOBEL_OHMS, 'ohm')} and {render(ZOBEL_FARADS, 'F')}) takes "
        f"{render(watts, 'W', 2)} of a sine there at {EXAMPLE_WATTS:g} W into "
        f"{EXAMPLE_OHMS:g} Ω, more than many bear: at high power keep it short.",
    )]


def _is_long(signal: Signal) -> bool:
    return signal.wanted_seconds >= _LONG and signal.played_level >= _LOUD
