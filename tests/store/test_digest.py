"""Fingerprints of files, against the published example messages."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitscan.errors import InputError
from fitscan.store.digest import sha256_of_file

# NIST, "Examples with Intermediate Values" for FIPS 180-4 (SHA-256), and the same examples in
# RFC 6234, section 8.5; the values stand here from memory.
EXAMPLES = [
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("message", "expected"), EXAMPLES)
def test_published_examples_come_out(tmp_path: Path, message: bytes, expected: str) -> None:
    (tmp_path / "m").write_bytes(message)
    assert sha256_of_file(tmp_path / "m") == expected


def test_a_file_longer_than_one_piece_is_read_to_its_end(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x" * 3_000_000)
    (tmp_path / "b").write_bytes(b"x" * 2_999_999 + b"y")
    assert sha256_of_file(tmp_path / "a") != sha256_of_file(tmp_path / "b")


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no such file \(.*/none\)"):
        sha256_of_file(tmp_path / "none")
