"""The guard: no key, another host, another site or a giant gets nothing, on any route."""

from __future__ import annotations

import re

import pytest
from page.conftest import HOST, OWN
from starlette.applications import Starlette
from starlette.routing import Route
from starlette.testclient import TestClient

from fitscan.page.guard import COOKIE, JOIN
from fitscan.page.inbox import LARGEST_PIECE
from fitscan.page.routes import make_app
from fitscan.page.state import PageState


def every_route(app: Starlette) -> list[tuple[str, str]]:
    """(method, path) of all routes, placeholders filled in."""
    found = []
    for route in app.routes:
        assert isinstance(route, Route)
        path = re.sub(r"\{[^}]*\}", "shut", route.path)
        found += [(m, path) for m in sorted(route.methods or ()) if m != "HEAD"]
    return found


def test_a_wrong_key_gets_nothing_on_any_route(state: PageState, stranger: TestClient) -> None:
    app = make_app(state, ["localhost"])
    routes = every_route(app)
    assert len(routes) > 15
    state.shop.new_shoot("shut")
    for cookie in (None, f"{COOKIE}=wrong", f"{COOKIE}={state.keyring.invitation}"):
        headers = {**OWN, **({"Cookie": cookie} if cookie else {})}
        for method, path in routes:
            answer = stranger.request(method, path, headers=headers, content=b"{}")
            assert answer.status_code == 401, (method, path)
            assert state.shop.folder.name not in answer.text
            assert "set-cookie" not in answer.headers
    assert state.shop.shoots() == ["shut"]
    assert state.keyring.phones() == ()


def test_showing_an_invitation_does_not_use_it_up(stranger: TestClient, state: PageState) -> None:
    address = JOIN + state.keyring.invitation
    for _ in range(3):
        answer = stranger.get(address)
        assert answer.status_code == 200
        assert "&lt;b&gt;" in answer.text
        assert "<b>" not in answer.text
    joined = stranger.post(address, data={"name": "mine"})
    cookie = joined.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert stranger.get("/api/job").status_code == 200
    assert stranger.get(address).status_code == 401


def test_another_name_for_this_computer_is_not_answered(phone: TestClient) -> None:
    for host in ("evil.example:8020", "evil.example", "localhost.evil.example:8020", ""):
        assert phone.get("/api/job", headers={"Host": host}).status_code == 421


def test_another_site_cannot_act_for_a_phone(phone: TestClient, state: PageState) -> None:
    for origin in ("http://evil.example", "null", "http://localhost:9999"):
        answer = phone.post("/api/shoots", json={"name": "x"}, headers={"Origin": origin})
        assert answer.status_code == 403
    phone.headers.pop("X-Fitscan")
    assert phone.post("/api/shoots", json={"name": "x"}).status_code == 403
    assert state.shop.shoots() == []


def test_bodies_have_a_limit_and_must_state_their_length(phone: TestClient) -> None:
    assert phone.post("/api/shoots", content=b" " * 64_001).status_code == 413
    piece = phone.patch("/api/photos/x", content=b"x" * (LARGEST_PIECE + 1))
    assert piece.status_code == 413
    assert phone.post("/api/shoots", content=iter([b"{}"])).status_code == 411


def test_every_answer_forbids_what_comes_from_outside(phone: TestClient) -> None:
    for path in ("/", "/static/page.js", "/api/job", "/nowhere"):
        headers = phone.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


def test_the_page_loads_nothing_from_elsewhere(phone: TestClient) -> None:
    for path in ("/", "/static/page.js", "/static/sending.js", "/static/page.css"):
        text = phone.get(path).text
        assert not re.search(r"(?:https?:)?//[a-z0-9-]+\.[a-z]", text.replace(HOST, ""))


@pytest.mark.parametrize("file", ["../routes.py", "%2e%2e%2froutes.py", "routes.py", ""])
def test_only_the_pages_own_files_are_served(phone: TestClient, file: str) -> None:
    assert phone.get(f"/static/{file}").status_code == 404
