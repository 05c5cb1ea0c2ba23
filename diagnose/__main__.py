"""``python -m diagnose`` is the command itself."""

from __future__ import annotations

import sys

from diagnose.cli.main import main

sys.exit(main())
