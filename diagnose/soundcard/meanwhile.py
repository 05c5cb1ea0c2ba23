"""What somebody types into rows of a sheet while a session takes their readings: it stays.

A row may be replaced that stood so when the session began, as then it was asked for with its
value, or that the session itself has written. Whoever repeats a step wants the reading of the card.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from circuits.errors import InputError
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.putting import rows
from diagnose.soundcard.taken import Taken


class Meanwhile:
    """Rows of one sheet as a session knows them.

    Parameters
    ----------
    text : str
        Of the sheet when the session begins.
    channels : sequence of str
        Of a sheet of two channels, both.
    """

    def __init__(self, text: str, stage: Stage, channels: Sequence[str] = ()) -> None:
        self._stage = stage
        self._known: dict[tuple[str, Hashable], set[str]] = {}
        for channel in channels or ("",):
            for row in rows(text, stage, channel):
                self._of(channel, row.reading).add(row.value)

    def typed(self, text: str, one: Taken, channel: str) -> str:
        """What was typed into the row of a reading since; empty where nothing was.

        Parameters
        ----------
        text : str
            Of the sheet as it is now; one that cannot be read has nothing.
        channel : str
            Of a sheet of two channels, which; else empty.
        """
        try:
            there = {row.reading.key(): row.value
                     for row in reversed(rows(text, self._stage, channel))}
        except InputError:
            return ""
        # the second time the row says the load as well
        reading = one.reading if one.reading.key() in there else one.asked
        value = there.get(reading.key(), "")
        return "" if value in self._of(channel, reading) else value

    def wrote(self, one: Taken, channel: str) -> None:
        """Note that a reading was put into its row."""
        for reading in (one.asked, one.reading):
            self._of(channel, reading).add(one.text())

    def _of(self, channel: str, reading: Reading) -> set[str]:
        return self._known.setdefault((channel, reading.key()), {""})


def stays(one: Taken, channel: str, value: str) -> str:
    """What is told of a reading whose row was typed."""
    side = f", {channel}" if channel else ""
    return (f"{one.reading.label()}{side} was typed meanwhile: {value} stays, and {one.text()} "
            "was read; the step repeated replaces it")
