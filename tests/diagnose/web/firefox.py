"""Debian's Firefox, driven by WebDriver BiDi (W3C), which it speaks itself without a driver.

Playwright drives a Firefox of its own build only, and Debian has no geckodriver; a web socket is
all that is needed. Only what the walk of the tests does is here.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

SECONDS = 60.0
_ADDRESS = re.compile(r"WebDriver BiDi listening on (ws://\S+)")
_ENTER = "\ue007"
"""The key Enter of WebDriver's table of keys."""


@dataclass
class Firefox:
    """One window of a Firefox.

    Attributes
    ----------
    errors : list of str
        What scripts of the page threw, and what they wrote as an error.
    """

    socket: Any
    context: str = ""
    errors: list[str] = field(default_factory=list)
    _count: int = 0

    def call(self, method: str, **given: object) -> Any:
        """Have a command carried out; its result."""
        self._count += 1
        self.socket.send(json.dumps({"id": self._count, "method": method, "params": given}))
        while True:
            told = json.loads(self.socket.recv(timeout=SECONDS))
            if told.get("type") == "event":
                self._heard(told)
            elif told.get("id") == self._count:
                assert told["type"] == "success", told
                return told["result"]

    def _heard(self, event: Any) -> None:
        entry = event["params"]
        if event["method"] == "log.entryAdded" and entry["level"] == "error":
            self.errors.append(entry["text"])

    def goto(self, address: str) -> None:
        """Open a page and wait until it has loaded."""
        self.call("browsingContext.navigate", context=self.context, url=address, wait="complete")

    def js(self, expression: str) -> Any:
        """The value of an expression on the page, as JSON has it."""
        told = self.call(
            "script.evaluate", expression=f"JSON.stringify({expression})", awaitPromise=True,
            target={"context": self.context})
        assert told["type"] == "success", told
        text = told["result"].get("value")
        return None if text is None else json.loads(text)

    def until(self, expression: str) -> None:
        """Wait for an expression to hold."""
        end = time.monotonic() + SECONDS
        while not self.js(f"Boolean({expression})"):
            assert time.monotonic() < end, (expression, self.errors)
            time.sleep(0.05)

    def wait(self, selector: str) -> None:
        """Wait for an element."""
        self.until(f"document.querySelector({json.dumps(selector)})")

    def click(self, selector: str) -> None:
        """Click the middle of an element with the mouse."""
        self.wait(selector)
        x, y = self.js(
            f"(() => {{ const found = document.querySelector({json.dumps(selector)});"
            " found.scrollIntoView({block: 'center', behavior: 'instant'});"
            " const box = found.getBoundingClientRect();"
            " return [box.left + box.width / 2, box.top + box.height / 2]; })()")
        self._act("pointer", [
            {"type": "pointerMove", "x": round(x), "y": round(y)},
            {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0}])

    def type(self, text: str) -> None:
        """Type with the keys, where the cursor is."""
        self._act("key", [{"type": word, "value": sign} for sign in text
                          for word in ("keyDown", "keyUp")])

    def replace(self, selector: str, text: str) -> None:
        """Click into a field and type in place of what stands there."""
        self.click(selector)
        self.js(f"document.querySelector({json.dumps(selector)}).select()")
        self.type(text)

    def enter(self) -> None:
        """Press Enter."""
        self.type(_ENTER)

    def _act(self, kind: str, actions: Sequence[object]) -> None:
        self.call("input.performActions", context=self.context,
                  actions=[{"type": kind, "id": kind, "actions": actions}])

    def choose(self, selector: str, files: Sequence[Path]) -> None:
        """Choose files in a field of files."""
        found = self.call("browsingContext.locateNodes", context=self.context,
                          locator={"type": "css", "value": selector})["nodes"]
        self.call("input.setFiles", context=self.context,
                  element={"sharedId": found[0]["sharedId"]}, files=[str(one) for one in files])

    def size(self, wide: int, high: int) -> None:
        """Make the window so large inside."""
        self.call("browsingContext.setViewport", context=self.context,
                  viewport={"width": wide, "height": high})


@contextmanager
def started(path: str, profile: Path) -> Iterator[Firefox]:
    """A Firefox with an empty profile, until it is no longer needed.

    Parameters
    ----------
    path : str
        The program.
    profile : Path
        An empty folder.
    """
    from websockets.sync.client import connect

    # what it would ask its makers for at its first start
    (profile / "user.js").write_text("".join(f'user_pref("{name}", {value});\n' for name, value in {
        "datareporting.policy.dataSubmissionEnabled": "false",
        "app.normandy.enabled": "false",
        "browser.shell.checkDefaultBrowser": "false",
        "network.captive-portal-service.enabled": "false",
        "network.connectivity-service.enabled": "false",
        "extensions.getAddons.cache.enabled": "false",
        "browser.safebrowsing.downloads.remote.enabled": "false",
    }.items()), encoding="utf-8")
    command = [path, "--headless", "--no-remote", "--profile", str(profile),
               "--remote-debugging-port", "0", "about:blank"]
    environment = {**os.environ, "HOME": str(profile), "MOZ_CRASHREPORTER_DISABLE": "1"}
    with subprocess.Popen(command, env=environment, text=True, stdout=subprocess.DEVNULL,
                          stderr=subprocess.PIPE) as browser:
        try:
            with connect(f"{_address(browser)}/session", max_size=None) as socket:
                firefox = Firefox(socket)
                firefox.call("session.new", capabilities={})
                firefox.call("session.subscribe", events=["log.entryAdded"])
                (tab, *_) = firefox.call("browsingContext.getTree")["contexts"]
                firefox.context = tab["context"]
                yield firefox
        finally:
            browser.terminate()
            browser.wait(20)


def _address(browser: subprocess.Popen[str]) -> str:
    assert browser.stderr is not None
    said = []
    for line in browser.stderr:
        said.append(line)
        found = _ADDRESS.search(line)
        if found:
            return found[1]
    raise AssertionError("".join(said))
