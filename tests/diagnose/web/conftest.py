"""The page in this process, and in chromium, driven by playwright, against a server."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.instruments import connection
from diagnose.web.app import make_app
from diagnose.web.desk import KEY

ROOT = Path(__file__).resolve().parents[3]
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]
PATIENCE = 60_000
"""Milliseconds: a machine of two cores may be at something else."""


@dataclass
class Served:
    """A server of the page with folders of its own."""

    address: str
    sheets: Path
    environment: dict[str, str] = field(repr=False)
    key: str = ""

    @property
    def entrance(self) -> str:
        """The address that the terminal shows."""
        return f"{self.address}/?key={self.key}"

    @property
    def cookie(self) -> dict[str, Any]:
        """What a browser has that has been there."""
        name = f"bench-{self.address.rpartition(':')[2]}"
        return {"name": name, "value": self.key, "url": self.address, "httpOnly": True,
                "sameSite": "Strict"}

    def files(self) -> list[Path]:
        """The case files that it keeps."""
        return sorted(self.sheets.glob("*/sheet.yaml"))


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    """The application in this process, which anybody may ask."""
    made = make_app(tmp_path / "sheets", workers=0, cached=False)
    yield made
    made.extensions[KEY].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def own_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Folders of the test's own, no workers, and a meter that is not waited for."""
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    monkeypatch.setattr(connection, "TIMEOUT", 0.25)


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    environment = {
        **os.environ, "AMP_DIAGNOSE_SHEETS": str(folder / "sheets"),
        "AMP_DIAGNOSE_CACHE": str(folder / "cache"), "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser"]
    with subprocess.Popen(command, env=environment, cwd=folder, text=True,
                          stderr=subprocess.PIPE) as server:
        assert server.stderr is not None
        line = server.stderr.readline()
        found = re.search(r"(http://127\.0\.0\.1:\d+)/\?key=(\w+)", line)
        assert found, line + server.stderr.read()
        try:
            yield Served(found[1], folder / "sheets", environment, found[2])
        finally:
            server.terminate()
            server.wait(20)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no chromium: apt-get install chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Seen:
    """What a page said and where it went."""

    errors: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture
def seen() -> Seen:
    return Seen()


@pytest.fixture
def page(chromium: Any, served: Served, seen: Seen) -> Iterator[Any]:
    """A page of an empty browser. No test may end with an error in it, or a request elsewhere."""
    context = chromium.new_context(base_url=served.address, viewport={"width": 1280, "height": 900},
                                   accept_downloads=True)
    context.add_cookies([served.cookie])
    made = context.new_page()
    made.set_default_timeout(PATIENCE)
    made.on("pageerror", lambda error: seen.errors.append(str(error)))
    made.on("console", lambda told: seen.errors.append(told.text) if told.type == "error" else None)
    made.on("request", lambda request: seen.asked.append(request.url))
    yield made
    context.close()
    # the browser itself notes a request that failed or was refused; tests look at what it meant
    assert [text for text in seen.errors if not text.startswith("Failed to load resource")] == []
    assert [url for url in seen.asked if not url.startswith((served.address, "data:"))] == []


@pytest.fixture
def opened(page: Any) -> Any:
    """A sheet of the smallest stage, a capacitor into its load, on the page."""
    page.goto("/")
    data = ROOT / "tests" / "data"
    page.set_input_files("#files", [data / "coupling-dry.yaml", data / "coupling.yaml"])
    page.wait_for_url("**/sheet/*")
    page.wait_for_selector("#form:not([aria-busy])")
    return page
