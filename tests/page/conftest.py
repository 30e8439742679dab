"""A small job with its page, and a phone that has joined."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from page_server import Server
from quick_shoots import kit, paint_door
from starlette.testclient import TestClient

from fitscan.markers.write_kit import kit_text
from fitscan.page.guard import JOIN
from fitscan.page.routes import make_app
from fitscan.page.shop import Shop
from fitscan.page.state import PageState

HOST = "http://localhost:8020"
OWN = {"X-Fitscan": "1", "Origin": HOST}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / 'Käfig "links" <b>'
    folder.mkdir()
    (folder / "kit.toml").write_text(kit_text(kit(), "page"), encoding="utf-8")
    return folder


@pytest.fixture
def shop(job: Path) -> Shop:
    made = Shop(job)
    made.open()
    return made


@pytest.fixture
def state(job: Path) -> Iterator[PageState]:
    page = PageState(job)
    yield page
    page.stop()


@pytest.fixture
def stranger(state: PageState) -> TestClient:
    """A phone without a key."""
    app = make_app(state, ["localhost"])
    return TestClient(app, base_url=HOST, follow_redirects=False, raise_server_exceptions=False)


@pytest.fixture
def phone(state: PageState, stranger: TestClient) -> TestClient:
    """A phone with a key."""
    key = state.keyring.invitation
    assert stranger.post(JOIN + key, data={"name": "mine"}).status_code == 303
    stranger.headers.update(OWN)
    return stranger


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("photos")
    paint_door(folder / "shut", 1)
    return sorted((folder / "shut").glob("*.jpg"))


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    job = tmp_path / "Wren"
    job.mkdir()
    (job / "kit.toml").write_text(kit_text(kit(), "page"), encoding="utf-8")
    made = Server(job)
    yield made
    made.kill()
