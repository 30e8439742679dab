"""Decoded photos on the shelf: the same pixels, and no harm when the shelf fails."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from painter import Phone, save

from fitscan.photos.read import read_photo
from fitscan.survey import photo_work, shelf


def a_photo(folder: Path) -> Path:
    noise = np.random.default_rng(0).integers(0, 255, (120, 160), dtype=np.uint8)
    save(folder / "P1.jpg", noise, Phone())
    return folder / "P1.jpg"


def test_a_photo_on_the_shelf_has_the_pixels_of_the_file(tmp_path: Path) -> None:
    path = a_photo(tmp_path)
    place = tmp_path / "shelf"
    place.mkdir()
    result = photo_work.look(path, place)
    assert not isinstance(result, str)
    grey = read_photo(path).grey
    path.unlink()  # From here on only the shelf can give it.
    assert np.array_equal(shelf.decoded(path, place), grey)


@pytest.mark.parametrize("spoil", ["gone", "cut", "none"])
def test_without_a_good_shelf_the_photo_is_decoded_again(tmp_path: Path, spoil: str) -> None:
    path = a_photo(tmp_path)
    place = tmp_path / "shelf"
    if spoil != "gone":
        place.mkdir()
        photo_work.look(path, place)
        (laid,) = place.iterdir()
        laid.write_bytes(laid.read_bytes()[:500] if spoil == "cut" else b"")
    assert np.array_equal(shelf.decoded(path, place), read_photo(path).grey)


def test_the_shelf_is_gone_afterwards_and_is_not_offered_to_long_jobs() -> None:
    with shelf.photo_shelf(3) as place:
        assert place is not None
        (place / "x.npy").write_bytes(b"x")
    assert not place.exists()
    with shelf.photo_shelf(400) as place:
        assert place is None


@pytest.mark.parametrize(
    ("memory", "disk", "stands"),
    [(9, 9, "memory"), (2, 9, "disk"), (9, 2, "memory"), (2, 2, None)],
)
def test_the_shelf_stands_in_memory_where_enough_is_free_else_on_the_disk(
    memory: int, disk: int, stands: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = {tmp_path / "memory": 9, tmp_path / "disk": disk}
    for place in free:
        place.mkdir()
    monkeypatch.setattr(shelf, "_IN_MEMORY", tmp_path / "memory")
    monkeypatch.setattr(shelf, "_PHOTO_BYTES", 1)
    monkeypatch.setattr(shelf, "_free_memory", lambda: memory)
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path / "disk"))
    monkeypatch.setattr("shutil.disk_usage", lambda at: SimpleNamespace(free=free[Path(at)]))
    with shelf.photo_shelf(1) as folder:
        assert (folder and folder.parent.name) == stands


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps files in memory")
def test_the_next_survey_takes_away_what_a_killed_one_left_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "_IN_MEMORY", tmp_path)
    killed = subprocess.Popen([sys.executable, "-c", ""])
    killed.wait()
    for name in (f"fitscan-{killed.pid}-ab", f"fitscan-{os.getpid()}-ab", "fitscan-notes-1"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "x.npy").write_bytes(b"x")
    with shelf.photo_shelf(1) as place:
        assert place is not None
        assert place.parent == tmp_path
    left = {p.name for p in tmp_path.iterdir()}
    assert left == {f"fitscan-{os.getpid()}-ab", "fitscan-notes-1"}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps files in memory")
@pytest.mark.parametrize(
    ("most", "expected"), [("6000", 5000), ("max", None), (None, None), ("900", -100)]
)
def test_in_a_container_free_memory_is_what_it_may_still_have(
    most: str | None, expected: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "_CONTAINER", tmp_path)
    (tmp_path / "memory.current").write_text("1000\n")
    if most is not None:
        (tmp_path / "memory.max").write_text(f"{most}\n")
    free = shelf._free_memory()
    assert free == expected if expected is not None else free > 1_000_000
