"""What a page says it will need, and what browsers may keep.

Sources: RFC 8288 (Link), the HTML specification (modulepreload), RFC 8246 (immutable).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from diagnose.web.sheet import Typed

HERE = "http://127.0.0.1:8426"


def imported(client: FlaskClient, path: str, seen: set[str]) -> set[str]:
    """The modules that a browser would come to from one, each by its address."""
    if path in seen:
        return seen
    seen.add(path)
    text = client.get(path, base_url=HERE, buffered=True).get_data(as_text=True)
    for name in re.findall(r'from\s+"\./([^"]+)"', text):
        imported(client, f"{path.rpartition('/')[0]}/{name}", seen)
    return seen


def test_a_page_names_every_module_that_its_scripts_come_to(
    app: Flask, client: FlaskClient
) -> None:
    name = app.extensions[KEY].shelf.add(Typed("phono-opamp", "hums")).name
    for path in ("/", f"/sheet/{name}", f"/sheet/{name}/suspects", f"/sheet/{name}/study",
                 f"/sheet/{name}/report"):
        answer = client.get(path, base_url=HERE)
        named = {link.split(">")[0].lstrip("<") for link in answer.headers.getlist("Link")
                 if "modulepreload" in link}
        scripts = re.findall(r'<script type="module" src="([^"]+)"', answer.get_data(as_text=True))
        assert scripts, path
        needed: set[str] = set()
        for script in scripts:
            imported(client, script, needed)
        assert named == needed, path


def test_only_a_sheet_has_its_data_fetched_ahead(app: Flask, client: FlaskClient) -> None:
    name = app.extensions[KEY].shelf.add(Typed("phono-opamp", "hums")).name
    for path, ahead in ((f"/sheet/{name}", True), ("/", False), (f"/sheet/{name}/study", False)):
        links = client.get(path, base_url=HERE).headers.getlist("Link")
        assert any(f"</sheet/{name}/data>; rel=preload" in link for link in links) is ahead


def test_what_never_changes_may_be_kept_and_nothing_else(app: Flask, client: FlaskClient) -> None:
    name = app.extensions[KEY].shelf.add(Typed("phono-opamp", "hums")).name
    page = client.get(f"/sheet/{name}", base_url=HERE)
    places = re.findall(r'(?:src|href)="(/(?:static/|drawn)[^"]+)"', page.get_data(as_text=True))
    assert len(places) >= 5
    for place in places:
        answer = client.get(place, base_url=HERE, buffered=True)
        assert answer.status_code == 200
        words = {word.strip() for word in answer.headers["Cache-Control"].split(",")}
        assert {"immutable", "private"} <= words  # what is behind a secret is for no shared cache
        assert not words & {"no-store", "no-cache"}
    for path in ("/", f"/sheet/{name}", f"/sheet/{name}/data", f"/sheet/{name}/case.yaml",
                 "/static/page.css", "/drawn.css", "/drawn.css?other", "/nothing"):
        answer = client.get(path, base_url=HERE, buffered=True)
        assert answer.headers["Cache-Control"] == "no-store", path


def test_another_script_is_another_address(
    tmp_path: Path, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def mark(page: FlaskClient) -> str:
        text = page.get("/", base_url=HERE).get_data(as_text=True)
        return re.findall(r'src="/static/([0-9a-f]+)/theme\.js"', text)[0]

    before = mark(client)
    monkeypatch.setattr("diagnose.web.swift.STYLES", "svg { color: red }")
    other = make_app(tmp_path / "other", workers=0, cached=False)
    assert mark(other.test_client()) != before
    other.extensions[KEY].close()
