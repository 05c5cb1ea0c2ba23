"""The kinds of parts as text: pins, how each fails, the devices, and other words for them."""

from __future__ import annotations

from circuits.device import load_devices
from circuits.kinds import Kind, kin, kinds
from diagnose.show.text_page import STRONG, WIDTH, Page
from faultlib.catalogue import kind_modes


def kinds_text(width: int = WIDTH, colour: bool = False) -> str:
    """The tables of ``diagnose stages --kinds``."""
    page = Page(width, colour)
    page.heading("Kinds of parts")
    page.table(
        ("kind", "nodes", "good to"),
        [((one.name, STRONG), _pins(one), _tolerance(one)) for one in kinds().values()],
        whole=(0,),
    )
    page.heading("How they fail")
    alike: dict[str, list[str]] = {}
    for one in kinds().values():
        alike.setdefault(_modes(one), []).append(one.name)
    page.table((), [((", ".join(names), STRONG), modes) for modes, names in alike.items()])
    page.heading("Devices (model)")
    page.table(
        ("device", "kind", "what it is"),
        [((d.name, STRONG), d.kind, d.about) for d in load_devices().values()], whole=(0, 1),
    )
    page.heading("Other words, taken as the kind they are nearest to")
    page.table(
        ("word", "taken as", "good to"),
        [((word, STRONG), one.name, _tolerance(one)) for word, one in kin().items()], whole=(0, 1),
    )
    return page.text()


def _modes(one: Kind) -> str:
    return ", ".join(mode.name for mode in kind_modes(one.name).modes)


def _pins(one: Kind) -> str:
    fixed = len(one.pins) - one.optional_pins
    return ", ".join(one.pins[:fixed]) + "".join(f" [{pin}]" for pin in one.pins[fixed:])


def _tolerance(one: Kind) -> str:
    return f"{one.tolerance * 100:g} %" if one.tolerance else ""
