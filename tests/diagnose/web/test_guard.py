"""Who may ask: this machine's own page.

Sources: the Fetch metadata and CSP specifications of the W3C, and the rule that a browser sets
Origin, Host and Sec-Fetch-* itself.
"""

from __future__ import annotations

import pytest
from flask import Flask
from flask.testing import FlaskClient

from diagnose.web.desk import KEY
from diagnose.web.guard import MOST_BYTES
from diagnose.web.sheet import Typed

HERE = "http://127.0.0.1:8426"


@pytest.fixture
def name(app: Flask) -> str:
    kept = app.extensions[KEY].shelf.add(Typed("phono-opamp", "hums"))
    return str(kept.name)


@pytest.mark.parametrize("host", ["127.0.0.1:8426", "localhost:8426"])
def test_this_machine_is_answered(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.168.0.7:8426", ""])
def test_another_name_for_this_machine_is_refused(client: FlaskClient, host: str) -> None:
    for path in ("/", "/static/page.css", "/sheet/x/data"):
        assert client.get(path, headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("headers", [
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:9999"},
    {"Origin": "https://127.0.0.1:8426"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"},
    {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
    {"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
])
def test_a_post_from_another_page_is_refused(
    app: Flask, client: FlaskClient, name: str, headers: dict[str, str]
) -> None:
    base = f"/sheet/{name}"
    for method, path in (("POST", "/sheets"), ("PUT", f"{base}/data"), ("POST", f"{base}/rank"),
                         ("DELETE", f"{base}/rank"), ("POST", f"{base}/sweep"),
                         ("POST", f"{base}/study")):
        answer = client.open(path, method=method, base_url=HERE, headers=headers, json={})
        assert answer.status_code == 403, path
    assert len(app.extensions[KEY].shelf.labels()) == 1


@pytest.mark.parametrize("headers", [
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"},
    {"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "cors"},
])
def test_another_page_can_neither_read_nor_frame(
    client: FlaskClient, name: str, headers: dict[str, str]
) -> None:
    for path in ("/", f"/sheet/{name}/data", f"/sheet/{name}/case.yaml"):
        assert client.get(path, base_url=HERE, headers=headers).status_code == 403


def test_a_link_from_elsewhere_opens_the_page(client: FlaskClient) -> None:
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate",
               "Sec-Fetch-Dest": "document"}
    assert client.get("/", base_url=HERE, headers=headers).status_code == 200


def test_every_answer_forbids_scripts_from_elsewhere_and_frames(
    client: FlaskClient, name: str
) -> None:
    for path in ("/", f"/sheet/{name}", "/static/sheet.js", "/nothing", f"/sheet/{name}/data"):
        headers = client.get(path, base_url=HERE, buffered=True).headers
        policy = dict(rule.strip().split(" ", 1)
                      for rule in headers["Content-Security-Policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == "'self'"
        assert policy["frame-ancestors"] == "'none'"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["X-Content-Type-Options"] == "nosniff"


def test_too_much_is_not_taken(client: FlaskClient, name: str) -> None:
    answer = client.put(f"/sheet/{name}/data", base_url=HERE, data=b" " * (MOST_BYTES + 1),
                        content_type="application/json")
    assert answer.status_code == 413
    assert "too large" in answer.json["error"]


def test_markup_that_is_typed_stays_text(app: Flask, client: FlaskClient) -> None:
    evil = "<img src=x onerror=alert(1)>"
    kept = app.extensions[KEY].shelf.add(Typed("phono-opamp", evil))
    for path in ("/", f"/sheet/{kept.name}", f"/sheet/{kept.name}/study"):
        text = client.get(path, base_url=HERE).get_data(as_text=True)
        assert evil not in text
        assert "&lt;img src=x" in text


@pytest.mark.parametrize("sent", ["[]", "{", "3", "null", '{"revision": 1}', '{"revision": "x"}'])
def test_what_is_no_request_is_told_so_and_changes_nothing(
    app: Flask, client: FlaskClient, name: str, sent: str
) -> None:
    before = app.extensions[KEY].shelf.load(name)
    for method, path in (("PUT", "data"), ("POST", "copy"), ("POST", "reading"), ("POST", "study")):
        answer = client.open(f"/sheet/{name}/{path}", method=method, base_url=HERE, data=sent,
                             content_type="application/json")
        assert answer.status_code in (400, 422), path
        assert answer.json["error"]
    assert app.extensions[KEY].shelf.load(name) == before
