"""Who may ask: whoever has the secret of the address.

Sources: RFC 6265 and its successor's draft (cookies: HttpOnly, SameSite), the Fetch specification
(a request of another site carries no Strict cookie), POSIX (modes of files).
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from diagnose.web import secret as secrets
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from diagnose.web.guard import cookie_name, knows
from diagnose.web.sheet import Typed

HERE = "http://127.0.0.1:8426"
SECRET = "abcdefghjkmnpqrstuvwxyz2"


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    made = make_app(tmp_path / "sheets", workers=0, cached=False, secret=SECRET)
    yield made
    made.extensions[KEY].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def test_nobody_is_let_in_without_the_secret(app: Flask, client: FlaskClient) -> None:
    kept = app.extensions[KEY].shelf.add(Typed("phono-opamp", "hums"))
    before = kept.path.read_bytes()
    for method, path in (
        ("GET", "/"), ("GET", f"/sheet/{kept.name}"), ("GET", f"/sheet/{kept.name}/data"),
        ("GET", f"/sheet/{kept.name}/case.yaml"), ("GET", "/static/page.css"), ("GET", "/nothing"),
        ("PUT", f"/sheet/{kept.name}/data"), ("POST", "/sheets"), ("DELETE", "/"),
        ("GET", f"/?key={SECRET[:-1]}"), ("GET", "/?key="), ("GET", f"/?kay={SECRET}"),
    ):
        answer = client.open(path, method=method, base_url=HERE, json={})
        assert answer.status_code == 403, path
        assert "Set-Cookie" not in answer.headers
        assert "hums" not in answer.get_data(as_text=True)
    assert kept.path.read_bytes() == before


@pytest.mark.parametrize("cookie", [
    "bench-8426=", "bench-8426=wrong", f"bench-8427={SECRET}", f"bench={SECRET}", "bench-8426",
    f"bench-8426={SECRET}x", "bench-8426=\xff", "=;=;,", f'bench-8426="{SECRET} "',
])
def test_a_cookie_that_is_not_this_server_s_is_none(cookie: str) -> None:
    assert not knows(SECRET, "127.0.0.1:8426", cookie, "")


def test_other_cookies_beside_it_do_no_harm() -> None:
    # localhost has one jar for all ports: whatever others put there comes along
    cookies = f'a="; b=\\; [x]=1; {cookie_name("h:8426")}={SECRET}; c'
    assert knows(SECRET, "h:8426", cookies, "")


def test_the_address_lets_in_and_its_cookie_from_then_on(client: FlaskClient) -> None:
    first = client.get(f"/?key={SECRET}", base_url=HERE)
    assert first.status_code == 200
    name, _, rest = first.headers["Set-Cookie"].partition("=")
    assert name == "bench-8426"
    words = {word.strip() for word in rest.split(";")}
    assert {SECRET, "HttpOnly", "SameSite=Strict", "Path=/"} <= words
    assert "Secure" not in words
    assert client.get("/", base_url=HERE).status_code == 200
    assert client.get("/static/page.css", base_url=HERE, buffered=True).status_code == 200


def test_over_tls_the_cookie_never_goes_without(client: FlaskClient) -> None:
    answer = client.get(f"/?key={SECRET}", base_url="https://127.0.0.1:8426")
    assert "Secure" in {word.strip() for word in answer.headers["Set-Cookie"].split(";")}


def test_a_page_of_another_site_gets_nothing_by_the_secret(client: FlaskClient) -> None:
    answer = client.post(f"/sheets?key={SECRET}", base_url=HERE,
                         headers={"Origin": "http://evil.example"})
    assert answer.status_code == 403


def test_every_server_has_a_secret_that_nobody_else_can_read(tmp_path: Path) -> None:
    one, other = secrets.made(tmp_path / "one"), secrets.made(tmp_path / "other")
    assert one != other
    # 24 of 31 signs: 118 bits
    assert re.fullmatch("[a-z2-9]{24}", one)
    for path in (tmp_path / "one").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_server_that_is_started_again_is_found_by_the_pages_that_are_open(tmp_path: Path) -> None:
    first = secrets.made(tmp_path)
    assert secrets.made(tmp_path) == first
    (file,) = tmp_path.iterdir()
    file.chmod(0o644)  # somebody may have read it meanwhile
    second = secrets.made(tmp_path)
    assert second != first
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    os.utime(file, (0, file.stat().st_mtime - 13 * 3600))  # of yesterday
    assert secrets.made(tmp_path) not in (first, second)


def test_the_browser_is_given_a_file_of_one_s_own_and_not_the_secret(tmp_path: Path) -> None:
    where = secrets.address(HERE, SECRET)
    with secrets.opening(tmp_path, where) as opened:
        assert opened.startswith("file:///")
        assert SECRET not in opened
        (file,) = tmp_path.iterdir()
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert f'url={where}"' in file.read_text(encoding="utf-8")
    assert list(tmp_path.iterdir()) == []
