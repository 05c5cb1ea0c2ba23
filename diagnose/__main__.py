"""``python -m diagnose`` and the command ``diagnose``: what starts before anything is imported.

Ctrl-C is answered from the first moment on: while the program is being loaded there is nothing to
tidy up, and a library that is stopped within its import would end in a traceback.
"""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

_STOPPED = 130
"""128 + the number of the signal, as a shell gives it."""


def main() -> int:
    """Load the command line, and run one command; the exit code."""
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if ours:  # not where whoever started this has it ignored
        signal.signal(signal.SIGINT, _gone)
    # matrices of a few dozen readings: a second thread waits more than it works, and a ranking
    # from the store took an eighth more of processor time
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from diagnose.cli.main import main as run

    if ours:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    code = run()
    if code == _STOPPED:
        # workers have ended; what else stands in memory needs no tidying, and an interrupt that
        # came within an import would have the interpreter end by the signal instead
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    return code


def _gone(number: int, frame: FrameType | None) -> None:
    os.write(2, b"stopped\n")
    os._exit(_STOPPED)


if __name__ == "__main__":
    sys.exit(main())
