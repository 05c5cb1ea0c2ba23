"""A page that walks through a run of readings, without a browser: it looks, and says words."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from flask.testing import FlaskClient

_PATIENCE = 60.0
"""s that a busy machine may take to the next step."""


class Walk:
    """One page's view of a run.

    Parameters
    ----------
    name : str
        Of the sheet.
    """

    def __init__(self, client: FlaskClient, name: str) -> None:
        self.client, self.base = client, f"/sheet/{name}/bench"
        self.run: dict[str, Any] = {}

    def post(self, path: str = "", **sent: Any) -> Any:
        """Send something; the answer, whatever it is."""
        return self.client.post(self.base + path, json=sent)

    def begin(self, **sent: Any) -> None:
        """Begin a run."""
        answer = self.post(**sent)
        assert answer.status_code == 200, answer.json
        self.run = answer.json["run"]

    def until(
        self, there: Callable[[dict[str, Any]], bool], over: bool = False
    ) -> dict[str, Any]:
        """Look until something is there to see; `over`: after the end as well."""
        limit = time.monotonic() + _PATIENCE
        while not there(self.run):
            assert time.monotonic() < limit, self.run
            assert over or self.run.get("phase") != "ended", self.run
            self.run = self.post("/look", after=self.run["number"]).json["run"]
        return self.run

    def phase(self, word: str) -> dict[str, Any]:
        """Look until the run is in a phase."""
        return self.until(lambda run: run["phase"] == word)

    def say(self, word: str, typed: str = "") -> bool:
        """Say a word to the question that is open; whether it was heard."""
        return bool(self.post("/word", at=self.run["at"], word=word, typed=typed).json["heard"])

    def on(self, word: str, typed: str = "") -> dict[str, Any]:
        """Say a word and look until there is another question, or the end."""
        at = self.run["at"]
        assert self.say(word, typed)
        return self.until(lambda run: run["at"] != at or run["phase"] == "ended")
