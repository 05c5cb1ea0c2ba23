"""What to mind in a stage and with a reading, the worst first, in words.

All of it is common practice at repair benches, and none of it takes the place of local codes. The
numbers come from what the stage is (`circuits.hazards`); what a stage file says itself stands
among them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import IntEnum

from circuits.hazards import LETHAL_V, SQUARE_HZ, Charged, Hazards, Voltage, hazards
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import Stage

HEADING = "Cautions, the worst first (common practice)"
"""What stands over them on every screen."""

_MOST_NAMED = 3
"""Reservoirs that are named one by one."""
_STEADY = ("dc voltage", "supply current", "resistance")
"""Quantities that are read with a plain meter; all others by what takes a.c."""


class Danger(IntEnum):
    """How bad it is, the worst first."""

    LIFE = 0
    DAMAGE = 1
    STATED = 2


@dataclass(frozen=True)
class Caution:
    """One thing to mind.

    Attributes
    ----------
    text : str
        Whole sentences.
    """

    danger: Danger
    text: str


_OF_STAGE = {
    "lethal": Caution(
        Danger.LIFE,
        "{volts} {where} can kill{rise}. Probe it live only if you are trained for it: one hand, "
        "the other away from the unit; insulated probes, clipped on while the power is off.",
    ),
    "mains": Caution(
        Danger.LIFE,
        "Unplug before you open the cover or touch anything inside: a switch does not isolate. "
        "Mains work is for licensed persons, and local codes rule it.",
    ),
    "charged": Caution(
        Danger.LIFE,
        "Unplugged, the reservoirs stay charged ({charged}; those of the supply too). Discharge "
        "each through a resistor rated for it, and check with a meter, before you touch anything.",
    ),
    "reservoirs": Caution(
        Danger.LIFE,
        "Unplugged, the reservoirs of the supply stay charged. Discharge each through a resistor "
        "rated for it, and check with a meter, before you touch anything.",
    ),
    "earth": Caution(
        Danger.LIFE,
        "Grounds of scopes and sound cards are mains earth: clip them to the ground of the unit "
        "only, and check with a meter first that its chassis is not live. A live chassis (a set "
        "without a mains transformer) wants an isolation transformer before it, or a differential "
        "reading. Never lift the earth of an instrument.",
    ),
    "live": Caution(
        Danger.LIFE,
        "Live readings, up to {volts} {where}{rise}: one hand, insulated probes, no slips between "
        "pins, away from the mains wiring.",
    ),
    "live, unknown": Caution(
        Danger.LIFE,
        "Live readings: one hand, insulated probes, no slips between pins, away from the mains "
        "wiring; this sheet does not know how high the voltages of the unit are.",
    ),
    "direct output": Caution(
        Danger.DAMAGE,
        "A fault can put up to {output} of direct voltage on the output: check that it stands near "
        "0 V before you connect any load. A dummy load of {load} then takes {watts}, and must be "
        "rated for that; keep the loudspeaker off.",
    ),
    "output behind a capacitor": Caution(
        Danger.DAMAGE,
        "Should {behind} leak, a fault can put up to {output} of direct voltage on the output: "
        "check that it stands near 0 V before you connect any load. A dummy load of {load} then "
        "takes {watts}, and must be rated for that; keep the loudspeaker off.",
    ),
    "output of valves": Caution(
        Danger.DAMAGE,
        "Never run it without its load: the output transformer and the valves arc over. Use a "
        "dummy load rated for the full power; keep the loudspeaker off.",
    ),
    "loudspeaker": Caution(
        Danger.DAMAGE,
        "An amplifier at fault can put its rail on the output: check that it stands near 0 V "
        "before you connect any load. Use a dummy load rated for the rail's voltage squared over "
        "its resistance; keep the loudspeaker off.",
    ),
    "leak": Caution(
        Danger.DAMAGE,
        "Should {behind} leak, up to {output} of direct voltage stand on the output: check it "
        "before you connect anything there.",
    ),
    "standing": Caution(
        Danger.DAMAGE,
        "A fault can put up to {output} of direct voltage on the output: check it before you "
        "connect what it feeds.",
    ),
    "bring-up": Caution(
        Danger.DAMAGE,
        "After a repair, bring it up by a variac or with a lamp in series with the mains, or on a "
        "current-limited supply, and watch current and output{bias}.",
    ),
    "square": Caution(
        Danger.DAMAGE,
        "Keep large square waves short, for they heat the Zobel network{zobel}.",
    ),
}
"""What a stage or a unit brings, the worst first."""

_OF_READING = {
    "live": Caution(Danger.LIFE, "Live, up to {volts}{kills}: one hand, insulated probes."),
    "live, unknown": Caution(Danger.LIFE, "Live: one hand, insulated probes."),
    "alternating": Caution(
        Danger.LIFE,
        "Only through a probe or a blocking capacitor rated for more than {volts}; the ground of a "
        "scope or a sound card is mains earth.",
    ),
    "off": Caution(
        Danger.LIFE,
        "Unplug; discharge the reservoirs through a resistor and check with a meter first.",
    ),
    "resistor": Caution(
        Danger.LIFE,
        "Fit the resistor with the power off, or read across a dropper that is there.",
    ),
    "driven": Caution(
        Danger.DAMAGE,
        "Direct voltage at the output checked first; dummy load rated for {watts}, loudspeaker "
        "off.",
    ),
    "driven, unknown": Caution(
        Danger.DAMAGE,
        "Direct voltage at the output checked first; dummy load rated for the full power, "
        "loudspeaker off.",
    ),
    "solder": Caution(
        Danger.LIFE,
        "Solder with the unit unplugged and its reservoirs discharged, checked with a meter.",
    ),
    "square": Caution(Danger.DAMAGE, "Keep it short: a large square wave heats {resistors}."),
}
"""What a reading brings, the worst first."""

_LIFE_WORDS = re.compile(
    r"\b(kill\w*|lethal|mains|shock\w*|high (tension|voltage)|live|reservoirs?|\w*charge\w*)\b",
    re.IGNORECASE,
)
"""What a stage file says itself with one of these stands with what endangers life."""


def cautions(stage: Stage) -> tuple[Caution, ...]:
    """What to mind in a stage or a unit: what it is brings, and what its file says; each once.

    Returns
    -------
    tuple of Caution
        The worst first.
    """
    return _ordered([*_brought(hazards(stage)), *map(_stated, stage.cautions)])


def caution_texts(stage: Stage) -> tuple[str, ...]:
    """`cautions` as texts."""
    return tuple(caution.text for caution in cautions(stage))


def reading_cautions(about: Hazards, reading: Reading) -> tuple[Caution, ...]:
    """What to mind with one reading, the worst first.

    Parameters
    ----------
    about : Hazards
        Of its stage.
    """
    told = []
    if reading.state.lifted or reading.state.pulled or reading.state.bridged:
        told.append(_OF_READING["solder"])
    if "off" in reading.about.caution:
        told.append(_OF_READING["off"])
    if about.powered and inside(reading):
        told += _live(about, reading)
    if reading.quantity == "supply current":
        told.append(_OF_READING["resistor"])
    driven = "driven" in reading.about.caution or reading.driven or reading.level is not None
    if about.power_stage and driven:
        known = about.output and not about.transformed
        told.append(_filled(_OF_READING["driven" if known else "driven, unknown"],
                            watts=_watts(about.dummy_watts)))
    if about.zobel and "square" in reading.about.caution:
        told.append(_filled(_OF_READING["square"], resistors=_listed(about.zobel)))
    return _ordered(told)


def reading_text(about: Hazards, reading: Reading) -> str:
    """`reading_cautions` as one text; empty where there is nothing to mind."""
    return " ".join(caution.text for caution in reading_cautions(about, reading))


def marked(about: Hazards, reading: Reading) -> str:
    """The shortest that must stand beside a reading on a sheet: ``live, 290 V``; or nothing."""
    if "off" in reading.about.caution:
        return "power off"
    if not about.powered or not inside(reading):
        return ""
    if about.highest is None or not about.highest.lethal:
        return "live"
    by = "" if reading.quantity in _STEADY else ", rated probe or blocking capacitor"
    return f"live, {_volts(about.highest)}{by}"


def inside(reading: Reading) -> bool:
    """Whether a probe reaches into the unit while it is on."""
    if "off" in reading.about.caution:
        return False
    return "live" in reading.about.caution or any((reading.at, reading.rail, reading.origin))


def _brought(about: Hazards) -> list[Caution]:
    if not about.powered:
        return []
    told = []
    if about.lethal:
        told.append(_of_voltage("lethal", about))
    told.append(_OF_STAGE["mains"])
    if about.reservoirs:
        told.append(_filled(_OF_STAGE["charged"], charged=_energies(about.reservoirs)))
    else:
        told.append(_OF_STAGE["reservoirs"])
    told.append(_OF_STAGE["earth"])
    if about.highest is None:
        told.append(_OF_STAGE["live, unknown"])
    elif not about.lethal:
        told.append(_of_voltage("live", about))
    told += _of_output(about)
    if about.power_stage or about.lethal:
        bias = "; trimmers of the idle current at their lowest" if about.set_bias else ""
        told.append(_filled(_OF_STAGE["bring-up"], bias=bias))
    if about.zobel:
        told.append(_filled(_OF_STAGE["square"], zobel=_heat(about)))
    return told


def _of_output(about: Hazards) -> list[Caution]:
    """What may stand on the output, and what a load then takes."""
    if about.transformed:
        return [_OF_STAGE["output of valves"]]
    if about.power_stage and not about.output:
        return [_OF_STAGE["loudspeaker"]]
    if about.power_stage:
        key = "output behind a capacitor" if about.behind else "direct output"
    elif about.output and not about.behind:
        key = "standing"
    elif about.output > LETHAL_V:
        key = "leak"
    else:
        return []
    caution = _filled(
        _OF_STAGE[key], behind=about.behind, output=render(about.output, "V"),
        load=render(about.load, "ohm"), watts=_watts(about.dummy_watts),
    )
    lethal = about.output > LETHAL_V and not about.power_stage
    return [replace(caution, danger=Danger.LIFE) if lethal else caution]


def _of_voltage(key: str, about: Hazards) -> Caution:
    assert about.highest is not None
    rise = ""
    if about.highest.rises:
        rise = ", and there is more before the valves are warm" if about.valves else \
            ", and there is more without load"
    return _filled(_OF_STAGE[key], volts=_volts(about.highest), where=about.highest.where,
                   rise=rise)


def _live(about: Hazards, reading: Reading) -> list[Caution]:
    if about.highest is None:
        return [_OF_READING["live, unknown"]]
    lethal, volts = about.lethal, _volts(about.highest)
    told = [_filled(_OF_READING["live"], volts=volts, kills=", which can kill" if lethal else "")]
    if lethal and reading.quantity not in _STEADY:
        told.append(_filled(_OF_READING["alternating"], volts=volts))
    return told


def _volts(highest: Voltage) -> str:
    return render(highest.volts, "V") + (" a.c." if highest.alternating else "")


def _watts(watts: float) -> str:
    return render(watts, "W", 2 if watts < 100.0 else 3)


def _energies(charged: tuple[Charged, ...]) -> str:
    """``C9 4700 µF at 31 V, 2.3 J; and 2 more``."""
    named = []
    for c in charged[:_MOST_NAMED]:
        size, volts, energy = render(c.farads, "F"), render(c.volts, "V"), render(c.joules, "J", 2)
        named.append(f"{c.name} {size} at {volts}, {energy}")
    if len(charged) > _MOST_NAMED:
        named.append(f"{len(charged) - _MOST_NAMED} more")
    return "; ".join(named)


def _heat(about: Hazards) -> str:
    if not about.swing:
        return f" ({_listed(about.zobel)})"
    return (f": {render(about.swing, 'V')} from peak to peak at {render(SQUARE_HZ, 'Hz')} put "
            f"{_watts(about.zobel_watts)} into {_listed(about.zobel)}")


def _listed(names: tuple[str, ...]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _stated(text: str) -> Caution:
    """What a stage file says itself; whatever it says, it is said."""
    return Caution(Danger.LIFE if _LIFE_WORDS.search(text) else Danger.STATED, text)


def _filled(caution: Caution, **words: str) -> Caution:
    return Caution(caution.danger, caution.text.format(**words))


def _ordered(found: Iterable[Caution]) -> tuple[Caution, ...]:
    """The worst first, else as they came, and each once."""
    once: dict[str, Caution] = {}
    for caution in sorted(found, key=lambda c: c.danger):
        once.setdefault(" ".join(caution.text.casefold().split()).rstrip("."), caution)
    return tuple(once.values())
