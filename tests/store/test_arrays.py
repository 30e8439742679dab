"""Covariance matrices in JSON: every bit back, nothing impossible accepted."""

from __future__ import annotations

import base64
import json
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from pydantic import ValidationError

from fitscan.errors import DataError
from fitscan.store.arrays import PackedSymmetric, pack_symmetric, unpack_symmetric


def covariance(size: int, seed: int) -> NDArray[np.float64]:
    """A covariance with rows of very different units, as a survey's are."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size, size)) * 10.0 ** rng.uniform(-6, 3, size=(size, 1))
    return np.asarray(root @ root.T)


def packed(size: int, lower: list[float]) -> str:
    raw = np.array(lower, dtype="<f8").tobytes()
    return base64.b64encode(zlib.compress(raw)).decode("ascii")


def fields(size: int, data: str) -> str:
    encoding = PackedSymmetric.model_fields["encoding"].default
    return json.dumps({"size": size, "encoding": encoding, "data": data})


@given(size=st.integers(0, 40), seed=st.integers(0, 2**32 - 1))
def test_the_lower_triangle_comes_back_bit_for_bit_through_json(size: int, seed: int) -> None:
    matrix = covariance(size, seed)
    text = pack_symmetric(matrix).model_dump_json()
    back = unpack_symmetric(PackedSymmetric.model_validate_json(text))
    assert back.shape == matrix.shape
    assert np.array_equal(np.tril(back), np.tril(matrix))
    assert np.array_equal(back, back.T)


def test_the_layout_is_the_one_that_the_field_says() -> None:
    matrix = np.array([[4.0, 1.0], [1.0, 9.0]])
    document = pack_symmetric(matrix)
    raw = zlib.decompress(base64.b64decode(document.data))
    assert np.frombuffer(raw, dtype="<f8").tolist() == [4.0, 1.0, 9.0]
    assert document.size == 2


def test_a_rank_deficient_covariance_with_a_fixed_parameter_is_kept() -> None:
    # A free network has a rank defect, and a datum's own parameters have no variance at all.
    matrix = np.zeros((4, 4))
    matrix[:2, :2] = [[1.0, 1.0], [1.0, 1.0]]
    matrix[3, 0] = matrix[0, 3] = 1e-17
    assert np.array_equal(unpack_symmetric(pack_symmetric(matrix)), matrix)


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.ones((2, 3)), "not square"),
        (np.ones(4), "not square"),
        (np.array([[1.0, 0.2], [0.1, 1.0]]), "not symmetric"),
        (np.array([[1.0, np.nan], [np.nan, 1.0]]), "not finite"),
        (np.array([[np.inf]]), "not finite"),
        (np.array([[-1.0]]), "negative"),
        (np.array([[1.0, 2.0], [2.0, 1.0]]), "larger than 1"),
    ],
)
def test_what_is_no_covariance_is_not_packed(matrix: NDArray[np.float64], words: str) -> None:
    with pytest.raises(DataError, match=words):
        pack_symmetric(matrix)


@pytest.mark.parametrize(
    ("size", "data", "words"),
    [
        (1, packed(1, [float("nan")]), "not finite"),
        (1, packed(1, [float("inf")]), "not finite"),
        (2, packed(2, [1.0, 0.0, -1.0]), "negative"),
        (2, packed(2, [1.0, 1.1, 1.0]), "larger than 1"),
        (3, packed(2, [1.0, 0.0, 1.0]), "does not hold 3 rows"),
        (1, packed(2, [1.0, 0.0, 1.0]), "does not hold 1 rows"),
        (1, packed(1, [1.0])[:-4], "does not hold|damaged"),
        (1, base64.b64encode(zlib.compress(b"\0" * 8) + b"more").decode(), "does not hold"),
        (1, "not base64!", "damaged"),
        (1, "\N{GREEK SMALL LETTER MU}", "damaged"),
        (1, base64.b64encode(b"no zlib").decode(), "damaged"),
        (1, "", "does not hold|damaged"),
        (-1, "", "greater than or equal to 0"),
    ],
)
def test_damaged_or_impossible_matrices_are_refused_on_reading(
    size: int, data: str, words: str
) -> None:
    with pytest.raises(ValidationError, match=words):
        PackedSymmetric.model_validate_json(fields(size, data))


def test_a_small_text_that_inflates_without_end_is_refused() -> None:
    bomb = base64.b64encode(zlib.compress(b"\0" * 100_000_000, 9)).decode("ascii")
    with pytest.raises(ValidationError, match="does not hold 2 rows"):
        PackedSymmetric.model_validate_json(fields(2, bomb))


@given(where=st.integers(0), bit=st.integers(0, 7))
def test_a_flipped_bit_never_passes_unseen(where: int, bit: int) -> None:
    document = pack_symmetric(covariance(6, seed=1))
    raw = bytearray(base64.b64decode(document.data))
    raw[where % len(raw)] ^= 1 << bit
    text = fields(6, base64.b64encode(bytes(raw)).decode("ascii"))
    try:
        back = PackedSymmetric.model_validate_json(text)
    except ValidationError:
        return
    # zlib's header has bits that mean nothing; then the numbers must be the same.
    assert np.array_equal(unpack_symmetric(back), unpack_symmetric(document))
