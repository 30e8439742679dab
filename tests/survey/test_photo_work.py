"""Decoded photos on the shelf: the same pixels, and no harm when the shelf fails."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from painter import Phone, save

from fitscan.photos.read import read_photo
from fitscan.survey import look, photo_work


def a_photo(folder: Path) -> Path:
    noise = np.random.default_rng(0).integers(0, 255, (120, 160), dtype=np.uint8)
    save(folder / "P1.jpg", noise, Phone())
    return folder / "P1.jpg"


def test_a_photo_on_the_shelf_has_the_pixels_of_the_file(tmp_path: Path) -> None:
    path = a_photo(tmp_path)
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    result = photo_work.look(path, shelf)
    assert not isinstance(result, str)
    grey = read_photo(path).grey
    path.unlink()  # From here on only the shelf can give it.
    assert np.array_equal(photo_work.decoded(path, shelf), grey)


@pytest.mark.parametrize("spoil", ["gone", "cut", "none"])
def test_without_a_good_shelf_the_photo_is_decoded_again(tmp_path: Path, spoil: str) -> None:
    path = a_photo(tmp_path)
    shelf = tmp_path / "shelf"
    if spoil != "gone":
        shelf.mkdir()
        photo_work.look(path, shelf)
        (laid,) = shelf.iterdir()
        laid.write_bytes(laid.read_bytes()[:500] if spoil == "cut" else b"")
    assert np.array_equal(photo_work.decoded(path, shelf), read_photo(path).grey)


def test_the_shelf_is_gone_afterwards_and_is_not_offered_to_long_jobs() -> None:
    with look.photo_shelf(3) as shelf:
        assert shelf is not None
        (shelf / "x.npy").write_bytes(b"x")
    assert not shelf.exists()
    with look.photo_shelf(400) as shelf:
        assert shelf is None
