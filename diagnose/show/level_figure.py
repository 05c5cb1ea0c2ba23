"""The spectrum of what comes in just now, so drawn that it stands still as it moves; of a take."""

from __future__ import annotations

from diagnose.recording.picture import HARMONIC, MAINS, SIGNAL, Picture
from diagnose.show.chart_scale import View
from diagnose.show.chart_svg import chart
from diagnose.show.recording_figure import spectrum_panel

REACH = View((20.0, 20e3), (-150.0, 20.0))
"""Hz and dBFS that it always shows: axes that follow what is drawn would jump four times a second,
and above full scale names of lines need room."""
TITLE, HEARD = "What comes in just now", "What the last take heard"


def live_spectrum(one: Picture, width: float, height: float = 290.0) -> str:
    """The spectrum as SVG, without a cursor: by the time one reads it there is another.

    Parameters
    ----------
    width, height : float
        CSS pixels.
    """
    # marks that came and went would be others each time
    panel = spectrum_panel(one, None, TITLE, whole="all that comes in",
                           always=(SIGNAL, HARMONIC, MAINS))
    return chart(panel, width, height, REACH, cursor=False)


def take_spectrum(one: Picture, full_scale: float, width: float, height: float = 260.0) -> str:
    """The spectrum of a take as SVG, in V at the unit's output.

    Parameters
    ----------
    full_scale : float
        V RMS of a sine that fills the input.
    width, height : float
        CSS pixels.
    """
    # marks as in the picture of what comes in, which stands below
    panel = spectrum_panel(one, full_scale, HEARD, whole="all that was heard",
                           always=(SIGNAL, HARMONIC, MAINS))
    return chart(panel, width, height, cursor=False)
