"""Arrays kept for later: as they were, or as if they had never been kept."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fitscan.store.sealed import keep_arrays, recall_arrays

ARRAYS: dict[str, npt.ArrayLike] = {
    "places": np.arange(24.0).reshape(2, 3, 4),
    "none": np.zeros((0, 9)),
    "ids": np.array([3, 1, 2]),
    "seen": np.array([True, False]),
    "asked": ["first", "a longer one"],
    "tone": 0.25,
}


def test_arrays_come_back_as_they_were_kept(tmp_path: Path) -> None:
    assert keep_arrays(tmp_path / "a.kept", ARRAYS)
    found = recall_arrays(tmp_path / "a.kept")
    assert found is not None
    assert list(found) == list(ARRAYS)
    for name, array in ARRAYS.items():
        assert found[name].dtype == np.asarray(array).dtype
        assert found[name].shape == np.asarray(array).shape
        assert np.array_equal(found[name], array)


def sealed(content: bytes) -> bytes:
    return hashlib.sha256(content).digest() + content


def archive() -> bytes:
    stream = io.BytesIO()
    np.savez(stream, name=np.asarray("a.kept"), ids=np.arange(3))
    return stream.getvalue()


def plain() -> bytes:
    stream = io.BytesIO()
    np.save(stream, np.arange(3))
    return stream.getvalue()


@pytest.mark.parametrize("content", [b"", sealed(b""), sealed(archive()), sealed(plain()), plain()])
def test_what_is_no_such_record_is_as_if_it_were_not_there(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.kept").write_bytes(content)
    assert recall_arrays(tmp_path / "a.kept") is None


def test_a_record_of_another_name_or_of_a_spoilt_byte_is_not_believed(tmp_path: Path) -> None:
    assert keep_arrays(tmp_path / "a.kept", ARRAYS)
    content = (tmp_path / "a.kept").read_bytes()
    (tmp_path / "b.kept").write_bytes(content)
    assert recall_arrays(tmp_path / "b.kept") is None
    for at in (0, len(content) // 2, len(content) - 1):
        spoilt = bytearray(content)
        spoilt[at] ^= 1
        (tmp_path / "a.kept").write_bytes(spoilt)
        assert recall_arrays(tmp_path / "a.kept") is None


def test_a_folder_that_is_not_there_keeps_nothing(tmp_path: Path) -> None:
    assert not keep_arrays(tmp_path / "none" / "a.kept", ARRAYS)
    assert recall_arrays(tmp_path / "none" / "a.kept") is None
