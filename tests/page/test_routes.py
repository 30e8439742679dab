"""Routes: photos in, lists and results out, and a sentence for everything that cannot be."""

from __future__ import annotations

import io
import time
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from page.test_guard import every_route
from PIL import Image
from starlette.testclient import TestClient

from fitscan.fit.record_file import read_record
from fitscan.page.state import PageState


def send(phone: TestClient, shoot: str, photo: Path, name: str | None = None) -> dict[str, Any]:
    data = photo.read_bytes()
    asked = {"shoot": shoot, "name": name or photo.name, "size": len(data), "token": photo.name}
    opened = phone.post("/api/photos", json=asked).json()
    there = opened["arrived"]
    while True:
        answer = phone.patch(
            f"/api/photos/{opened['ticket']}", content=data[there : there + 300_000],
            headers={"Upload-Offset": str(there)},
        )  # fmt: skip
        assert answer.status_code == 200, answer.text
        said: dict[str, Any] = answer.json()
        there = said["arrived"]
        if "photo" in said:
            return said


def waited(phone: TestClient, path: str, until: str = "done") -> dict[str, Any]:
    for _ in range(600):
        said: dict[str, Any] = phone.get(path).json()
        job = said.get("survey", said)
        if job["state"] in (until, "refused"):
            return said
        time.sleep(0.1)
    raise AssertionError(said)


def test_from_the_first_photo_to_a_result(
    phone: TestClient, state: PageState, photos: list[Path]
) -> None:
    assert phone.post("/api/shoots", json={"name": "shut"}).json() == {"name": "shut"}
    for photo in photos:
        said = send(phone, "shut", photo)
        assert said["photo"]["mark"] == "good", said
        assert said["photo"]["tags"] > 10
        assert state.shop.photo("shut", photo.name).read_bytes() == photo.read_bytes()
    assert send(phone, "shut", photos[0], "again.jpg")["photo"]["sentence"].startswith("Already")
    shoot = waited(phone, "/api/shoots/shut")
    # The last photo may have come while a survey was being worked out: it is taken up after it.
    for _ in range(300):
        survey = state.survey("shut")
        if survey is not None and len(survey.photos) == len(photos):
            break
        time.sleep(0.1)
    shoot = phone.get("/api/shoots/shut").json()
    assert shoot["light"]["state"] in ("green", "amber")
    assert shoot["light"]["U_mm"] > 0
    assert len(shoot["photos"]) == len(photos)
    job = phone.get("/api/job").json()
    assert job["surveys"][0]["tubes"] == ["door bar", "seat"]

    task = {
        "kind": "gap", "bar_survey": "shut", "bar": "door bar", "target_survey": "shut",
        "target": "seat", "on": "trim", "tolerance_mm": 2.0,
    }  # fmt: skip
    name = phone.post("/api/tasks", json=task).json()["task"]
    assert waited(phone, f"/api/tasks/{name}")["state"] == "done"
    result = phone.get(f"/api/results/{name}").json()
    stations = result["content"]["straights"][0]["stations"]
    # The seat was painted 1.5 and -3 mm from the bar: sqrt(1.5^2 + 3^2) = 3.35 mm.
    assert all(abs(s["total_mm"] - 3.354) < max(s["total_U_mm"], 0.3) for s in stations)
    assert result["pictures"]
    for file in result["pictures"]:
        answer = phone.get(f"/api/results/{name}/files/{file}")
        assert answer.headers["content-type"] in ("image/jpeg", "image/png")
    assert phone.get("/api/job").json()["results"] == [name]

    kept = {"kind": "record", "survey": "shut", "part": "cage", "on": "shell", "name": "cage 1"}
    first = phone.post("/api/tasks", json=kept).json()["task"]
    assert waited(phone, f"/api/tasks/{first}")["state"] == "done"
    assert read_record(state.shop.folder / "records" / "cage 1.json").part == "cage"
    second = phone.post("/api/tasks", json=kept).json()["task"]
    assert "exists already" in waited(phone, f"/api/tasks/{second}")["sentence"]


def test_a_small_picture_has_no_exif(phone: TestClient, photos: list[Path]) -> None:
    phone.post("/api/shoots", json={"name": "shut"})
    send(phone, "shut", photos[0])
    answer = phone.get(f"/api/shoots/shut/small/{photos[0].name}")
    picture = Image.open(io.BytesIO(answer.content))
    assert max(picture.size) == 320
    assert len(picture.getexif()) == 0


def test_a_photo_without_tags_is_told_at_once(phone: TestClient, tmp_path: Path) -> None:
    phone.post("/api/shoots", json={"name": "shut"})
    Image.effect_noise((1600, 1200), 30).convert("RGB").save(tmp_path / "wall.jpg")
    photo = send(phone, "shut", tmp_path / "wall.jpg")["photo"]
    assert photo["mark"] == "bad"
    assert "No tag of the kit is seen" in photo["sentence"]


def test_a_blurred_photo_is_told_at_once(
    phone: TestClient, photos: list[Path], tmp_path: Path
) -> None:
    from PIL import ImageFilter

    phone.post("/api/shoots", json={"name": "shut"})
    whole = Image.open(photos[0])
    soft = whole.filter(ImageFilter.GaussianBlur(3.0))
    soft.save(tmp_path / "soft.jpg", quality=92, exif=whole.getexif())
    photo = send(phone, "shut", tmp_path / "soft.jpg")["photo"]
    assert photo["mark"] == "weak"
    assert "blurred by" in photo["sentence"]


def test_what_cannot_be_gets_a_sentence(phone: TestClient) -> None:
    for method, path, content in (
        ("POST", "/api/shoots", {"name": "../up"}),
        ("POST", "/api/shoots", {"nme": "x"}),
        ("GET", "/api/shoots/none", None),
        ("POST", "/api/shoots/none/wish", {"u_mm": 1.0}),
        ("POST", "/api/photos", {"shoot": "none", "name": "a.jpg", "size": 5}),
        ("POST", "/api/tasks", {"kind": "gap"}),
        ("POST", "/api/tasks", {"kind": "nothing"}),
        ("GET", "/api/results/none", None),
        ("PATCH", "/api/photos/0", {}),
    ):
        answer = phone.request(method, path, json=content)
        assert answer.status_code == 400, (method, path, answer.text)
        assert len(answer.json()["error"]) > 15


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None
)
@given(
    content=st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40),
        lambda inner: st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["kind", "shoot", "name", "size", "u_mm", "x"]), inner),
        max_leaves=6,
    ),
    word=st.text(min_size=1, max_size=30).filter(
        lambda t: not set(t) & set("/?#%.\\") and t.isprintable()
    ),
)  # fmt: skip
def test_no_content_and_no_name_breaks_a_route(
    phone: TestClient, state: PageState, content: object, word: str
) -> None:
    from urllib.parse import quote

    for method, path in every_route(phone.app):  # type: ignore[arg-type]
        target = path.replace("shut", quote(word))
        answer = phone.request(method, target, content=_json(content))
        assert answer.status_code < 500, (method, target, content, answer.text)


def _json(content: object) -> bytes:
    import json

    return json.dumps(content).encode()
