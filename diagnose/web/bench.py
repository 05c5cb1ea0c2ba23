"""Requests of readings that are taken at the bench: by sound card, or by a meter on a lead.

All that opens a device, or keeps one open, is a post: it needs what any request needs that writes.
"""

from __future__ import annotations

import re
from typing import Any

from flask import Blueprint, Response, jsonify, request

from circuits.errors import InputError
from diagnose.instruments.connection import found
from diagnose.soundcard import portaudio
from diagnose.stimulus.signal import RATES
from diagnose.web.calibration_run import calibrate
from diagnose.web.card_run import CardAsked, devices, take_by_card
from diagnose.web.desk import desk
from diagnose.web.meter_run import MeterAsked, read_by_meter
from diagnose.web.runs import Run

bench = Blueprint("bench", __name__)
PATIENCE = 5.0
"""s after which a page that looks is answered though nothing has changed: by then it is known
whether the page is still there."""
_WIDTHS = (300, 1200)
"""CSS pixels between which a page may ask a picture to be wide."""
_MOST_WORD = 200
"""Signs of an address, or of the name of a device."""


@bench.get("/sheet/<name>/bench")
def stands(name: str) -> Response:
    """What is being taken for a sheet, or was last; no device is touched."""
    desk().shelf.revision(name)
    run = desk().runs.of(name)
    return jsonify(run=None if run is None else run.now())


@bench.post("/sheet/<name>/bench/devices")
def there(name: str) -> Response:
    """Which devices there are, as a page asks before a run."""
    desk().shelf.revision(name)
    if _sent().get("kind") == "meter":
        return jsonify(addresses=found())
    with desk().runs.between() as free:
        if free:  # looking anew closes what is open
            portaudio.look_again()
        return jsonify(devices=devices())


@bench.post("/sheet/<name>/bench")
def begin(name: str) -> Response:
    """Begin a run."""
    sent, at = _sent(), desk()
    at.shelf.revision(name)
    kind, by_advice = _word(sent, "kind"), sent.get("next") is True
    run = Run(name, kind)
    if kind in ("card", "calibration"):
        rate = sent.get("rate", 48e3)
        if not isinstance(rate, (int, float)) or not RATES[0] <= rate <= RATES[1]:
            raise InputError("this is no rate of a card", expected="samples a second, 48000")
        card = CardAsked(_word(sent, "device"), _word(sent, "input"), float(rate), by_advice)
        both = sent.get("both") is True
        at.runs.start(run, lambda made: take_by_card(made, at, name, card) if kind == "card"
                      else calibrate(made, card, both))
    elif kind == "meter":
        meter = MeterAsked(_word(sent, "address"), _word(sent, "channel"), by_advice)
        at.runs.start(run, lambda made: read_by_meter(made, at, name, meter))
    else:
        raise InputError("this takes no readings", expected="card, meter or calibration")
    return jsonify(run=run.now())


@bench.post("/sheet/<name>/bench/look")
def look(name: str) -> Response:
    """What there is to see of a run, once it has changed: it goes on while somebody looks."""
    sent = _sent()
    after, width = sent.get("after"), sent.get("width")
    if not isinstance(after, int):
        raise InputError("this looks at nothing", expected="the number of what was seen last")
    run = desk().runs.of(name)
    if run is not None and isinstance(width, int):
        run.width = float(min(max(width, _WIDTHS[0]), _WIDTHS[1]))
    return jsonify(run=None if run is None else run.look(after, PATIENCE))


@bench.post("/sheet/<name>/bench/word")
def say(name: str) -> Response:
    """Say a word to the step that waits."""
    sent = _sent()
    at, run = sent.get("at"), desk().runs.of(name)
    heard = run is not None and isinstance(at, int) and run.say(
        at, _word(sent, "word"), _word(sent, "typed"))
    return jsonify(heard=heard)


def _sent() -> dict[str, Any]:
    sent = request.get_json()
    if not isinstance(sent, dict):
        raise InputError("this is no request of the bench", expected="an object")
    return sent


def _word(sent: dict[str, Any], key: str) -> str:
    word = sent.get(key, "")
    if not isinstance(word, str) or len(word) > _MOST_WORD or not re.fullmatch(r"[^\x00-\x1f]*",
                                                                                word):
        raise InputError(f"this is no {key}", expected=f"up to {_MOST_WORD} signs")
    return word.strip()
